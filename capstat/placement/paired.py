"""Both placements in the same patient."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from capstat.numerics.maximise import profile_interval
from capstat.numerics.proportions import McNemarResult, mcnemar, paired_difference_newcombe
from capstat.placement.random_intercept import RandomInterceptFit, fit_random_intercept
from capstat.results import Estimate, NotEstimableError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.thresholds import CensoredThresholds

__all__ = [
    "PairedCapture",
    "PairedIntervals",
    "PairedRatio",
    "paired_capture",
    "paired_intervals",
    "paired_ratio",
]

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
    """

    ratio: Estimate
    difference_at_median: Estimate
    fit: RandomInterceptFit
    ratio_adjusted_for_order: Estimate | None


def _design(thresholds: CensoredThresholds, first: str, *, order: bool) -> tuple[NDArray[np.float64], tuple[str, ...]]:
    columns = [np.ones(len(thresholds)), (thresholds.placement == first).astype(float)]
    names: tuple[str, ...] = ("intercept", first)
    if order:
        columns.append(thresholds.covariates["attempt_order"].to_numpy(dtype=float) - 1.0)
        names = (*names, "attempt_order")
    return np.column_stack(columns), names


def _ratio_estimate(fit: RandomInterceptFit, first: str, minus: str, level: float, *, suffix: str = "") -> Estimate:
    coefficient = float(fit.coefficients[1])
    error = float(np.sqrt(fit.covariance[1, 1]))
    low, high = profile_interval(lambda value: fit.profile(1, value), fit.log_likelihood, coefficient, error, level)
    statistic = max(2 * (fit.log_likelihood - fit.profile(1, 0.0)), 0.0)
    return Estimate(
        f"ratio of capture thresholds within a patient{suffix}",
        float(np.exp(coefficient)), float(np.exp(low)), float(np.exp(high)), level, "ratio", "log",
        fit.n_patients, f"{MODEL}; profile-likelihood limits",
        f"{first} relative to {minus}",
        notes=(fit.boundary,) if fit.boundary else (),
        p_value=float(stats.chi2.sf(statistic, 1)),
    )  # fmt: skip


def _median_difference(fit: RandomInterceptFit, first: str, minus: str, level: float) -> Estimate:
    """exp(b0 + b1) - exp(b0); on the log scale the patient effect is symmetric, so medians stay medians."""
    base, with_first = float(np.exp(fit.coefficients[0])), float(np.exp(fit.coefficients[:2].sum()))
    slope = np.array([with_first - base, with_first])
    error = float(np.sqrt(slope @ fit.covariance[:2, :2] @ slope))
    z = float(stats.norm.ppf(0.5 + level / 2))
    value = with_first - base
    return Estimate(
        "difference of median capture thresholds", value, value - z * error, value + z * error, level,
        "mA", "identity", fit.n_patients, f"{MODEL}; delta method", f"{first} minus {minus}",
    )  # fmt: skip


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
    for name in (first, minus):
        own = pair.for_placement(name)
        if not len(own):
            raise NotEstimableError(f"There is no attempt with {name} placement.")
        if np.isinf(own.upper_ma).all():
            raise NotEstimableError(
                f"No attempt with {name} placement captured, so the ratio of thresholds has no finite estimate."
            )
    design, names = _design(pair, first, order=False)
    fit = fit_random_intercept(pair, design, names)
    adjusted = None
    if _order_varies(pair):
        design, names = _design(pair, first, order=True)
        adjusted = _ratio_estimate(
            fit_random_intercept(pair, design, names), first, minus, level, suffix=", allowing for order"
        )
    return PairedRatio(
        _ratio_estimate(fit, first, minus, level), _median_difference(fit, first, minus, level), fit, adjusted
    )


def first_attempts(thresholds: CensoredThresholds) -> CensoredThresholds:
    """First attempt of every patient with every placement, by recorded order, else as listed."""
    order = np.arange(len(thresholds), dtype=float)
    if "attempt_order" in thresholds.covariates:
        recorded = thresholds.covariates["attempt_order"].to_numpy(dtype=float)
        order = np.where(np.isnan(recorded), order, recorded)
    frame = pd.DataFrame(
        {"patient": thresholds.patient, "placement": thresholds.placement, "order": order}
    ).sort_values("order", kind="stable")
    keep = np.zeros(len(thresholds), dtype=bool)
    keep[frame.drop_duplicates(["patient", "placement"]).index] = True
    return thresholds.subset(keep)


def paired_intervals(thresholds: CensoredThresholds, first: str, minus: str) -> PairedIntervals:
    """Intervals of the patients with both placements; the first attempt with each counts."""
    single = first_attempts(thresholds)
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
    single = first_attempts(thresholds)
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
