"""Which comparison of placements fits the data, and its result."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from capstat.distributions.bootstrap import bootstrap_curves
from capstat.distributions.summary import CaptureSummary, summarise_curve
from capstat.placement.difference import CurveDifference, curve_difference
from capstat.placement.paired import (
    PairedCapture,
    PairedIntervals,
    PairedRatio,
    paired_capture,
    paired_intervals,
    paired_ratio,
)
from capstat.placement.unpaired import UnpairedRatio, body_size_column, unpaired_ratio
from capstat.results import Estimate, NotEstimableError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from capstat.thresholds import CensoredThresholds

__all__ = [
    "ANTERIOR_LATERAL",
    "ANTERIOR_POSTERIOR",
    "PlacementComparison",
    "compare_placements",
    "first_attempt_of_each_patient",
    "paired_by_design",
]

ANTERIOR_POSTERIOR = "anterior-posterior"
ANTERIOR_LATERAL = "anterior-lateral"

# Patients with both placements must be the rule before the comparison is called paired: where they are the
# exception, the pads were moved because the first placement failed, and those patients are not a fair sample.
PAIRED_SHARE = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class PlacementComparison:
    """Comparison of two placements, first against second.

    Attributes
    ----------
    first, minus : str
        Differences are ``first - minus``, ratios ``first / minus``.
    paired : bool
        Whether the comparison is within patients.
    why : str
        In words, why this analysis fits the data.
    randomised : bool
        Whether every attempt records a randomised placement; otherwise results are associations.
    n_first, n_minus, n_both : int
        Patients in the analysis with either placement and with both.
    n_later : int
        Later attempts left out of a comparison between patients.
    summaries : tuple of CaptureSummary
        Of the first and of the second placement.
    difference : CurveDifference
        Difference in the share captured.
    ratio : Estimate
        The headline: ratio of capture thresholds.
    difference_at_median : Estimate
        The headline in mA.
    paired_ratio : PairedRatio or None
        Detail of the within-patient model.
    paired_capture : PairedCapture or None
        Exact paired test at ``common_maximum_ma``.
    paired_intervals : PairedIntervals or None
        Thresholds of the patients with both, for a picture.
    unpaired_ratio : UnpairedRatio or None
        Detail of the regression between patients.
    common_maximum_ma : float
        Highest current that every device in the comparison could deliver.
    """

    first: str
    minus: str
    paired: bool
    why: str
    randomised: bool
    n_first: int
    n_minus: int
    n_both: int
    n_later: int
    summaries: tuple[CaptureSummary, CaptureSummary]
    difference: CurveDifference
    ratio: Estimate
    difference_at_median: Estimate
    paired_ratio: PairedRatio | None
    paired_capture: PairedCapture | None
    paired_intervals: PairedIntervals | None
    unpaired_ratio: UnpairedRatio | None
    common_maximum_ma: float


def first_attempt_of_each_patient(thresholds: CensoredThresholds) -> CensoredThresholds:
    """Keep each patient's first attempt, by recorded order, else as listed."""
    order = np.zeros(len(thresholds))
    if "attempt_order" in thresholds.covariates:
        order = np.nan_to_num(thresholds.covariates["attempt_order"].to_numpy(dtype=float), nan=np.inf)
    ranked = pd.Series(thresholds.patient).iloc[np.argsort(order, kind="stable")]
    keep = np.zeros(len(thresholds), dtype=bool)
    keep[ranked.drop_duplicates().index] = True
    return thresholds.subset(keep)


def _patients(thresholds: CensoredThresholds, first: str, minus: str) -> tuple[int, int, int]:
    one = np.unique(thresholds.patient[thresholds.placement == first])
    two = np.unique(thresholds.patient[thresholds.placement == minus])
    return one.size, two.size, np.intersect1d(one, two).size


def paired_by_design(thresholds: CensoredThresholds, first: str, minus: str) -> bool:
    """Whether at least half of the patients with either placement have both."""
    n_first, n_minus, n_both = _patients(thresholds, first, minus)
    either = n_first + n_minus - n_both
    return n_both > 0 and n_both >= PAIRED_SHARE * either


def _common_maximum(thresholds: CensoredThresholds) -> float:
    if "max_output_ma" in thresholds.covariates:
        maxima = thresholds.covariates["max_output_ma"].to_numpy(dtype=float)
        if np.isfinite(maxima).any():
            return float(np.nanmin(maxima))
    seen = [
        max(part.lower_ma.max(), part.upper_ma[np.isfinite(part.upper_ma)].max(initial=0.0))
        for part in (thresholds.for_placement(name) for name in thresholds.placements)
    ]
    return float(min(seen))


def _randomised(thresholds: CensoredThresholds) -> bool:
    if "assignment" not in thresholds.covariates:
        return False
    return bool((thresholds.covariates["assignment"].astype(object) == "randomised").all())


def _default_currents(common_maximum: float) -> tuple[float, ...]:
    rounds = [float(c) for c in range(40, 201, 20) if c < common_maximum]
    return (*rounds, common_maximum)


