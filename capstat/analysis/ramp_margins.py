"""How thresholds drift within a patient, and what margins are worth after each policy."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from capstat.protocol.after_capture import margin_needed_after_policy, margins_after_policy
from capstat.protocol.drift import fit_drift
from capstat.protocol.drift_law import DriftModel
from capstat.protocol.drift_trend import SharedTrend, shared_trend
from capstat.protocol.drift_variance import change_by_elapsed
from capstat.protocol.loss import MaximumRise
from capstat.protocol.margins import ASSUMED_SDS, USUAL_MARGINS, assumed_drift, margin_needed
from capstat.protocol.policy_parts import NO_MARGIN
from capstat.protocol.repeated_checks import repeated_checks
from capstat.results import NotEstimableError

if TYPE_CHECKING:
    from capstat.analysis.ramp_question import RampQuestion
    from capstat.attempts import Study
    from capstat.protocol import RampPolicy
    from capstat.protocol.after_capture import MarginUnderPolicy
    from capstat.protocol.drift_fit import DriftFit
    from capstat.protocol.drift_variance import ElapsedChange
    from capstat.protocol.repeated_checks import RepeatedChecks
    from capstat.protocol.threshold_law import ContinuousLaw
    from capstat.results import Estimate
    from capstat.thresholds import CaptureDefinition

__all__ = ["DriftAnalysis", "PolicyMargins", "analyse_drift", "policy_margins"]

REFERENCE_MINUTES, MOST_LOST = 30.0, 0.05


@dataclass(frozen=True, slots=True, eq=False)
class DriftAnalysis:
    """What repeated checks say of how thresholds change within a patient.

    Attributes
    ----------
    checks : RepeatedChecks
        The checks, and what was left out.
    fits : tuple of DriftFit
        Models, best first; empty without repeated checks.
    reasons : tuple of str
        Why a model has no fit.
    elapsed : tuple of ElapsedChange
        Change since the first check by elapsed time, without a model of time.
    needed : Estimate or None
        Margin above the threshold itself for at most 5 % loss within 30 minutes, in percent.
    rises : tuple of (float or None, MaximumRise)
        How far thresholds rise within some time: as estimated; where that cannot be had, with assumed standard
        deviations of the change over 30 minutes.
    trend : SharedTrend or None
        Whether thresholds moved in one direction; ``None`` without models.
    """

    checks: RepeatedChecks
    fits: tuple[DriftFit, ...]
    reasons: tuple[str, ...]
    elapsed: tuple[ElapsedChange, ...]
    needed: Estimate | None
    rises: tuple[tuple[float | None, MaximumRise], ...]
    trend: SharedTrend | None = None


@dataclass(frozen=True, slots=True, eq=False)
class PolicyMargins:
    """What margins are worth after the search of one policy, under one law of drift.

    Attributes
    ----------
    policy : RampPolicy
        The policy.
    assumed_sd : float or None
        Standard deviation of the change over 30 minutes where it is assumed; ``None`` where it was estimated.
    own : MarginUnderPolicy
        The margin of the policy.
    usual : tuple of MarginUnderPolicy
        Margins in common use, none at all first.
    needed : Estimate
        Margin above the current found for at most 5 % loss within 30 minutes, in percent.
    """

    policy: RampPolicy
    assumed_sd: float | None
    own: MarginUnderPolicy
    usual: tuple[MarginUnderPolicy, ...]
    needed: Estimate


def analyse_drift(study: Study, capture: CaptureDefinition, *, draws: int, level: float, seed: int) -> DriftAnalysis:
    """Describe how thresholds drift, from repeated checks of the same patient with the same placement."""
    checks = repeated_checks(study, capture)
    fits: list[DriftFit] = []
    reasons: list[str] = []
    for model in DriftModel:
        try:
            fits.append(fit_drift(checks, model, level))
        except NotEstimableError as error:
            reasons.append(f"{model.value}: {error}")
    fits.sort(key=lambda fit: fit.aic)
    elapsed: tuple[ElapsedChange, ...] = ()
    needed = None
    rises: tuple[tuple[float | None, MaximumRise], ...] = tuple(
        (sd, MaximumRise(assumed_drift(sd), seed)) for sd in ASSUMED_SDS
    )
    if fits:
        rise = MaximumRise(fits[0].law(draws=draws, seed=seed), seed)
        rises = ((None, rise),)
        needed = margin_needed(rise, minutes=REFERENCE_MINUTES, at_most=MOST_LOST, level=level)
        try:
            elapsed = change_by_elapsed(checks, level=level)
        except NotEstimableError as error:
            reasons.append(f"by elapsed time: {error}")
    return DriftAnalysis(checks, tuple(fits), tuple(dict.fromkeys(reasons)), elapsed, needed, rises,
        shared_trend(checks) if fits else None,
    )  # fmt: skip


def policy_margins(
    policy: RampPolicy, law: ContinuousLaw, drift: DriftAnalysis, question: RampQuestion, *, level: float
) -> tuple[PolicyMargins, ...]:
    """What margins are worth after one policy: one entry, or one for each assumed drift.

    Raises
    ------
    NotEstimableError
        When the policy captures nobody.
    """
    found = []
    for assumed, rise in drift.rises:
        own, *usual = margins_after_policy(
            policy, law, rise, (policy.margin, NO_MARGIN, *USUAL_MARGINS), minutes=question.minutes, level=level
        )
        needed = margin_needed_after_policy(
            replace(policy, margin=NO_MARGIN), law, rise, minutes=REFERENCE_MINUTES, at_most=MOST_LOST, level=level
        )
        found.append(PolicyMargins(policy, assumed, own, tuple(usual), needed))
    return tuple(found)
