"""For whom: whether the ratio of thresholds differs between kinds of patients, with no subgroup without its test.

One accelerated threshold model for each modifier, with placement, modifier, their product, and what is adjusted for.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats
from statsmodels.stats.multitest import multipletests

from capstat.distributions.covariates import (
    PLACEMENT,
    Covariates,
    Kind,
    Spline,
    check_confounder,
    complete_cases,
    covariate_table,
    read_column,
)
from capstat.distributions.design_matrix import make_design
from capstat.distributions.families import LOGNORMAL
from capstat.distributions.regression import captured_patients, fit_regression
from capstat.placement.unpaired import unit_step
from capstat.results import Curve, Estimate, NotEstimableError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from capstat.distributions.regression import ThresholdRegression
    from capstat.thresholds import CensoredThresholds

__all__ = ["ModifierAnalysis", "SubgroupForest", "SubgroupRow", "modifier_analysis", "subgroup_forest"]

# cut points of subgroups of a number: clinically usual for body mass index (common practice, no source), else tertiles
USUAL_CUTS = {"body_mass_index": (25.0, 30.0)}
FEWEST_CAPTURED = 5
CENTILES = (0.05, 0.95)
CURVE_POINTS = 41
BEND_DF = 3
# standard deviations of a modifier: a change over a much wider step says nothing and may be beyond any number
WIDEST_STEP = 100
METHOD = "lognormal accelerated threshold model with a product of placement and modifier; Wald t interval"
QUANTITY = "ratio of capture thresholds"


@dataclass(frozen=True, slots=True)
class SubgroupRow:
    """One subgroup.

    Attributes
    ----------
    modifier, level : str
        The subgroup.
    n_first, n_minus : int
        Patients with the first and with the second placement.
    n_captured_first, n_captured_minus : int
        Of them captured.
    ratio : Estimate
        Ratio of thresholds, first relative to second placement, from one model for all subgroups of the modifier;
        without a value where fewer than 5 patients of a placement were captured.
    interaction_p : float or None
        p-value of the modifier's test, the same for all its subgroups (for a number that of the straight line, which
        does not depend on where the subgroups are cut); ``None`` for all patients together.
    """

    modifier: str
    level: str
    n_first: int
    n_minus: int
    n_captured_first: int
    n_captured_minus: int
    ratio: Estimate
    interaction_p: float | None


@dataclass(frozen=True, slots=True, eq=False)
class ModifierAnalysis:
    """Whether the ratio of thresholds depends on one modifier.

    Attributes
    ----------
    modifier : str
        Its name.
    statistic : float
        Wald statistic of the products over its degrees of freedom.
    df, df_error : int
        Degrees of freedom of the F distribution.
    p_value : float
        Test that the ratio is the same for all.
    p_likelihood_ratio : float or None
        The same hypothesis by the likelihood ratio, referred to F as for the uncensored normal model; ``None`` with
        several attempts of a patient or weights.
    p_holm : float
        ``p_value``, allowing for all modifiers that were looked at (Holm 1979, from memory).
    bend_p : float or None
        For a number, test that the log ratio changes along a straight line, against a natural cubic spline of 3
        columns with either placement.
    change : Estimate or None
        For a number, the factor by which the ratio changes per step of the modifier; ``None`` where patients differ by
        less than a hundredth of a step.
    curve : Curve or None
        For a number, the ratio over its central 90 %; limits for one value at a time.
    rows : tuple of SubgroupRow
        Subgroups.
    left_out : tuple of str
        Levels without a finite ratio (no capture, or nothing but capture at the first setting, with one placement):
        neither in the model nor in the test.
    n_complete, n_total : int
        Attempts with everything in the model, and all attempts.
    """

    modifier: str
    statistic: float
    df: int
    df_error: int
    p_value: float
    p_likelihood_ratio: float | None
    p_holm: float
    bend_p: float | None
    change: Estimate | None
    curve: Curve | None
    rows: tuple[SubgroupRow, ...]
    left_out: tuple[str, ...]
    n_complete: int
    n_total: int


@dataclass(frozen=True, slots=True, eq=False)
class SubgroupForest:
    """All modifiers that were looked at.

    Attributes
    ----------
    modifiers : tuple of ModifierAnalysis
        In the order asked for.
    reasons : tuple of (str, str)
        Modifiers without a test, and why; they have no subgroups either.
    overall : SubgroupRow
        All attempts that have what is adjusted for, without a modifier.
    """

    modifiers: tuple[ModifierAnalysis, ...]
    reasons: tuple[tuple[str, str], ...]
    overall: SubgroupRow

    @property
    def n_tested(self) -> int:
        """Number of tests that Holm's correction allows for."""
        return len(self.modifiers)

    @property
    def rows(self) -> tuple[SubgroupRow, ...]:
        """Subgroups of all modifiers."""
        return tuple(row for modifier in self.modifiers for row in modifier.rows)


