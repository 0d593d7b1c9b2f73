"""A comparison of placements that were chosen, not assigned: everything that a reader should see beside one number."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from capstat.placement.observational.adjustment_sets import AdjustmentSets, ratio_by_adjustment_set
from capstat.placement.observational.balance import Balance, balance_table
from capstat.placement.observational.confounders import choose_confounders, default_confounders
from capstat.placement.observational.doubly_robust import DoublyRobustCapture, doubly_robust_capture
from capstat.placement.observational.evalue import EValue, e_value_of_risk_ratio, e_value_of_threshold_ratio
from capstat.placement.observational.overlap import Overlap, score_overlap
from capstat.placement.observational.propensity import PropensityModel, fit_propensity
from capstat.placement.observational.weighted_curves import WeightedCapture, weighted_capture
from capstat.placement.observational.weighting import Weighting
from capstat.results import NotEstimableError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from capstat.thresholds import CensoredThresholds

__all__ = ["ObservationalAnalysis", "observational_analysis"]

SHOWN = (Weighting.INVERSE_PROBABILITY, Weighting.OVERLAP)


@dataclass(frozen=True, slots=True, eq=False)
class ObservationalAnalysis:
    """Association of placement with the threshold between patients, first placement against second.

    Parts that rest on the propensity score are ``None`` when it, or they, have no estimate; ``reasons`` says why.

    Attributes
    ----------
    first, minus : str
        Differences are ``first - minus``, ratios ``first / minus``.
    confounders : tuple of str
        Declared confounders that were used.
    dropped : tuple of (str, str)
        Declared confounders that were not, with the reason.
    adjustment_sets : AdjustmentSets
        Ratio of thresholds by what it is adjusted for.
    propensity : PropensityModel or None
        The score.
    overlap : Overlap or None
        Whether patients have counterparts.
    balance : Balance or None
        Standardised mean differences before and after weighting.
    weighted : tuple of WeightedCapture
        Under inverse-probability and under overlap weights; empty without an estimate.
    doubly_robust : DoublyRobustCapture or None
        Capture curves by augmented weighting.
    e_values : tuple of EValue
        Of the fully adjusted ratio of thresholds, then of the doubly robust risk ratios.
    level : float
        Confidence level.
    replicates, seed : int
        Bootstrap size and seed.
    reasons : tuple of str
        Why parts are missing.
    """

    first: str
    minus: str
    confounders: tuple[str, ...]
    dropped: tuple[tuple[str, str], ...]
    adjustment_sets: AdjustmentSets
    propensity: PropensityModel | None
    overlap: Overlap | None
    balance: Balance | None
    weighted: tuple[WeightedCapture, ...]
    doubly_robust: DoublyRobustCapture | None
    e_values: tuple[EValue, ...]
    level: float
    replicates: int
    seed: int
    reasons: tuple[str, ...]


def observational_analysis(
    thresholds: CensoredThresholds,
    first: str,
    minus: str,
    *,
    confounders: Sequence[str] | None = None,
    currents_ma: Sequence[float] = (80.0, 100.0),
    level: float = 0.95,
    replicates: int = 300,
    seed: int,
) -> ObservationalAnalysis:
    """Compare two placements between patients, allowing for declared confounders.

    Parameters
    ----------
    thresholds : CensoredThresholds
        One attempt for each patient, normally; several are allowed for by clustering.  Other placements are ignored.
    first, minus : str
        Differences are ``first - minus``, ratios ``first / minus``.
    confounders : sequence of str, optional
        What is settled before the pads are placed and may influence both where they go and the threshold;
        :data:`DEFAULT_CONFOUNDERS` when omitted.  Those recorded in less than 60 % of the attempts, or hardly varying,
        are dropped with the reason.
    currents_ma : sequence of float
        Where shares captured are compared, in mA.
    level : float
        Confidence level.
    replicates, seed : int
        Bootstrap size and seed.

    Raises
    ------
    UsageError
        When a confounder is settled only with or after the placement, or does not exist.
    NotEstimableError
        When one of the placements has no attempt with all confounders.
    """
    declared = default_confounders(thresholds) if confounders is None else tuple(confounders)
    used, dropped = choose_confounders(thresholds, first, minus, declared)
    sets = ratio_by_adjustment_set(thresholds, first, minus, used, level=level)
    reasons: list[str] = []
    propensity: PropensityModel | None = None
    weighted: tuple[WeightedCapture, ...] = ()
    robust: DoublyRobustCapture | None = None
    if not used:
        reasons.append("No declared confounder can be used, so there is nothing to weight or balance by.")
    else:
        try:
            propensity = fit_propensity(thresholds, first, minus, used)
        except NotEstimableError as error:
            reasons.append(str(error))
    if propensity is not None:
        try:
            weighted = weighted_capture(
                propensity, SHOWN, currents_ma=currents_ma, level=level, replicates=replicates, seed=seed
            )
        except NotEstimableError as error:
            reasons.append(str(error))
        try:
            robust = doubly_robust_capture(propensity, currents_ma=currents_ma, level=level)
        except NotEstimableError as error:
            reasons.append(str(error))
    return ObservationalAnalysis(
        first, minus, used, dropped, sets, propensity,
        None if propensity is None else score_overlap(propensity),
        None if propensity is None else balance_table(propensity),
        weighted, robust, _e_values(sets, robust), level, replicates, seed, tuple(reasons),
    )  # fmt: skip


def _e_values(sets: AdjustmentSets, robust: DoublyRobustCapture | None) -> tuple[EValue, ...]:
    row = sets.fully_adjusted
    found = [] if row.residual_sd is None else [e_value_of_threshold_ratio(row.ratio, row.residual_sd)]
    if robust is not None:
        found += [e_value_of_risk_ratio(ratio) for ratio in robust.risk_ratios]
    return tuple(found)
