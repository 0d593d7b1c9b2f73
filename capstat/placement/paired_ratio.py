"""Ratio of thresholds within patients, and what the same model says beside it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import special, stats

from capstat.distributions.families import LOGNORMAL
from capstat.distributions.regression import fit_regression
from capstat.numerics.maximise import NoMaximumError, profile_interval, profile_limit
from capstat.numerics.small_sample import drop_in_log_likelihood, p_from_likelihood_ratio, wald_multiplier
from capstat.placement.order import first_attempt_with_each_placement
from capstat.placement.pair_fit import PairFit, PairModel, fit_pairs, held_maximum
from capstat.placement.pair_likelihood import PairRecords, tabulate_pairs
from capstat.placement.pair_quantities import (
    PairCurves,
    correlation_estimate,
    pair_curves,
    probability_less,
    residual_spreads,
)
from capstat.results import Estimate, NotEstimableError, UsageError

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from capstat.thresholds import CensoredThresholds

__all__ = ["PairedRatio", "bounded_ratio", "no_finite_ratio", "paired_ratio"]

# log ratio at which the likelihood is taken to have reached its supremum: a factor of 55
FAR = 4.0
GRID = 33
MODEL = "random patient intercept on log current, both sides censored, exact marginal likelihood"


@dataclass(frozen=True, slots=True, eq=False)
class PairedRatio:
    """Ratio of thresholds within patients.

    Attributes
    ----------
    ratio : Estimate
        Threshold with the first placement relative to the second, profile-likelihood limits; allowing for the order of
        the attempts where both orders were recorded often enough.
    difference_at_median : Estimate
        Difference of the two medians in mA, delta-method limits.
    without_order : Estimate or None
        The ratio without the order in the model, where the headline has it.
    period, sequence : Estimate or None
        Ratio of thresholds in the second relative to the first attempt; of patients who had the first placement first
        relative to the others (from a model with both; it also holds what is carried over).
    correlation : Estimate
        Of the two log thresholds of a patient.
    probability_less : Estimate
        Probability that the first placement needs less current than the second in the same patient.
    spreads : tuple of Estimate
        Residual standard deviation of log threshold with the first and with the second placement, from a model with
        one for each; empty where that has no estimate.
    equal_spread_p : float or None
        p-value of the hypothesis that both are equal.
    never_captured : Estimate or None
        Share of patients captured with neither placement at any current; ``None`` where no patient was captured by
        neither, or the model has no estimate.
    ratio_with_never_captured : Estimate or None
        The ratio from the model with that share.
    ratio_with_separate_spreads : Estimate or None
        The ratio from the model with a spread for each placement.
    curves : PairCurves
        Capture curves of both placements in the same patients and their difference, from the model with the lowest AIC.
    fit : PairFit
        The model of the headline.
    constant_order : bool
        Whether every patient had the placements in the same order, as far as recorded, so that order and placement
        cannot be told apart.
    n_order_unknown : int
        Patients with both placements whose order was not recorded; they count as if either had come first.
    n_pairs, n_single, n_later : int
        Patients with both placements, with one of them, and later attempts left out.
    """

    ratio: Estimate
    difference_at_median: Estimate
    without_order: Estimate | None
    period: Estimate | None
    sequence: Estimate | None
    correlation: Estimate
    probability_less: Estimate
    spreads: tuple[Estimate, ...]
    equal_spread_p: float | None
    never_captured: Estimate | None
    ratio_with_never_captured: Estimate | None
    ratio_with_separate_spreads: Estimate | None
    curves: PairCurves
    fit: PairFit
    constant_order: bool
    n_order_unknown: int
    n_pairs: int
    n_single: int
    n_later: int


@dataclass(frozen=True, slots=True, eq=False)
class _Pairs:
    """First attempts with each placement, one row for each patient: bounds (n, 2) and whether there is one (n, 2).

    ``rank`` (n, 2) is 1 for a patient's first and 2 for the second of the two, NaN where not recorded or absent.
    """

    single: CensoredThresholds
    lower: NDArray[np.float64]
    upper: NDArray[np.float64]
    rank: NDArray[np.float64]
    present: NDArray[np.bool_]
    first: str
    minus: str

    @property
    def n_informative(self) -> int:
        """Patients with both placements and at least one capture: they carry the spread within patients."""
        return int((self.present.all(axis=1) & np.isfinite(self.upper).any(axis=1)).sum())

    @property
    def came_first(self) -> NDArray[np.bool_]:
        """Of the patients with both in a known order: whether the first placement came first."""
        both = self.rank[self.present.all(axis=1)]
        known = both[np.isfinite(both).all(axis=1)]
        return np.asarray(known[:, 0] < known[:, 1])

    @property
    def both_orders(self) -> bool:
        """Whether both orders occur."""
        return bool(self.came_first.any() and not self.came_first.all())

    def designs(self, *, period: bool, sequence: bool) -> NDArray[np.float64]:
        """Covariates of both attempts, shape (n, 2, p)."""
        is_first = np.broadcast_to([1.0, 0.0], self.lower.shape)
        columns = [np.ones(self.lower.shape), is_first]
        if period:
            columns.append(np.nan_to_num(self.rank - 1.5))
        if sequence:
            # one value for each patient; the order that a patient was meant to have follows from any one attempt
            first_came_first = np.where(np.isfinite(self.rank[:, 0]), 1.5 - self.rank[:, 0], self.rank[:, 1] - 1.5)
            columns.append(np.repeat(np.nan_to_num(first_came_first)[:, None], 2, axis=1))
        return np.where(self.present[:, :, None], np.stack(columns, axis=2), 0.0)

    def records(self, *, period: bool = False, sequence: bool = False) -> PairRecords:
        return tabulate_pairs(self.lower, self.upper, self.designs(period=period, sequence=sequence))


def _pairs(pair: CensoredThresholds, first: str, minus: str) -> _Pairs:
    single = first_attempt_with_each_placement(pair)
    code, patient = np.unique(single.patient, return_inverse=True)
    slot = np.where(single.placement == first, 0, 1)
    shape = (code.size, 2)
    lower, upper, order = np.zeros(shape), np.full(shape, np.inf), np.full(shape, np.nan)
    present = np.zeros(shape, dtype=bool)
    lower[patient, slot], upper[patient, slot], present[patient, slot] = single.lower_ma, single.upper_ma, True
    if "attempt_order" in single.covariates:
        order[patient, slot] = single.covariates["attempt_order"].to_numpy(dtype=float)
    return _Pairs(single, lower, upper, _ranks(order, present), present, first, minus)


def _ranks(order: NDArray[np.float64], present: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Which of a patient's two attempts came first: 1 and 2, whatever attempts lay before or between them."""
    both = np.asarray(present.all(axis=1))
    known = np.asarray(np.isfinite(order).all(axis=1) & (order[:, 0] != order[:, 1]))
    ranks = np.where(order > 1, 2.0, np.where(np.isfinite(order), 1.0, np.nan))
    later = (order[:, [0, 1]] > order[:, [1, 0]]) + 1.0
    return np.where(both[:, None], np.where(known[:, None], later, np.nan), ranks)