@dataclass(frozen=True, slots=True)
class _Question:
    """Who is compared with whom, by what, adjusted for what."""

    first: str
    minus: str
    modifier: str
    adjust_for: tuple[str, ...]
    level: float

    @property
    def direction(self) -> str:
        return f"{self.first} relative to {self.minus}"


@dataclass(frozen=True, slots=True, eq=False)
class _Model:
    """A fit of ``thresholds``; ``product`` (k,) are the places of the products of placement and modifier columns."""

    thresholds: CensoredThresholds
    fit: ThresholdRegression
    design: NDArray[np.float64]
    product: NDArray[np.intp]


def _fit(used: CensoredThresholds, ask: _Question, columns: NDArray[np.float64]) -> _Model:
    """Fit intercept, placement, modifier columns, what is adjusted for, and placement times modifier columns."""
    is_first = (used.placement == ask.first).astype(float)[:, None]
    others = make_design(used, Covariates(ask.adjust_for))
    other = others.matrix(covariate_table(used))[:, 1:]
    k = columns.shape[1]
    design = np.column_stack((np.ones(len(used)), is_first, columns, other - other.mean(axis=0), is_first * columns))
    names = (
        "intercept", ask.first, *[ask.modifier] * k, *others.names[1:], *[f"{ask.modifier} times {ask.first}"] * k
    )  # fmt: skip
    fit = fit_regression(used, design, names, family=LOGNORMAL)
    return _Model(used, fit, design, np.arange(design.shape[1] - k, design.shape[1]))


def _wald(model: _Model, which: NDArray[np.intp]) -> tuple[float, int, int, float]:
    """Statistic over its degrees of freedom, both degrees of freedom, p-value: F with the patients captured."""
    fit = model.fit
    df, df_error = which.size, fit.n_captured - fit.coefficients.size
    if df_error <= 0:
        raise NotEstimableError("there are no more captured patients than coefficients in the model")
    # the factor removes the downward bias of the maximum-likelihood variance, as in intervals
    block = fit.covariance[np.ix_(which, which)] * fit.n_captured / df_error
    value = fit.coefficients[which]
    statistic = float(value @ np.linalg.solve(block, value)) / df
    return statistic, df, df_error, float(stats.f.sf(statistic, df, df_error))


def _likelihood_ratio_p(model: _Model) -> float | None:
    """Likelihood ratio of all products; F exact for the uncensored normal model, as in numerics.small_sample."""
    fit, df = model.fit, model.product.size
    df_error = fit.n_captured - fit.coefficients.size
    if fit.covariance_method != "observed information":  # then the likelihood is not that of independent attempts
        return None
    without = fit_regression(
        model.thresholds, np.delete(model.design, model.product, axis=1), fit.names[:-df], family=LOGNORMAL
    )
    deviance = max(2 * (fit.log_likelihood - without.log_likelihood), 0.0)
    return float(stats.f.sf(df_error / df * np.expm1(deviance / fit.n_captured), df, df_error))


