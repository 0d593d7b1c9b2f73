"""A study beside the published ones, or the published ones alone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from capstat.analysis.evidence_local import local_effects, local_words
from capstat.analysis.evidence_reanalysis import reanalyse
from capstat.results import NotEstimableError
from capstat.synthesis.beside import place_local, update_local
from capstat.synthesis.evidence_file import published_evidence
from capstat.synthesis.moderators import moderators_of
from capstat.synthesis.pooled import pool_evidence
from capstat.synthesis.questions import gather, questions_of
from capstat.synthesis.range_check import check_ranges
from capstat.synthesis.scales import effect_estimate

if TYPE_CHECKING:
    from capstat.analysis.evidence_local import LocalStudy
    from capstat.analysis.evidence_question import LiteratureQuestion
    from capstat.analysis.evidence_reanalysis import Reanalysis
    from capstat.results import Estimate
    from capstat.synthesis.beside import LocalPosition, LocalUpdate
    from capstat.synthesis.moderators import Moderator
    from capstat.synthesis.pooled_record import PooledEvidence
    from capstat.synthesis.range_check import RangeCheck
    from capstat.synthesis.study_arm import EvidenceTable
    from capstat.synthesis.study_effect import StudyEffect

AS_RECORDED: Final = "as-recorded"
NOT_SEEN: Final = "what counted as capture was not seen in these studies"

__all__ = ["EvidenceAnalysis", "EvidencePart", "LocalBeside", "analyse_evidence"]


@dataclass(frozen=True, slots=True, eq=False)
class LocalBeside:
    """The user's own study beside one pooled question.

    Attributes
    ----------
    effect : StudyEffect
        On the pooling scale.
    estimate : Estimate
        As it is told.
    capture : str
        Definition of capture behind it.
    position : LocalPosition or None
        How unusual it is among studies like the published ones.
    not_placed : str
        Why that is not known; empty when it is.
    update : LocalUpdate or None
        What the local data and the published studies say together, the latter as a prior.
    not_updated : str
        Why that is not known; empty when it is.
    """

    effect: StudyEffect
    estimate: Estimate
    capture: str
    position: LocalPosition | None
    not_placed: str
    update: LocalUpdate | None
    not_updated: str


@dataclass(frozen=True, slots=True, eq=False)
class EvidencePart:
    """One question to the published studies.

    Attributes
    ----------
    pooled : PooledEvidence
        What they say.
    local : tuple of LocalBeside
        The user's own study, all placements first; empty without one, or without the same kind of capture.
    moderators : tuple of Moderator
        Subgroups or a regression, where asked for.
    """

    pooled: PooledEvidence
    local: tuple[LocalBeside, ...]
    moderators: tuple[Moderator, ...]

    @property
    def same_people(self) -> tuple[tuple[StudyEffect, Estimate], ...]:
        """Records that are not pooled because others are of the same people, with what they say all the same."""
        effects = [one.effect for one in self.pooled.gathered.excluded if one.effect is not None]
        return tuple((effect, effect_estimate(effect, self.pooled.level)) for effect in effects)


@dataclass(frozen=True, slots=True, eq=False)
class EvidenceAnalysis:
    """Everything about the published studies.

    Attributes
    ----------
    question : LiteratureQuestion
        What was asked.
    table : EvidenceTable
        The records.
    parts : tuple of EvidencePart
        One for each question that the records can answer.
    ranges : RangeCheck or None
        The local study beside published and trade ranges, under its leading definition of capture.
    local_words : str
        Who the local patients are, as far as it was recorded; empty without a study.
    capture : str
        Leading definition of capture of the local study; empty without one.
    reanalysis : Reanalysis or None
        The one published crossover, from its summary; ``None`` when the records do not hold it.
    level : float
        Confidence level.
    seed : int
        Seed of what is random.
    """

    question: LiteratureQuestion
    table: EvidenceTable
    parts: tuple[EvidencePart, ...]
    ranges: RangeCheck | None
    local_words: str
    capture: str
    reanalysis: Reanalysis | None
    level: float
    seed: int


def analyse_evidence(
    question: LiteratureQuestion, local: LocalStudy | None = None, *, level: float = 0.95, seed: int = 1
) -> EvidenceAnalysis:
    """Pool the published studies, and place a local one beside them.

    Parameters
    ----------
    question : LiteratureQuestion
        What is asked.
    local : LocalStudy, optional
        The user's own study.
    level : float
        Confidence level.
    seed : int
        Seed of the range checks.

    Raises
    ------
    UsageError
        When a column that was named cannot be used.
    """
    table = published_evidence() if question.table is None else question.table
    reanalysis = reanalyse(table, level=level)
    reanalysed = {} if reanalysis is None else {reanalysis.effect.arm: reanalysis.effect}
    parts = []
    for asked in questions_of(table, question.measures, where=question.where, by=question.by):
        gathered = gather(table, asked, borrow_spread=question.borrow_spread, reanalysed=reanalysed)
        pooled = pool_evidence(gathered, level=level)
        beside = () if local is None or not pooled.studies else _beside(local, pooled, question.weight, level)
        parts.append(EvidencePart(pooled, beside, _moderators(pooled, question)))
    ranges = None
    if local is not None:
        ranges = check_ranges(local.by_definition[0][1], table, study=local.study, level=level, seed=seed)
    capture = "" if local is None else local.by_definition[0][0].name
    return EvidenceAnalysis(
        question,
        table,
        tuple(parts),
        ranges,
        "" if local is None else local_words(local),
        capture,
        reanalysis,
        level,
        seed,
    )


def _moderators(pooled: PooledEvidence, question: LiteratureQuestion) -> tuple[Moderator, ...]:
    if pooled.headline is None:
        return ()
    return moderators_of(pooled, by=question.subgroups, on=question.regress)


def _beside(local: LocalStudy, pooled: PooledEvidence, weight: float, level: float) -> tuple[LocalBeside, ...]:
    found = []
    for effect, capture in local_effects(local, pooled.gathered, level):
        position, not_placed, update, not_updated = None, "", None, ""
        if set(pooled.gathered.definitions) == {"undescribed"} and capture != AS_RECORDED:
            estimate = effect_estimate(effect, level)
            found.append(LocalBeside(effect, estimate, capture, None, NOT_SEEN, None, NOT_SEEN))
            continue
        try:
            position = place_local(effect, pooled)
        except NotEstimableError as error:
            not_placed = str(error)
        try:
            update = update_local(effect, pooled, weight=weight, level=level)
        except NotEstimableError as error:
            not_updated = str(error)
        estimate = effect_estimate(effect, level)
        found.append(LocalBeside(effect, estimate, capture, position, not_placed, update, not_updated))
    return tuple(found)
