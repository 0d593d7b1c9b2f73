"""Policies carried out by readers who are wrong as often as those of the study were."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from capstat.analysis.facts import ALL_PLACEMENTS
from capstat.protocol.consequences import policy_consequences
from capstat.protocol.estimated_law import law_of_fit
from capstat.results import UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from capstat.analysis.corrected_analysis import CorrectedAnalysis
    from capstat.analysis.ramp_question import RampQuestion
    from capstat.capture import JudgementErrors
    from capstat.protocol import RampPolicy
    from capstat.protocol.consequences import PolicyConsequences

__all__ = ["PoliciesAsRead", "policies_as_read"]


@dataclass(frozen=True, slots=True, eq=False)
class PoliciesAsRead:
    """What policies do where capture is judged as in the study.

    Attributes
    ----------
    claim : str
        Kind of capture that is judged.
    errors : JudgementErrors
        How often those judgements are wrong, estimated from what was reviewed, or given.
    given : bool
        Whether they were given.
    model_name : str
        Model of the thresholds that allows for them.
    n_patients : int
        Patients.
    policies : tuple of PolicyConsequences
        What each policy does, all placements together; without moving the pads.
    """

    claim: str
    errors: JudgementErrors
    given: bool
    model_name: str
    n_patients: int
    policies: tuple[PolicyConsequences, ...]


def policies_as_read(
    corrected: CorrectedAnalysis | None,
    policies: Sequence[RampPolicy],
    question: RampQuestion,
    *,
    level: float,
    seed: int,
) -> PoliciesAsRead | str:
    """Apply policies with the errors of judgement that the study showed, to thresholds that allow for them.

    The uncertainty of the thresholds is carried, that of the errors is not.  A reason comes back where it cannot be
    done; it is empty where nothing was asked for.

    Parameters
    ----------
    corrected : CorrectedAnalysis or None
        Thresholds under misjudgement; errors come from its best family.
    policies : sequence of RampPolicy
        Policies.
    question : RampQuestion
        Level of discomfort and number of draws.
    level, seed
        Confidence level, and seed of the draws.
    """
    if corrected is None:
        return ""
    if not corrected.families:
        return "no model of the thresholds that allows for errors of judgement could be fitted"
    if not (corrected.reference or corrected.model.fixed):
        return "no reference shows how often judgements were wrong"
    best = corrected.families[0]
    law = law_of_fit(best.fit, ALL_PLACEMENTS, draws=question.draws, seed=seed)
    try:
        found = tuple(
            policy_consequences(
                replace(policy, at_maximum=None), law, discomfort_ma=question.discomfort_ma, errors=best.errors[0],
                level=level,
            )
            for policy in policies
        )  # fmt: skip
    except UsageError as error:
        return str(error)
    return PoliciesAsRead(
        corrected.claim, best.errors[0], corrected.model.fixed, best.fit.name, best.fit.n_patients, found
    )
