"""What a committee needs on one page: numbers only; words are the report's, judgements are the user's."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from capstat.numerics.proportions import wilson
from capstat.placement.comparison import Assignment
from capstat.results import Estimate
from capstat.synthesis.scales import SCALES

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from capstat.analysis.evidence_analysis import EvidenceAnalysis
    from capstat.analysis.evidence_reanalysis import Reanalysis
    from capstat.placement import PlacementComparison
    from capstat.synthesis.judgements import CertaintyJudgement
    from capstat.synthesis.pooled_record import PooledEvidence
    from capstat.synthesis.study_effect import Measure

__all__ = ["BriefPart", "EvidenceBrief", "Frequency", "LocalBrief", "brief_measures", "evidence_brief"]

ABOUT_PLACEMENTS: Final = ("ratio", "capture-ratio", "difference")


@dataclass(frozen=True, slots=True)
class Frequency:
    """A share told as so many of 100 patients.

    Attributes
    ----------
    who : str
        The group.
    event : str
        What happens.
    share : Estimate
        Proportion.
    """

    who: str
    event: str
    share: Estimate


@dataclass(frozen=True, slots=True, eq=False)
class BriefPart:
    """One question of the brief.

    Attributes
    ----------
    pooled : PooledEvidence
        The studies.
    value : Estimate or None
        Pooled, or that of the one study there is; ``None`` when no study has one.
    frequencies : tuple of Frequency
        The same in natural frequencies; empty where that cannot be had.
    turning : tuple of str
        Studies without which the interval would no longer say the same about no difference.
    """

    pooled: PooledEvidence
    value: Estimate | None
    frequencies: tuple[Frequency, ...]
    turning: tuple[str, ...]

    @property
    def populations(self) -> tuple[str, ...]:
        """Who was studied."""
        return tuple(dict.fromkeys(arm.population for arm in self.pooled.gathered.arms))

    @property
    def designs(self) -> tuple[str, ...]:
        """Designs of the studies."""
        return tuple(dict.fromkeys(arm.design for arm in self.pooled.gathered.arms))


@dataclass(frozen=True, slots=True, eq=False)
class LocalBrief:
    """The user's own comparison of placements.

    Attributes
    ----------
    first, minus : str
        The placements.
    randomised : bool
        Whether the comparison speaks of effects.
    ratio : Estimate
        Ratio of thresholds.
    frequencies : tuple of Frequency
        Captured at the highest current common to both.
    n : int
        Patients.
    current_ma : float
        That current.
    """

    first: str
    minus: str
    randomised: bool
    ratio: Estimate
    frequencies: tuple[Frequency, ...]
    n: int
    current_ma: float


@dataclass(frozen=True, slots=True, eq=False)
class EvidenceBrief:
    """Everything on the page.

    Attributes
    ----------
    measure : str
        What it is about.
    parts : tuple of BriefPart
        Published studies, one part for each population that is not mixed with another.
    local : LocalBrief or None
        The user's own comparison; only where the brief is about placements.
    reanalysis : Reanalysis or None
        The one published crossover; only where the brief is about placements.
    judgements : tuple of CertaintyJudgement
        The user's judgements about this measure.
    """

    measure: Measure
    parts: tuple[BriefPart, ...]
    local: LocalBrief | None
    reanalysis: Reanalysis | None
    judgements: tuple[CertaintyJudgement, ...]


def _only_study(pooled: PooledEvidence) -> Estimate | None:
    told = [study.estimate for study in pooled.studies if study.estimate.value is not None]
    return told[0] if len(told) == 1 else None


def _share(events: int, total: int, level: float, words: str) -> Estimate:
    low, high = wilson(events, total, level)
    return Estimate(words, events / total, float(low), float(high), level, "proportion", "score", total,
                    "counts, Wilson limits")  # fmt: skip


def _applied(ratio: Estimate, baseline: float, words: str) -> Estimate:
    """A share under a risk ratio, the share of the other arm taken as known."""

    def times(value: float | None) -> float | None:
        return None if value is None else min(1.0, baseline * value)

    return Estimate(
        words, times(ratio.value), times(ratio.lower), times(ratio.upper), ratio.level, "proportion", "log", ratio.n,
        "share of the other arms times the ratio, the former taken as known", reason=ratio.reason,
    )  # fmt: skip


def _frequencies(pooled: PooledEvidence, value: Estimate | None) -> tuple[Frequency, ...]:
    measure = pooled.question.measure
    if value is None or value.value is None:
        return ()
    if measure == "capture":
        return (Frequency("patients like these", "captured", value),)
    if measure not in ("outcome", "capture-ratio"):
        return ()
    counts = [
        (study.effect.other_events, study.effect.other_total)
        for study in pooled.studies
        if study.effect.other_events is not None
        and study.effect.other_total is not None
        and study.estimate.value is not None
    ]
    total = sum(n for _, n in counts)
    if not total:
        return ()
    events = sum(x for x, _ in counts)
    event = "captured" if measure == "capture-ratio" else f"with '{pooled.gathered.arms[0].outcome}'"
    first, second = _arm_names(pooled)
    return (
        Frequency(second, event, _share(events, total, pooled.level, event)),
        Frequency(first, event, _applied(value, events / total, event)),
    )


def _arm_names(pooled: PooledEvidence) -> tuple[str, str]:
    if pooled.question.measure == "outcome":
        return "paced", "not paced"
    return pooled.gathered.compared or ("the first placement", "the other placement")


def _excludes_null(estimate: Estimate, null: float) -> bool:
    low, high = estimate.lower, estimate.upper
    return low is not None and high is not None and not low <= null <= high


def _turning(pooled: PooledEvidence) -> tuple[str, ...]:
    null = SCALES[pooled.question.measure].null
    if null is None or pooled.headline is None:
        return ()
    now = _excludes_null(pooled.headline, null)
    return tuple(left.label for left in pooled.leave_one_out if _excludes_null(left.estimate, null) != now)


def _parts(found: EvidenceAnalysis, measures: Sequence[Measure]) -> Iterable[BriefPart]:
    for part in found.parts:
        pooled = part.pooled
        if pooled.question.measure in measures and pooled.studies:
            value = pooled.headline or _only_study(pooled)
            yield BriefPart(pooled, value, _frequencies(pooled, value), _turning(pooled))


def _local(comparison: PlacementComparison) -> LocalBrief:
    first, minus = comparison.shares_at_maximum
    return LocalBrief(
        comparison.first,
        comparison.minus,
        comparison.assignment is Assignment.RANDOMISED,
        comparison.ratio,
        (
            Frequency(comparison.minus, "captured", minus),
            Frequency(comparison.first, "captured", first),
        ),
        comparison.n_both if comparison.paired else comparison.n_first + comparison.n_minus,
        comparison.common_maximum_ma,
    )


def brief_measures(measure: Measure) -> tuple[Measure, ...]:
    """What has to be pooled for a brief about a measure."""
    if measure not in ABOUT_PLACEMENTS:
        return (measure,)
    return tuple(dict.fromkeys((measure, "ratio", "capture-ratio")))


def evidence_brief(
    found: EvidenceAnalysis, measure: Measure = "ratio", comparison: PlacementComparison | None = None
) -> EvidenceBrief:
    """Collect what belongs on a committee's page.

    A brief about placements has the ratios of thresholds and of shares captured.

    Parameters
    ----------
    found : EvidenceAnalysis
        The published studies.
    measure : str
        What the brief is about.
    comparison : PlacementComparison, optional
        The user's own comparison of placements.
    """
    placements = measure in ABOUT_PLACEMENTS
    measures = brief_measures(measure)
    return EvidenceBrief(
        measure,
        tuple(_parts(found, measures)),
        _local(comparison) if placements and comparison is not None else None,
        found.reanalysis if placements else None,
        tuple(j for j in found.question.judgements if j.measure == measure),
    )