def _ratio(model: _Model, ask: _Question, at: NDArray[np.float64], quantity: str, n: int) -> Estimate:
    """Ratio of thresholds for patients with these values of the modifier's columns."""
    contrast = np.zeros(model.fit.parameters.size)
    contrast[1] = 1.0
    contrast[model.product] = at
    found = model.fit.exponentiated(contrast, level=ask.level, quantity=quantity, unit="ratio", direction=ask.direction)
    return replace(found, n=n, method=f"{METHOD}; {model.fit.covariance_method}")


def _complete(thresholds: CensoredThresholds, ask: _Question, names: Sequence[str]) -> tuple[CensoredThresholds, int]:
    pair = thresholds.subset(np.isin(thresholds.placement, (ask.first, ask.minus)))
    table = covariate_table(pair)
    for name in names:
        check_confounder(table, name)
    complete, _ = complete_cases(pair, names)
    used = pair.subset(complete)
    for name in (ask.first, ask.minus):
        if name not in used.placements:
            needs = f" has {', '.join(names)}" if names else ""
            raise NotEstimableError(f"no attempt with {name} placement{needs}")
    return used, len(pair)


def _tertiles(values: pd.Series[float]) -> tuple[float, float]:
    """Tertiles, rounded to three digits, or to more where that is needed to keep them apart, as for years."""
    exact = [float(v) for v in np.quantile(values, (1 / 3, 2 / 3))]
    rounded = ([float(f"{v:.{digits}g}") for v in exact] for digits in (3, 4, 5, 6))
    low, high = next((cuts for cuts in rounded if float(values.min()) < cuts[0] < cuts[1]), exact)
    return low, high


def _groups(values: pd.Series[float], modifier: str) -> pd.Series[str]:
    """Subgroups of a number; cut where the label says."""
    low, high = USUAL_CUTS.get(modifier) or _tertiles(values)
    order = [f"below {low:g}", f"{low:g} to below {high:g}", f"{high:g} or more"]
    words = np.select([values < low, values < high], order[:2], order[2])
    return pd.Series(pd.Categorical(words, [name for name in order if name in set(words)], ordered=True))


def _dummies(groups: pd.Series[str], names: Sequence[str]) -> NDArray[np.float64]:
    """Columns of the levels after the first, shape (n, levels - 1)."""
    return np.array([(groups == name).to_numpy() for name in names[1:]], dtype=float).reshape(-1, len(groups)).T


def _has_ratio(used: CensoredThresholds, ask: _Question) -> bool:
    """Whether each placement has a capture, and not captures at the first setting only: else no ratio is finite."""
    return all(
        bool(np.isfinite(own.upper_ma).any() and (own.lower_ma > 0).any())
        for own in (used.for_placement(ask.first), used.for_placement(ask.minus))
    )


def _by_group(
    used: CensoredThresholds, ask: _Question, groups: pd.Series[str]
) -> tuple[_Model, tuple[str, ...], tuple[str, ...]]:
    """Fit with the groups as levels; groups in the model, and those without a finite ratio, which are left out."""
    names = [str(name) for name in groups.cat.categories]
    inside = tuple(name for name in names if _has_ratio(used.subset((groups == name).to_numpy()), ask))
    if not inside:
        raise NotEstimableError(f"no group by {ask.modifier} has captures with both placements")
    keep = groups.isin(inside).to_numpy()
    kept = groups[keep].reset_index(drop=True)
    model = _fit(used.subset(keep), ask, _dummies(kept, inside))
    return model, inside, tuple(name for name in names if name not in inside)


def _row(
    own: CensoredThresholds, ask: _Question, label: tuple[str, str], p_value: float | None, ratio: Estimate | str
) -> SubgroupRow:
    """Counts beside a ratio, or beside the reason why there is none."""
    arms = [own.for_placement(ask.first), own.for_placement(ask.minus)]
    captured = [captured_patients(arm) for arm in arms]
    if min(captured) < FEWEST_CAPTURED:
        ratio = f"fewer than {FEWEST_CAPTURED} captured patients with one of the placements"
    if isinstance(ratio, str):
        words = f"{QUANTITY}, {label[0]}: {label[1]}"
        ratio = Estimate(
            words, None, None, None, ask.level, "ratio", "log", own.n_patients, METHOD, ask.direction, reason=ratio
        )
    counts = (arms[0].n_patients, arms[1].n_patients, captured[0], captured[1])
    return SubgroupRow(label[0], label[1], *counts, ratio, p_value)