def no_finite_ratio(pair: CensoredThresholds, first: str, minus: str) -> str:
    """Say why the ratio within patients has no finite estimate; empty when it may have one."""
    for name in (first, minus):
        own = pair.for_placement(name)
        if not len(own):
            return f"There is no attempt with {name} placement."
        if np.isinf(own.upper_ma).all():
            return f"No attempt with {name} placement captured, so the ratio of thresholds has no finite estimate."
        if (own.lower_ma == 0).all():
            return (
                f"Every attempt with {name} placement captured at its first setting, so the ratio of thresholds has no "
                "finite estimate."
            )
    return ""


def _start(pairs: _Pairs, p: int) -> NDArray[np.float64]:
    """Coefficients of a regression that takes attempts as independent, or of interval ends; a middling correlation."""
    is_first = (pairs.single.placement == pairs.first).astype(float)
    design = np.column_stack((np.ones(is_first.size), is_first))
    try:
        naive = fit_regression(pairs.single, design, ("intercept", pairs.first), family=LOGNORMAL)
        coefficients, log_sd = naive.coefficients, naive.log_sigma
    except NotEstimableError:  # its spread may have no estimate where that of the pairs has one
        ends = np.log(np.where(np.isfinite(pairs.single.upper_ma), pairs.single.upper_ma, 1.2 * pairs.single.lower_ma))
        coefficients, *_ = np.linalg.lstsq(design, ends, rcond=None)
        log_sd = float(np.log(max((ends - design @ coefficients).std(), 0.1)))
    return np.concatenate((coefficients, np.zeros(p - 2), [log_sd, 0.7]))


