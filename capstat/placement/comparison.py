"""Which comparison of placements fits the data, and its result."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum
from typing import TYPE_CHECKING

import numpy as np

from capstat.distributions.bootstrap import bootstrap_curves
from capstat.distributions.covariates import PLACEMENT
from capstat.distributions.regression import captured_patients
from capstat.distributions.summary import CaptureSummary, summarise_curve
from capstat.placement.contrasts import GroupContrasts, group_contrasts
from capstat.placement.difference import CurveDifference, curve_difference
from capstat.placement.observational.confounders import choose_confounders, default_confounders
from capstat.placement.order import first_attempt_of_each_patient
from capstat.placement.paired import PairedCapture, PairedIntervals, paired_capture, paired_intervals
from capstat.placement.paired_ratio import PairedRatio, bounded_ratio, paired_ratio
from capstat.placement.paired_tests import PairedTests, paired_tests
from capstat.placement.score_tests import ScoreTest, score_tests
from capstat.placement.shortcut_comparison import ShortcutComparison, shortcut_comparison
from capstat.placement.unpaired import UnpairedRatio, unpaired_ratio
from capstat.results import Estimate, NotEstimableError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from capstat.thresholds import CensoredThresholds

__all__ = [
    "ANTERIOR_LATERAL",
    "ANTERIOR_POSTERIOR",
    "Assignment",
    "PlacementComparison",
    "compare_placements",
    "paired_by_design",
]

ANTERIOR_POSTERIOR = "anterior-posterior"
ANTERIOR_LATERAL = "anterior-lateral"

# Patients with both placements must be the rule before the comparison is called paired: where they are the
# exception, the pads were moved because the first placement failed, and those patients are not a fair sample.
PAIRED_SHARE = 0.8
# a trial that allocates the order may lose some second attempts
PAIRED_SHARE_RANDOMISED = 0.5


class Assignment(Enum):
    """How the placements of a comparison were decided."""

    RANDOMISED = "randomised"
    CHOSEN = "chosen"
    MIXED = "randomised in some attempts"
    UNKNOWN = "not recorded"


@dataclass(frozen=True, slots=True, eq=False)
class PlacementComparison:
    """Comparison of two placements, first against second.

    Attributes
    ----------
    first, minus : str
        Differences are ``first - minus``, ratios ``first / minus``.
    by : str
        Column whose values are compared; ``"placement"`` unless the thresholds were grouped otherwise.
    paired : bool
        Whether the comparison is within patients.
    assignment : Assignment
        Only a randomised comparison speaks of effects; every other one of associations.
    n_first, n_minus, n_both : int
        Patients in the analysis with either placement and with both.
    n_either, n_both_recorded, n_first_failed : int
        Patients in the data with any of the two placements, with both, and with both whose first attempt did not
        capture.
    n_captured_first, n_captured_minus : int
        Patients in the analysis with a capture by either placement.
    n_later : int
        Later attempts left out of a comparison between patients.
    summaries : tuple of CaptureSummary
        Of the first and of the second placement.
    difference : CurveDifference
        Difference in the share captured.
    difference_at_maximum : Estimate
        The difference at ``common_maximum_ma``.
    shares_at_maximum : tuple of Estimate
        Share captured there by the first and by the second placement.
    ratio : Estimate
        The headline: ratio of capture thresholds.
    difference_at_median : Estimate
        The headline in mA.
    paired_ratio : PairedRatio or None
        Detail of the within-patient model.
    paired_capture : PairedCapture or None
        Exact paired test at ``common_maximum_ma``.
    paired_tests : PairedTests or None
        Tests of the patients with both that need no model.
    paired_intervals : PairedIntervals or None
        Thresholds of the patients with both, for a picture.
    unpaired_ratio : UnpairedRatio or None
        Detail of the regression between patients.
    contrasts : GroupContrasts
        Mean thresholds, shares and currents compared without a model.
    score_tests : tuple of ScoreTest
        Tests of equal threshold distributions between patients; empty within patients.
    shortcut : ShortcutComparison or None
        What made-up thresholds for non-capture would have said.
    common_maximum_ma : float
        Highest current that every device in the comparison could deliver.
    """

    first: str
    minus: str
    by: str
    paired: bool
    assignment: Assignment
    n_first: int
    n_minus: int
    n_both: int
    n_either: int
    n_both_recorded: int
    n_first_failed: int
    n_captured_first: int
    n_captured_minus: int
    n_later: int
    summaries: tuple[CaptureSummary, CaptureSummary]
    difference: CurveDifference
    difference_at_maximum: Estimate
    shares_at_maximum: tuple[Estimate, Estimate]
    ratio: Estimate
    difference_at_median: Estimate
    paired_ratio: PairedRatio | None
    paired_capture: PairedCapture | None
    paired_tests: PairedTests | None
    paired_intervals: PairedIntervals | None
    unpaired_ratio: UnpairedRatio | None
    contrasts: GroupContrasts
    score_tests: tuple[ScoreTest, ...]
    shortcut: ShortcutComparison | None
    common_maximum_ma: float


def _patients(thresholds: CensoredThresholds, first: str, minus: str) -> tuple[int, int, int]:
    one = np.unique(thresholds.patient[thresholds.placement == first])
    two = np.unique(thresholds.patient[thresholds.placement == minus])
    return one.size, two.size, np.intersect1d(one, two).size


def paired_by_design(thresholds: CensoredThresholds, first: str, minus: str) -> bool:
    """Whether most patients with either placement have both (four in five; half in a randomised study)."""
    n_first, n_minus, n_both = _patients(thresholds, first, minus)
    either = n_first + n_minus - n_both
    pair = thresholds.subset(np.isin(thresholds.placement, (first, minus)))
    share = PAIRED_SHARE_RANDOMISED if _assignment(pair) is Assignment.RANDOMISED else PAIRED_SHARE
    return n_both > 0 and n_both >= share * either


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


def _assignment(thresholds: CensoredThresholds) -> Assignment:
    if "assignment" not in thresholds.covariates:
        return Assignment.UNKNOWN
    words = set(thresholds.covariates["assignment"].astype(object).fillna("unknown"))
    if words == {"randomised"}:
        return Assignment.RANDOMISED
    if "randomised" in words:
        return Assignment.MIXED
    return Assignment.CHOSEN if words == {"chosen"} else Assignment.UNKNOWN


def _first_failed(thresholds: CensoredThresholds, pair: CensoredThresholds, first: str, minus: str) -> int:
    """Patients with both placements whose first attempt of all did not capture."""
    initial = first_attempt_of_each_patient(thresholds)
    both = np.intersect1d(pair.patient[pair.placement == first], pair.patient[pair.placement == minus])
    return int(np.isin(initial.patient[np.isinf(initial.upper_ma)], both).sum())


def _default_currents(common_maximum: float) -> tuple[float, ...]:
    return tuple(float(c) for c in range(40, 201, 20) if c < common_maximum)


def compare_placements(
    thresholds: CensoredThresholds,
    first: str = ANTERIOR_POSTERIOR,
    *,
    minus: str = ANTERIOR_LATERAL,
    by: str = PLACEMENT,
    currents_ma: Sequence[float] | None = None,
    adjust_for: Sequence[str] | None = None,
    fractions: Sequence[float] = (0.5, 0.9, 0.95),
    level: float = 0.95,
    replicates: int = 1000,
    seed: int,
) -> PlacementComparison:
    """Compare two placements by the analysis that the data allow.

    Within patients when most of those with either placement have both (see :func:`paired_by_design`); otherwise
    between patients, by each patient's first attempt.

    Parameters
    ----------
    thresholds : CensoredThresholds
        Attempts; other placements are ignored.
    first, minus : str
        Differences are ``first - minus``, ratios ``first / minus``.
    by : str
        What the groups are, for words; see :func:`capstat.placement.grouped_by`.
    currents_ma : sequence of float, optional
        Where the difference in share captured is wanted; every 20 mA from 40 mA and the highest current that
        every device could deliver when omitted.
    adjust_for : sequence of str, optional
        Covariates of the regression between patients, declared to come before the placement; when omitted, the default
        confounders (:func:`capstat.placement.observational.default_confounders`) that were recorded often enough.
    fractions : sequence of float
        Capture currents wanted for each placement.
    level, replicates, seed
        Confidence level, bootstrap size and seed.

    Raises
    ------
    NotEstimableError
        When one of the placements does not occur.
    UsageError
        When both placements are the same, or a covariate cannot be used.
    """
    if first == minus:
        raise UsageError(f"{first} cannot be compared with itself.")
    pair = thresholds.subset(np.isin(thresholds.placement, (first, minus)))
    counts = _patients(pair, first, minus)
    for name, count in ((first, counts[0]), (minus, counts[1])):
        if count == 0:
            raise NotEstimableError(f"There is no attempt with {name} placement, so there is nothing to compare.")
    paired = paired_by_design(pair, first, minus)
    used = pair
    if paired and adjust_for:
        raise UsageError(
            "Most patients have both placements and are compared with themselves, so there is nothing to adjust for; "
            "leave the covariates out."
        )
    if not paired:
        initial = first_attempt_of_each_patient(thresholds)
        used = initial.subset(np.isin(initial.placement, (first, minus)))
        if used.placements != tuple(sorted((first, minus))):
            raise NotEstimableError("One of the placements occurs only after another one had been tried first.")
    top = _common_maximum(used)
    asked = _default_currents(top) if currents_ma is None else currents_ma
    wanted = tuple(sorted({*(float(c) for c in asked), top}))
    curves = bootstrap_curves([used.for_placement(name) for name in (first, minus)], replicates=replicates, seed=seed)
    summaries = tuple(
        summarise_curve(curve, label=name, fractions=fractions, currents_ma=wanted, level=level)
        for name, curve in zip((first, minus), curves, strict=True)
    )
    difference = curve_difference(*curves, direction=f"{first} minus {minus}", currents_ma=wanted, level=level)
    within = _try_paired_ratio(pair, first, minus, level) if paired else None
    between = None
    if not paired:
        chosen = adjust_for
        if chosen is None:
            chosen, _ = choose_confounders(used, first, minus, default_confounders(used))
        between = unpaired_ratio(used, first, minus, adjust_for=chosen, level=level)
        ratio, at_median = between.ratio, between.difference_at_median
    elif isinstance(within, PairedRatio):
        ratio, at_median = within.ratio, within.difference_at_median
    else:
        ratio = bounded_ratio(pair, first, minus, level=level, reason=str(within))
        at_median = replace(
            ratio, quantity="difference of median capture thresholds", lower=None, upper=None, unit="mA"
        )
    n_first, n_minus, n_both = _patients(used, first, minus)
    at_maximum = wanted.index(top)
    return PlacementComparison(
        first=first,
        minus=minus,
        by=by,
        paired=paired,
        assignment=_assignment(used),
        n_first=n_first,
        n_minus=n_minus,
        n_both=n_both,
        n_either=counts[0] + counts[1] - counts[2],
        n_both_recorded=counts[2],
        n_first_failed=_first_failed(thresholds, pair, first, minus),
        n_captured_first=captured_patients(used.for_placement(first)),
        n_captured_minus=captured_patients(used.for_placement(minus)),
        n_later=len(pair) - len(used),
        summaries=(summaries[0], summaries[1]),
        difference=difference,
        difference_at_maximum=_at_maximum(difference, top, f"{first} minus {minus}", used.n_patients, level),
        shares_at_maximum=(
            summaries[0].capture_probabilities[at_maximum], summaries[1].capture_probabilities[at_maximum]
        ),
        ratio=ratio,
        difference_at_median=at_median,
        paired_ratio=within if isinstance(within, PairedRatio) else None,
        paired_capture=_try_paired_capture(used, first, minus, top, level) if paired else None,
        paired_tests=paired_tests(used, first, minus, current_ma=top, level=level) if paired else None,
        paired_intervals=paired_intervals(used, first, minus) if paired else None,
        unpaired_ratio=between,
        contrasts=group_contrasts(
            curves[0], curves[1], (summaries[0], summaries[1]), first=first, minus=minus, currents_ma=wanted,
            fractions=fractions,
        ),
        score_tests=() if paired or not np.all(used.weight == 1) else _try_score_tests(used, seed),
        shortcut=shortcut_comparison(used, first, minus, paired=paired, level=level),
        common_maximum_ma=top,
    )  # fmt: skip


def _at_maximum(difference: CurveDifference, top: float, direction: str, n: int, level: float) -> Estimate:
    quantity = f"difference in share captured at {top:g} mA"
    for estimate in difference.at_currents:
        if estimate.quantity == quantity:
            return estimate
    return Estimate(
        quantity, None, None, None, level, "proportion", "score", n, "nonparametric capture curves", direction,
        reason=f"one of the placements was followed to {difference.highest_shared_ma:g} mA only",
    )  # fmt: skip


def _try_score_tests(thresholds: CensoredThresholds, seed: int) -> tuple[ScoreTest, ...]:
    try:
        return score_tests(thresholds, seed=seed)
    except NotEstimableError:
        return ()


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