def _subgroups(
    used: CensoredThresholds, ask: _Question, groups: pd.Series[str], found: _Model | str, inside: tuple[str, ...],
    p_value: float,
) -> tuple[SubgroupRow, ...]:  # fmt: skip
    rows = []
    for name in map(str, groups.cat.categories):
        own = used.subset((groups == name).to_numpy())
        ratio: Estimate | str = "no finite ratio in this group: with one placement nothing limits it from one side"
        if isinstance(found, str):
            ratio = found
        elif name in inside:
            at = np.array([float(name == other) for other in inside[1:]])
            ratio = _ratio(found, ask, at, f"{QUANTITY}, {ask.modifier}: {name}", own.n_patients)
        rows.append(_row(own, ask, (ask.modifier, name), p_value, ratio))
    return tuple(rows)


def _curve(model: _Model, ask: _Question, values: NDArray[np.float64], spread: float) -> Curve:
    low_x, high_x = (float(np.quantile(values, centile)) for centile in CENTILES)
    x = np.linspace(low_x, high_x, CURVE_POINTS)
    found = [_ratio(model, ask, np.array([(v - values.mean()) / spread]), QUANTITY, model.fit.n_patients) for v in x]
    value, low, high = np.array([(e.value, e.lower, e.upper) for e in found], dtype=float).T
    return Curve(f"{QUANTITY} against {ask.modifier}", x, value, value, low, high, ask.level, METHOD)


def _change(model: _Model, ask: _Question, spread: float) -> Estimate | None:
    """Ratio of the ratios of patients one step of the modifier apart."""
    step, words = unit_step(ask.modifier)
    if step > WIDEST_STEP * spread:
        return None
    contrast = np.zeros(model.fit.parameters.size)
    contrast[model.product] = step / spread
    return model.fit.exponentiated(
        contrast, level=ask.level, quantity=f"factor by which the {QUANTITY} changes per {words}", unit="ratio",
        direction=ask.direction,
    )  # fmt: skip


def _bend(used: CensoredThresholds, ask: _Question, z: NDArray[np.float64]) -> float | None:
    """Test of the products that make a natural cubic spline more than a straight line."""
    try:
        spline = Covariates((ask.modifier,), splines=(Spline(ask.modifier, BEND_DF),))
        basis = make_design(used, spline).matrix(covariate_table(used))[:, 1:]
        line = np.column_stack((np.ones(z.size), z))
        # a straight line is a natural spline, so what the line leaves of the columns has one dimension less
        rest = basis - line @ np.linalg.lstsq(line, basis, rcond=None)[0]
        bends = np.linalg.svd(rest, full_matrices=False)[0][:, : BEND_DF - 1] * np.sqrt(z.size)
        model = _fit(used, ask, np.column_stack((z, bends)))
        return _wald(model, model.product[1:])[3]
    except NotEstimableError:
        return None


