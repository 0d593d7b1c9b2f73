"""Both placements in the same patient."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from capstat.numerics.maximise import profile_interval
from capstat.numerics.proportions import McNemarResult, mcnemar, paired_difference_newcombe
from capstat.numerics.small_sample import drop_in_log_likelihood, p_from_likelihood_ratio, wald_multiplier
from capstat.placement.order import first_attempt_with_each_placement
from capstat.placement.random_intercept import (
    RandomInterceptFit,
    RandomInterceptLikelihood,
    fit_random_intercept,
    profile_from,
)
from capstat.results import Estimate, NotEstimableError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.thresholds import CensoredThresholds

__all__ = [
    "PairedCapture",
    "PairedIntervals",
    "PairedRatio",
    "bounded_ratio",
    "no_finite_ratio",
    "paired_capture",
    "paired_intervals",
    "paired_ratio",
]

# log ratio at which the likelihood is taken to have reached its supremum: a factor of 55
FAR = 4.0

MODEL = "random patient intercept on log current, both sides censored, exact marginal likelihood"


@dataclass(frozen=True, slots=True)
class PairedCapture:
    """Capture at one current by both placements in the same patients.

    Attributes
    ----------
    current_ma : float
        The current, usually the device maximum.
    both, first_only, second_only, neither : int
        Patients.
    undetermined : int
        Patients left out because a ramp stopped before this current.
    test : McNemarResult
        Exact and mid-p test of the discordant patients.
    difference : Estimate
        Share captured by the first placement minus share captured by the second.
    """

    current_ma: float
    both: int
    first_only: int
    second_only: int
    neither: int
    undetermined: int
    test: McNemarResult
    difference: Estimate


@dataclass(frozen=True, slots=True, eq=False)
class PairedIntervals:
    """Thresholds of the patients who had both placements, for a picture.

    Attributes
    ----------
    first, second : ndarray, shape (n, 2)
        Intervals (lower, upper] in mA with the first and with the second placement; rows are patients, sorted
        by the second and then the first, without identifiers.
    """

    first: NDArray[np.float64]
    second: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class PairedRatio:
    """Ratio of thresholds within patients.

    Attributes
    ----------
    ratio : Estimate
        Threshold with the first placement relative to the second, profile-likelihood limits.
    difference_at_median : Estimate
        Difference of the two medians in mA, delta-method limits.
    fit : RandomInterceptFit
        The model.
    ratio_adjusted_for_order : Estimate or None
        The same with the order of the attempts in the model, where it was recorded and varies.
    constant_order : bool
        Whether every patient had the placements in the same order, so that order and placement cannot be told apart.
    """

    ratio: Estimate
    difference_at_median: Estimate
    fit: RandomInterceptFit
    ratio_adjusted_for_order: Estimate | None
    constant_order: bool


def _design(thresholds: CensoredThresholds, first: str, *, order: bool) -> tuple[NDArray[np.float64], tuple[str, ...]]:
    columns = [np.ones(len(thresholds)), (thresholds.placement == first).astype(float)]
    names: tuple[str, ...] = ("intercept", first)
    if order:
        columns.append(thresholds.covariates["attempt_order"].to_numpy(dtype=float) - 1.0)
        names = (*names, "attempt_order")
    return np.column_stack(columns), names


def _ratio_estimate(
    fit: RandomInterceptFit, first: str, minus: str, level: float, *, n_pairs: int, suffix: str = ""
) -> Estimate:
    """Ratio with profile-likelihood limits, calibrated as for normal differences of ``n_pairs`` patients."""
    coefficient = float(fit.coefficients[1])
    error = float(np.sqrt(fit.covariance[1, 1]))
    used = len(fit.names) - 1
    drop = drop_in_log_likelihood(n_pairs, used, level)
    low, high = -np.inf, np.inf
    if np.isfinite(drop):
        low, high = profile_interval(
            lambda value: fit.profile(1, value), fit.log_likelihood, coefficient, error, drop=drop
        )
    statistic = 2 * (fit.log_likelihood - fit.profile(1, 0.0))
    return Estimate(
        f"ratio of capture thresholds within a patient{suffix}",
        float(np.exp(coefficient)), float(np.exp(low)), float(np.exp(high)), level, "ratio", "log",
        fit.n_patients, f"{MODEL}; profile-likelihood limits with the t correction of {n_pairs} pairs",
        f"{first} relative to {minus}",
        notes=(fit.boundary,) if fit.boundary else (),
        p_value=p_from_likelihood_ratio(statistic, n_pairs, used),
    )  # fmt: skip


def _median_difference(fit: RandomInterceptFit, first: str, minus: str, level: float, *, n_pairs: int) -> Estimate:
    """exp(b0 + b1) - exp(b0); on the log scale the patient effect is symmetric, so medians stay medians."""
    base, with_first = float(np.exp(fit.coefficients[0])), float(np.exp(fit.coefficients[:2].sum()))
    slope = np.array([with_first - base, with_first])
    error = float(np.sqrt(slope @ fit.covariance[:2, :2] @ slope))
    reach = wald_multiplier(n_pairs, 1, level) * error
    value = with_first - base
    return Estimate(
        "difference of median capture thresholds", value, value - reach, value + reach, level,
        "mA", "identity", fit.n_patients, f"{MODEL}; delta method", f"{first} minus {minus}",
    )  # fmt: skip


def _informative_pairs(pair: CensoredThresholds, first: str, minus: str) -> int:
    """Patients with both placements of whom at least one attempt captured: they carry the within-patient spread."""
    both = np.intersect1d(pair.patient[pair.placement == first], pair.patient[pair.placement == minus])
    captured = np.unique(pair.patient[np.isfinite(pair.upper_ma)])
    return int(np.intersect1d(both, captured).size)


def _order_varies(thresholds: CensoredThresholds) -> bool:
    if "attempt_order" not in thresholds.covariates:
        return False
    order = thresholds.covariates["attempt_order"].to_numpy(dtype=float)
    return bool(np.isfinite(order).all() and np.unique(order).size > 1)


def paired_ratio(thresholds: CensoredThresholds, first: str, minus: str, *, level: float = 0.95) -> PairedRatio:
    """Ratio of thresholds, first placement relative to second, from all attempts with either.

    Patients with only one of the two contribute too.

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
    """
    pair = thresholds.subset(np.isin(thresholds.placement, (first, minus)))
    reason = no_finite_ratio(pair, first, minus)
    if reason:
        raise NotEstimableError(reason)
    design, names = _design(pair, first, order=False)
    n_pairs = _informative_pairs(pair, first, minus)
    fit = fit_random_intercept(pair, design, names)
    return PairedRatio(
        _ratio_estimate(fit, first, minus, level, n_pairs=n_pairs),
        _median_difference(fit, first, minus, level, n_pairs=n_pairs),
        fit,
        _ratio_allowing_for_order(pair, first, minus, level, n_pairs),
        _order_varies(pair) and _order_is_placement(pair, first),
    )


def _order_is_placement(pair: CensoredThresholds, first: str) -> bool:
    design, _ = _design(pair, first, order=True)
    return bool(np.linalg.matrix_rank(design) < design.shape[1])


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


def bounded_ratio(pair: CensoredThresholds, first: str, minus: str, *, level: float, reason: str) -> Estimate:
    """A ratio without a finite estimate, with the one-sided profile-likelihood limit that the data still hold.

    The supremum of the likelihood is approached as the ratio grows without bound on one side; there the limit is where
    the profile has fallen far enough below it.
    """
    limits = (-np.inf, np.inf)
    drop = drop_in_log_likelihood(_informative_pairs(pair, first, minus), 1, level)
    captured = np.isfinite(pair.upper_ma)
    if np.isfinite(drop) and captured.any() and pair.clustered:
        design, _ = _design(pair, first, order=False)
        likelihood = RandomInterceptLikelihood.from_thresholds(pair, design)
        centre = float(np.log(np.median(pair.upper_ma[captured])))
        start = np.array([centre, 0.0, np.log(0.2), np.log(0.3)])

        def profile(value: float) -> float:
            return profile_from(likelihood, start, 1, value)

        ends = {side: profile(side * FAR) for side in (-1.0, 1.0)}
        side = max(ends, key=lambda key: ends[key])
        limits = profile_interval(profile, ends[side], side * FAR, FAR / 8, drop=drop, reach=20.0)
        limits = (limits[0], np.inf) if side > 0 else (-np.inf, limits[1])
    return Estimate(
        "ratio of capture thresholds within a patient", None, float(np.exp(limits[0])), float(np.exp(limits[1])), level,
        "ratio", "log", pair.n_patients, f"{MODEL}; profile-likelihood limit", f"{first} relative to {minus}",
        reason=reason,
    )  # fmt: skip


def _ratio_allowing_for_order(
    pair: CensoredThresholds, first: str, minus: str, level: float, n_pairs: int
) -> Estimate | None:
    """The ratio with the order in the model; ``None`` where it was not recorded or does not vary."""
    if not _order_varies(pair):
        return None
    quantity = "ratio of capture thresholds within a patient, allowing for order"
    if _order_is_placement(pair, first):
        return Estimate(
            quantity, None, None, None, level, "ratio", "log", pair.n_patients, MODEL, f"{first} relative to {minus}",
            reason="the order was the same in every patient, so order and placement cannot be told apart",
        )  # fmt: skip
    design, names = _design(pair, first, order=True)
    try:
        fit = fit_random_intercept(pair, design, names)
    except NotEstimableError as error:
        return Estimate(
            quantity, None, None, None, level, "ratio", "log", pair.n_patients, MODEL, f"{first} relative to {minus}",
            reason=str(error),
        )  # fmt: skip
    return _ratio_estimate(fit, first, minus, level, n_pairs=n_pairs, suffix=", allowing for order")


def paired_intervals(thresholds: CensoredThresholds, first: str, minus: str) -> PairedIntervals:
    """Intervals of the patients with both placements; the first attempt with each counts."""
    single = first_attempt_with_each_placement(thresholds)
    one, two = single.for_placement(first), single.for_placement(minus)
    _, i, j = np.intersect1d(one.patient, two.patient, return_indices=True)
    rows_one = np.column_stack((one.lower_ma, one.upper_ma))[i]
    rows_two = np.column_stack((two.lower_ma, two.upper_ma))[j]
    order = np.lexsort((rows_one[:, 1], rows_one[:, 0], rows_two[:, 1], rows_two[:, 0]))
    return PairedIntervals(rows_one[order], rows_two[order])


def paired_capture(
    thresholds: CensoredThresholds, first: str, minus: str, *, current_ma: float, level: float = 0.95
) -> PairedCapture:
    """Exact paired test of capture at one current, with an interval for the difference.

    McNemar's exact test; Newcombe's method 10 for the paired difference.  Where a patient has several
    attempts with one placement the first counts.

    Raises
    ------
    NotEstimableError
        When no patient has both placements determined at this current.
    """
    single = first_attempt_with_each_placement(thresholds)
    captured = np.full(len(single), np.nan)
    captured[single.upper_ma <= current_ma] = 1.0
    captured[single.lower_ma >= current_ma] = 0.0
    table = (
        pd.DataFrame({"patient": single.patient, "placement": single.placement, "captured": captured})
        .pivot_table(index="patient", columns="placement", values="captured", aggfunc="first", dropna=False)
        .reindex(columns=[first, minus])
    )
    has = pd.crosstab(single.patient, single.placement).reindex(columns=[first, minus], fill_value=0) > 0
    with_both = int(has.all(axis=1).sum())
    known = table.dropna()
    if known.empty:
        raise NotEstimableError(f"No patient has both placements followed to {current_ma:g} mA.")
    one, two = known[first].to_numpy() == 1, known[minus].to_numpy() == 1
    n11, n12 = int((one & two).sum()), int((one & ~two).sum())
    n21, n22 = int((~one & two).sum()), int((~one & ~two).sum())
    low, high = paired_difference_newcombe(n11, n12, n21, n22, level)
    test = mcnemar(n12, n21)
    difference = Estimate(
        f"paired difference in share captured at {current_ma:g} mA", (n12 - n21) / len(known), low, high, level,
        "proportion", "score", len(known), "Newcombe method 10 for pairs; exact McNemar test",
        f"{first} minus {minus}", p_value=test.p_exact,
    )  # fmt: skip
    return PairedCapture(current_ma, n11, n12, n21, n22, with_both - len(known), test, difference)
