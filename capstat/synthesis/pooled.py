"""What several studies say together about one question."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from capstat.results import NotEstimableError
from capstat.synthesis.pooled_record import PooledEvidence, PooledStudy
from capstat.synthesis.pooled_shares import pool_shares
from capstat.synthesis.pooled_values import pool_values
from capstat.synthesis.scales import effect_estimate

if TYPE_CHECKING:
    from capstat.synthesis.questions import Gathered

__all__ = ["pool_evidence"]


def pool_evidence(gathered: Gathered, *, level: float = 0.95) -> PooledEvidence:
    """Pool what was gathered for one question.

    Shares captured are pooled by the binomial-normal model of their counts.  Everything else is pooled on its scale
    (`capstat.synthesis.scales.SCALES`) by inverse variances; the headline is the random-effects mean with restricted
    maximum likelihood and Hartung-Knapp limits whose variance factor is at least 1.

    Parameters
    ----------
    gathered : Gathered
        Effects of the studies, and who was left out.
    level : float
        Confidence level.
    """
    studies = tuple(PooledStudy(effect, effect_estimate(effect, level), None, None) for effect in gathered.effects)
    nothing = PooledEvidence(gathered, studies, level)
    informative = [study for study in studies if study.estimate.value is not None]
    if not informative:
        return replace(nothing, not_pooled="No study reports what is needed.")
    if len(informative) == 1:
        return replace(nothing, not_pooled="One study only: nothing to pool.")
    try:
        return pool_shares(nothing) if gathered.question.measure == "capture" else pool_values(nothing)
    except NotEstimableError as error:
        return replace(nothing, not_pooled=str(error))