def modifier_analysis(
    thresholds: CensoredThresholds,
    first: str,
    minus: str,
    modifier: str,
    *,
    adjust_for: Sequence[str] = (),
    level: float = 0.95,
) -> ModifierAnalysis:
    """Test whether the ratio of thresholds depends on a modifier, and give it by subgroup.

    Parameters
    ----------
    thresholds : CensoredThresholds
        One attempt for each patient, normally (else errors are clustered); other placements are ignored.
    first, minus : str
        Ratios are ``first / minus``.
    modifier : str
        Number, yes/no or text column that is settled before the pads are placed; a number of only two values is taken
        as two levels.
    adjust_for : sequence of str
        Covariates of the model; the modifier itself may be among them.
    level : float
        Confidence level.

    Raises
    ------
    NotEstimableError
        When the test of interaction has no answer; then there are no subgroups either.
    UsageError
        When the modifier does not exist, is the placement, or is settled only with or after it.
    """
    ask = _Question(first, minus, modifier, tuple(name for name in adjust_for if name != modifier), level)
    if modifier == PLACEMENT:
        raise UsageError("The placement cannot modify itself.")
    used, n_total = _complete(thresholds, ask, (modifier, *ask.adjust_for))
    kind, values = read_column(covariate_table(used)[modifier], modifier)
    if kind is Kind.LINE and values.nunique() > 2:
        return _of_number(used, ask, values.astype(float), n_total)
    if kind is Kind.LINE:
        values = values.map(lambda value: f"{value:g}")
    words = values.map({1.0: "yes", 0.0: "no"}) if kind is Kind.YES_NO else values.astype(str)
    groups = pd.Series(pd.Categorical(words, sorted(set(words))))
    model, inside, left_out = _by_group(used, ask, groups)
    if len(inside) < 2:
        raise NotEstimableError(f"only '{inside[0]}' of {modifier} has captures with both placements")
    tested = _wald(model, model.product)
    rows = _subgroups(used, ask, groups, model, inside, tested[3])
    return ModifierAnalysis(
        modifier, *tested, _likelihood_ratio_p(model), tested[3], None, None, None, rows, left_out, len(used), n_total
    )


def _of_number(used: CensoredThresholds, ask: _Question, number: pd.Series[float], n_total: int) -> ModifierAnalysis:
    values: NDArray[np.float64] = np.asarray(number, dtype=np.float64)
    # in standard deviations: the search for the maximum must not depend on the modifier's unit
    spread = float(values.std())
    z = (values - values.mean()) / spread
    model = _fit(used, ask, z[:, None])
    tested = _wald(model, model.product)
    groups = _groups(number, ask.modifier)
    found: _Model | str
    inside: tuple[str, ...] = ()
    try:
        found, inside, _ = _by_group(used, ask, groups)
    except NotEstimableError as error:
        found = str(error)
    return ModifierAnalysis(
        ask.modifier, *tested, _likelihood_ratio_p(model), tested[3], _bend(used, ask, z), _change(model, ask, spread),
        _curve(model, ask, values, spread), _subgroups(used, ask, groups, found, inside, tested[3]), (),
        len(used), n_total,
    )  # fmt: skip


def _overall(thresholds: CensoredThresholds, ask: _Question) -> SubgroupRow:
    used, _ = _complete(thresholds, ask, ask.adjust_for)
    ratio: Estimate | str
    try:
        model = _fit(used, ask, np.empty((len(used), 0)))
        ratio = replace(
            _ratio(model, ask, np.empty(0), QUANTITY, used.n_patients), method=model.fit.method
        )  # fmt: skip
    except NotEstimableError as error:
        ratio = str(error)
    return _row(used, ask, ("all", "all"), None, ratio)


def subgroup_forest(
    thresholds: CensoredThresholds,
    first: str,
    minus: str,
    modifiers: Sequence[str],
    *,
    adjust_for: Sequence[str] = (),
    level: float = 0.95,
) -> SubgroupForest:
    """Look at several modifiers; p-values of interaction also with Holm's correction for their number.

    Parameters and errors as in :func:`modifier_analysis`; a modifier without a test is listed with its reason.
    """
    found, reasons = [], []
    for name in dict.fromkeys(modifiers):
        try:
            found.append(modifier_analysis(thresholds, first, minus, name, adjust_for=adjust_for, level=level))
        except NotEstimableError as error:
            reasons.append((name, str(error)))
    if found:
        adjusted = multipletests([one.p_value for one in found], method="holm")[1]
        found = [replace(one, p_holm=float(p)) for one, p in zip(found, adjusted, strict=True)]
    overall = _overall(thresholds, _Question(first, minus, "", tuple(adjust_for), level))
    return SubgroupForest(tuple(found), tuple(reasons), overall)