def _fit(pairs: _Pairs, *, period: bool, sequence: bool = False) -> PairFit:
    names = ("intercept", pairs.first, *(("period",) if period else ()), *(("sequence",) if sequence else ()))
    return fit_pairs(
        pairs.records(period=period, sequence=sequence), PairModel(names), _start(pairs, len(names))
    )  # fmt: skip


def _try(make: Callable[[], PairFit]) -> PairFit | None:
    try:
        return make()
    except NotEstimableError:
        return None


def _variant(fit: PairFit, *, separate: bool, mixture: bool) -> PairFit | None:
    """The same design with a spread for each placement, or with a share never captured, or with both."""
    p = len(fit.model.names)
    x = fit.parameters
    if mixture and not np.isinf(fit.records.log_upper).all(axis=1).any():
        return None
    extra = [2.0] if mixture else []
    start = np.concatenate((x[:p], [x[p]] * (1 + separate), [x[p + 1]], extra))
    return _try(lambda: fit_pairs(fit.records, PairModel(fit.model.names, separate, mixture), start))


def _ratio_of(
    fit: PairFit, pairs: _Pairs, column: int, level: float, *, suffix: str = "", direction: str = ""
) -> Estimate:
    """Exponential of a coefficient with profile-likelihood limits, calibrated as for normal differences."""
    n, used = pairs.n_informative, len(fit.model.names) - 1
    drop = drop_in_log_likelihood(n, used, level)
    low, high = fit.limits(column, drop) if np.isfinite(drop) else (-np.inf, np.inf)
    value = float(fit.coefficients[column])
    p_value: float | None
    try:
        p_value = p_from_likelihood_ratio(2 * (fit.log_likelihood - fit.with_parameter(column, 0.0)), n, used)
    except NotEstimableError:  # the hypothesis makes the data impossible in floating point: limits alone are given
        p_value = None
    return Estimate(
        f"ratio of capture thresholds {suffix or 'within a patient'}", float(np.exp(value)), float(np.exp(low)),
        float(np.exp(high)), level, "ratio", "log", pairs.lower.shape[0],
        f"{MODEL}; profile-likelihood limits with the t correction of {n} pairs",
        direction or f"{pairs.first} relative to {pairs.minus}", notes=(fit.boundary,) if fit.boundary else (),
        p_value=p_value,
    )  # fmt: skip


def _median_difference(fit: PairFit, pairs: _Pairs, level: float) -> Estimate:
    """exp(b0 + b1) - exp(b0); on the log scale the patient effect is symmetric, so medians stay medians."""
    base, with_first = float(np.exp(fit.coefficients[0])), float(np.exp(fit.coefficients[:2].sum()))
    slope = np.array([with_first - base, with_first])
    error = float(np.sqrt(slope @ fit.covariance[:2, :2] @ slope))
    multiplier = wald_multiplier(pairs.n_informative, len(fit.model.names) - 1, level)
    value = with_first - base
    reach = multiplier * error if np.isfinite(multiplier) else np.inf
    return Estimate(
        "difference of median capture thresholds", value, value - reach, value + reach, level,
        "mA", "identity", pairs.lower.shape[0], f"{MODEL}; delta method", f"{pairs.first} minus {pairs.minus}",
    )  # fmt: skip