def _why(*, paired: bool, n_first: int, n_minus: int, n_both: int, first: str, minus: str) -> str:
    either = n_first + n_minus - n_both
    if paired:
        return (
            f"{n_both} of {either} patients were paced with both {first} and {minus} placement, so each patient is "
            "compared with himself or herself."
        )
    if n_both:
        return (
            f"Only {n_both} of {either} patients were paced with both placements, usually because the first one "
            "failed. They are not a fair sample, so different patients are compared, each by the first attempt."
        )
    return "No patient was paced with both placements, so different patients are compared."


def compare_placements(
    thresholds: CensoredThresholds,
    first: str = ANTERIOR_POSTERIOR,
    *,
    minus: str = ANTERIOR_LATERAL,
    currents_ma: Sequence[float] | None = None,
    adjust_for: Sequence[str] | None = None,
    fractions: Sequence[float] = (0.5, 0.9, 0.95),
    level: float = 0.95,
    replicates: int = 1000,
    seed: int,
) -> PlacementComparison:
    """Compare two placements by the analysis that the data allow.

    Within patients when at least half of those with either placement have both; otherwise between patients,
    by each patient's first attempt.

    Parameters
    ----------
    thresholds : CensoredThresholds
        Attempts; other placements are ignored.
    first, minus : str
        Differences are ``first - minus``, ratios ``first / minus``.
    currents_ma : sequence of float, optional
        Where the difference in share captured is wanted; every 20 mA from 40 mA and the highest current that
        every device could deliver when omitted.
    adjust_for : sequence of str, optional
        Covariates of the regression between patients; when omitted, the measure of body size that most
        attempts have, if any.
    fractions : sequence of float
        Capture currents wanted for each placement.
    level, replicates, seed
        Confidence level, bootstrap size and seed.

    Raises
    ------
    NotEstimableError
        When one of the placements does not occur.
    """
    pair = thresholds.subset(np.isin(thresholds.placement, (first, minus)))
    counts = _patients(pair, first, minus)
    for name, count in ((first, counts[0]), (minus, counts[1])):
        if count == 0:
            raise NotEstimableError(f"There is no attempt with {name} placement, so there is nothing to compare.")
    paired = paired_by_design(pair, first, minus)
    used = pair
    if not paired:
        initial = first_attempt_of_each_patient(thresholds)
        used = initial.subset(np.isin(initial.placement, (first, minus)))
        if used.placements != tuple(sorted((first, minus))):
            raise NotEstimableError("One of the placements occurs only after another one had been tried first.")
    top = _common_maximum(used)
    wanted = _default_currents(top) if currents_ma is None else tuple(currents_ma)
    curves = bootstrap_curves([used.for_placement(name) for name in (first, minus)], replicates=replicates, seed=seed)
    summaries = tuple(
        summarise_curve(curve, label=name, fractions=fractions, currents_ma=wanted, level=level)
        for name, curve in zip((first, minus), curves, strict=True)
    )
    difference = curve_difference(*curves, direction=f"{first} minus {minus}", currents_ma=wanted, level=level)
    within = _try_paired_ratio(pair, first, minus, level) if paired else None
    between = None
    if not paired:
        size = body_size_column(used)
        chosen = adjust_for if adjust_for is not None else ([size] if size else [])
        between = unpaired_ratio(used, first, minus, adjust_for=chosen, level=level)
        ratio, at_median = between.ratio, between.difference_at_median
    elif isinstance(within, PairedRatio):
        ratio, at_median = within.ratio, within.difference_at_median
    else:
        ratio = at_median = _no_ratio(pair, first, minus, level, str(within))
    n_first, n_minus, n_both = _patients(used, first, minus)
    return PlacementComparison(
        first, minus, paired,
        _why(paired=paired, n_first=counts[0], n_minus=counts[1], n_both=counts[2], first=first, minus=minus),
        _randomised(used), n_first, n_minus, n_both, len(pair) - len(used),
        (summaries[0], summaries[1]), difference, ratio, at_median,
        within if isinstance(within, PairedRatio) else None,
        _try_paired_capture(used, first, minus, top, level) if paired else None,
        paired_intervals(used, first, minus) if paired else None,
        between, top,
    )  # fmt: skip


def _try_paired_ratio(
    thresholds: CensoredThresholds, first: str, minus: str, level: float
) -> PairedRatio | NotEstimableError:
    try:
        return paired_ratio(thresholds, first, minus, level=level)
    except NotEstimableError as error:
        return error


def _try_paired_capture(
    thresholds: CensoredThresholds, first: str, minus: str, current_ma: float, level: float
) -> PairedCapture | None:
    try:
        return paired_capture(thresholds, first, minus, current_ma=current_ma, level=level)
    except NotEstimableError:
        return None


def _no_ratio(thresholds: CensoredThresholds, first: str, minus: str, level: float, reason: str) -> Estimate:
    return Estimate(
        "ratio of capture thresholds within a patient", None, None, None, level, "ratio", "log",
        thresholds.n_patients, "random patient intercept on log current", f"{first} relative to {minus}",
        reason=reason,
    )  # fmt: skip