def _never_captured(mixed: PairFit, plain: PairFit, pairs: _Pairs, level: float) -> Estimate:
    """Share of patients that neither placement captures at any current, with profile limits and a boundary test."""
    column = mixed.model.size - 1
    logit = float(mixed.parameters[column])
    at_bound = not mixed.optima.free[0, column]
    drop = drop_in_log_likelihood(pairs.n_informative, len(mixed.model.names) - 1, level)
    low, high = -np.inf, np.inf
    if np.isfinite(drop) and not at_bound:
        low, high = mixed.limits(column, drop)
    elif np.isfinite(drop):
        low = _lower_logit(mixed, column, drop)
    statistic = max(2 * (mixed.log_likelihood - plain.log_likelihood), 0.0)
    return Estimate(
        "share of patients never captured with either placement", 0.0 if at_bound else float(special.expit(-logit)),
        float(special.expit(-high)), float(special.expit(-low)), level,
        "proportion", "logit", pairs.lower.shape[0], f"{MODEL}, mixed with a share never captured; profile likelihood",
        p_value=1.0 if statistic == 0 else float(0.5 * stats.chi2.sf(statistic, 1)),
        notes=("the p-value of the share never captured allows for its boundary (Self & Liang 1987)",),
    )  # fmt: skip


def _lower_logit(mixed: PairFit, column: int, drop: float) -> float:
    """Where the profile of the logit, highest at its bound, has fallen by ``drop``."""
    try:
        return profile_limit(
            lambda value: mixed.with_parameter(column, value), mixed.log_likelihood, float(mixed.parameters[column]),
            1.0, drop, -1.0,
        )  # fmt: skip
    except (NoMaximumError, NotEstimableError):
        return -np.inf


def paired_ratio(thresholds: CensoredThresholds, first: str, minus: str, *, level: float = 0.95) -> PairedRatio:
    """Ratio of thresholds, first placement relative to second, from each patient's first attempt with either.

    Patients with only one of the two contribute too, and so do patients whom neither captured.

    Parameters
    ----------
    thresholds : CensoredThresholds
        Attempts; other placements are ignored.
    first, minus : str
        The ratio is ``first / minus``: below 1, the first needs less current.
    level : float
        Confidence level.

    Raises
    ------
    NotEstimableError
        When the ratio has no finite estimate; the message says why.
    UsageError
        When the thresholds carry weights.
    """
    pair = thresholds.subset(np.isin(thresholds.placement, (first, minus)))
    if not np.all(pair.weight == 1):
        raise UsageError("The model of two thresholds in one patient takes no weights.")
    reason = no_finite_ratio(pair, first, minus)
    if reason:
        raise NotEstimableError(reason)
    pairs = _pairs(pair, first, minus)
    if not pairs.present.all(axis=1).any():
        raise NotEstimableError("No patient has both placements, so the ratio within patients cannot be estimated.")
    plain = _fit(pairs, period=False)
    ordered = _try(lambda: _fit(pairs, period=True)) if pairs.both_orders else None
    sequenced = _try(lambda: _fit(pairs, period=True, sequence=True)) if ordered is not None else None
    fit = ordered or plain
    separate = _variant(fit, separate=True, mixture=False)
    mixed = _variant(fit, separate=False, mixture=True)
    # both at once have several maxima in small studies, so they are not among the candidates
    candidates = [one for one in (fit, separate, mixed) if one is not None]
    n, used = pairs.n_informative, len(fit.model.names) - 1
    multiplier = wald_multiplier(n, used, level)
    people = pairs.lower.shape[0]
    equal_p = None
    if separate is not None:
        # exact for uncensored pairs (Pitman and Morgan); chi-square rejects 8 to 14 % of true hypotheses in 6 to 15
        statistic = max(2 * (separate.log_likelihood - fit.log_likelihood), 0.0)
        equal_p = p_from_likelihood_ratio(statistic, n, len(fit.model.names))
    words = (first, minus)
    return PairedRatio(
        ratio=_ratio_of(fit, pairs, 1, level),
        difference_at_median=_median_difference(fit, pairs, level),
        without_order=_ratio_of(plain, pairs, 1, level) if ordered is not None else None,
        period=None if ordered is None else _ratio_of(
            ordered, pairs, 2, level, suffix="by order", direction="second attempt relative to first attempt"
        ),
        sequence=None if sequenced is None else _ratio_of(
            sequenced, pairs, 3, level, suffix="by sequence",
            direction=f"patients with {first} first relative to patients with {minus} first",
        ),
        correlation=correlation_estimate(fit, people, multiplier, level),
        probability_less=probability_less(fit, words, people, multiplier, level),
        spreads=() if separate is None else residual_spreads(separate, words, people, multiplier, level),
        equal_spread_p=equal_p,
        never_captured=None if mixed is None else _never_captured(mixed, fit, pairs, level),
        ratio_with_never_captured=None if mixed is None else _ratio_of(mixed, pairs, 1, level),
        ratio_with_separate_spreads=None if separate is None else _ratio_of(separate, pairs, 1, level),
        curves=pair_curves(min(candidates, key=lambda one: one.aic), words, _top(pair), multiplier, level),
        fit=fit,
        constant_order=pairs.came_first.size > 0 and not pairs.both_orders,
        n_order_unknown=int(pairs.present.all(axis=1).sum()) - pairs.came_first.size,
        n_pairs=int(pairs.present.all(axis=1).sum()),
        n_single=int((~pairs.present.all(axis=1)).sum()),
        n_later=len(pair) - len(pairs.single),
    )  # fmt: skip


def _top(pair: CensoredThresholds) -> float:
    """Highest current (mA) that was tried."""
    finite = pair.upper_ma[np.isfinite(pair.upper_ma)]
    return float(max(pair.lower_ma.max(), finite.max(initial=0.0)))


def bounded_ratio(pair: CensoredThresholds, first: str, minus: str, *, level: float, reason: str) -> Estimate:
    """A ratio without a finite estimate, with the one-sided profile-likelihood limit that the data still hold.

    Where one placement never captured the supremum of the likelihood is approached as the ratio grows without bound;
    there the limit is where the profile has fallen far enough below it.  Where it is the spread that has no estimate,
    the profile has a plateau in between and both limits are finite.
    """
    pairs = _pairs(pair, first, minus)
    limits = (-np.inf, np.inf)
    drop = drop_in_log_likelihood(pairs.n_informative, 1, level)
    captured = np.isfinite(pair.upper_ma)
    if np.isfinite(drop) and captured.any() and pairs.present.all(axis=1).any():
        records, model = pairs.records(), PairModel(("intercept", first))
        centre = float(np.log(np.median(pair.upper_ma[captured])))

        def profile(value: float) -> float:
            try:
                return held_maximum(records, model, np.array([centre, value, np.log(0.35), 0.7]), 1)
            except NotEstimableError:
                return -np.inf

        grid = np.linspace(-FAR, FAR, GRID)
        values = [profile(float(value)) for value in grid]
        top = int(np.argmax(values))
        try:
            limits = profile_interval(profile, values[top], float(grid[top]), 2 * FAR / GRID, drop=drop, reach=40.0)
        except NoMaximumError:
            limits = (-np.inf, np.inf)
        # a profile that is highest at an end goes on rising beyond it
        limits = (-np.inf if top == 0 else limits[0], np.inf if top == GRID - 1 else limits[1])
    return Estimate(
        "ratio of capture thresholds within a patient", None, float(np.exp(limits[0])), float(np.exp(limits[1])), level,
        "ratio", "log", pair.n_patients, f"{MODEL}; profile-likelihood limit", f"{first} relative to {minus}",
        reason=reason,
    )  # fmt: skip
