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
    from capstat.synthesis.pooled_record import PooledEvidence, PooledStudy
    from capstat.synthesis.study_arm import EvidenceTable, StudyArm
    from capstat.synthesis.study_effect import Measure, StudyEffect

__all__ = ["BriefPart", "EvidenceBrief", "Frequency", "LocalBrief", "Studied", "brief_measures", "evidence_brief"]

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
    events : int or None
        How many of ``share.n`` patients, where the share was counted in one study.
    applied : bool
        Whether it is the share of the other arms times a ratio, that share taken as known.
    """

    who: str
    event: str
    share: Estimate
    events: int | None = None
    applied: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class BriefPart:
    """One question of the brief.

    Attributes
    ----------
    pooled : PooledEvidence
        The studies.
    value : Estimate or None
        Pooled, or that of the one study there is; ``None`` when no study has one.  Where that one study is the
        reanalysed crossover, the reanalysed ratio.
    frequencies : tuple of Frequency
        The same in natural frequencies; empty where that cannot be had.
    turning : tuple of str
        Studies without which the interval would no longer say the same about no difference.
    reanalysed : bool
        Whether the published crossover, reanalysed from its summary, is one of the studies.
    """

    pooled: PooledEvidence
    value: Estimate | None
    frequencies: tuple[Frequency, ...]
    turning: tuple[str, ...]
    reanalysed: bool = False

    @property
    def informative(self) -> tuple[PooledStudy, ...]:
        """Studies that have a value."""
        return tuple(study for study in self.pooled.studies if study.estimate.value is not None)


@dataclass(frozen=True, slots=True)
class Studied:
    """Who was studied, in the studies that one question is the first to use.

    Attributes
    ----------
    studies : tuple of str
        Codes of the studies.
    designs, populations : tuple of str
        Of these studies.
    n : int
        Patients behind them; arms that hold the same people count once, with the most patients of any.
    """

    studies: tuple[str, ...]
    designs: tuple[str, ...]
    populations: tuple[str, ...]
    n: int


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
        Captured at the highest current common to both, with nothing adjusted for; empty where withheld.
    n : int
        Patients.
    current_ma : float
        That current.
    paired : bool
        Whether patients are compared with themselves.
    all_both : bool
        Whether every patient of the comparison had both placements.
    adjusted_for : tuple of str
        What the ratio between patients is adjusted for.
    capture : str
        Name of the definition of capture.
    adjusted : str
        The adjusted difference in shares, as a sentence; may be empty.
    withheld_below : int
        Frequencies are withheld because a count behind them is above 0 and below this; 0 when they are not.
    """

    first: str
    minus: str
    randomised: bool
    ratio: Estimate
    frequencies: tuple[Frequency, ...]
    n: int
    current_ma: float
    paired: bool
    all_both: bool
    adjusted_for: tuple[str, ...]
    capture: str
    adjusted: str
    withheld_below: int


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
    people : tuple of Studied
        Who was studied, every study once.
    not_compared : str
        Why the user's own records are not compared; empty when they are, or when there are none.
    """

    measure: Measure
    parts: tuple[BriefPart, ...]
    local: LocalBrief | None
    reanalysis: Reanalysis | None
    judgements: tuple[CertaintyJudgement, ...]
    people: tuple[Studied, ...]
    not_compared: str


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
    counted = [
        (effect.events, effect.total, effect.other_events, effect.other_total)
        for effect in (study.effect for study in pooled.studies if study.estimate.value is not None)
    ]
    counts = [(x, n, y, m) for x, n, y, m in counted if x is not None and n and y is not None and m]
    if not counts:
        return ()
    event = "captured" if measure == "capture-ratio" else f"with '{pooled.gathered.arms[0].outcome}'"
    first, second = _arm_names(pooled)
    events, total = sum(y for _, _, y, _ in counts), sum(m for *_, m in counts)
    baseline = _share(events, total, pooled.level, event)
    if len(counts) == 1:
        x, n, y, _ = counts[0]
        return (
            Frequency(second, event, baseline, events=y),
            Frequency(first, event, _share(x, n, pooled.level, event), events=x),
        )
    return (
        Frequency(second, event, baseline),
        Frequency(first, event, _applied(value, events / total, event), applied=True),
    )


def _arm_names(pooled: PooledEvidence) -> tuple[str, str]:
    if pooled.question.measure == "outcome":
        return "allocated to pacing", "allocated to the control"
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
    again = found.reanalysis
    for part in found.parts:
        pooled = part.pooled
        if pooled.question.measure in measures and pooled.studies:
            value = pooled.headline or _only_study(pooled)
            reanalysed = again is not None and any(s.effect.method == again.effect.method for s in pooled.studies)
            if again is not None and reanalysed and pooled.headline is None and value is not None:
                # the posterior itself, not the normal law that stands for it where studies are pooled
                value = again.crossover.ratio
            yield BriefPart(pooled, value, _frequencies(pooled, value), _turning(pooled), reanalysed)


def _patients(table: EvidenceTable, effects: Sequence[StudyEffect]) -> int:
    """Patients behind several results of one study; the same people count once, with the most of them."""
    own = [{effect.arm, effect.other} - {""} for effect in effects]
    shared = [codes.union(*(table.arm(code).overlaps for code in codes)) for codes in own]
    kept: list[int] = []
    for k in sorted(range(len(effects)), key=lambda k: -effects[k].n):
        if not any(own[k] & shared[one] or own[one] & shared[k] for one in kept):
            kept.append(k)
    return sum(effects[k].n for k in kept)


def _people(table: EvidenceTable, parts: Sequence[BriefPart]) -> Iterable[Studied]:
    arms: dict[str, list[StudyArm]] = {}
    effects: dict[str, list[StudyEffect]] = {}
    for part in parts:
        for arm, effect in zip(part.pooled.gathered.arms, part.pooled.gathered.effects, strict=True):
            arms.setdefault(arm.study, []).append(arm)
            effects.setdefault(arm.study, []).append(effect)
    seen: set[str] = set()
    for part in parts:
        new = tuple(dict.fromkeys(arm.study for arm in part.pooled.gathered.arms if arm.study not in seen))
        seen.update(new)
        if new:
            theirs = [arm for study in new for arm in arms[study]]
            yield Studied(
                new,
                tuple(dict.fromkeys(arm.design for arm in theirs)),
                tuple(dict.fromkeys(arm.population for arm in theirs)),
                sum(_patients(table, effects[study]) for study in new),
            )


def _few(comparison: PlacementComparison, below: int) -> bool:
    """Whether a count behind the local shares is above 0 and below the smallest that may be shown."""
    counts: list[int] = []
    for n, captured, share in zip(
        (comparison.n_first, comparison.n_minus),
        (comparison.n_captured_first, comparison.n_captured_minus),
        comparison.shares_at_maximum,
        strict=True,
    ):
        counts += [captured, n - captured]
        if share.value is not None:
            # a device may have captured above the current that is common to all
            there = round(share.value * n)
            counts += [there, n - there]
    return any(0 < count < below for count in counts)


def _local(comparison: PlacementComparison, capture: str, adjusted: str, suppress_below: int) -> LocalBrief | None:
    """The comparison; ``None`` when a group is too small to be shown."""
    sizes = [comparison.n_first, comparison.n_minus, *((comparison.n_both,) if comparison.paired else ())]
    if min(sizes) < suppress_below:
        return None
    first, minus = comparison.shares_at_maximum
    withheld = _few(comparison, suppress_below)
    between = None if comparison.paired else comparison.unpaired_ratio
    return LocalBrief(
        comparison.first,
        comparison.minus,
        comparison.assignment is Assignment.RANDOMISED,
        comparison.ratio,
        ()
        if withheld
        else (
            Frequency(comparison.minus, "captured", minus),
            Frequency(comparison.first, "captured", first),
        ),
        comparison.n_both if comparison.paired else comparison.n_first + comparison.n_minus,
        comparison.common_maximum_ma,
        comparison.paired,
        comparison.n_first == comparison.n_minus == comparison.n_both,
        () if between is None else tuple(between.adjusted_for),
        capture,
        adjusted,
        suppress_below if withheld else 0,
    )


def brief_measures(measure: Measure) -> tuple[Measure, ...]:
    """What has to be pooled for a brief about a measure."""
    if measure not in ABOUT_PLACEMENTS:
        return (measure,)
    return tuple(dict.fromkeys((measure, "ratio", "capture-ratio")))


def evidence_brief(
    found: EvidenceAnalysis,
    measure: Measure = "ratio",
    comparison: PlacementComparison | None = None,
    *,
    capture: str = "",
    suppress_below: int = 1,
    adjusted: str = "",
    not_compared: str = "",
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
    capture : str
        Name of the definition of capture behind it.
    suppress_below : int
        Local shares are withheld when a count behind them is above 0 and below this, and the whole local comparison
        when a group is smaller.
    adjusted : str
        The adjusted difference in local shares, as a sentence, where it was estimated.
    not_compared : str
        Why there is no local comparison, where records were given.
    """
    placements = measure in ABOUT_PLACEMENTS
    parts = tuple(_parts(found, brief_measures(measure)))
    local = None
    if placements and comparison is not None:
        local = _local(comparison, capture, adjusted, suppress_below)
        not_compared = "" if local else f"a group to be compared has fewer than {suppress_below} patients"
    return EvidenceBrief(
        measure,
        parts,
        local,
        found.reanalysis if placements else None,
        tuple(j for j in found.question.judgements if j.measure == measure),
        tuple(_people(found.table, parts)),
        not_compared if placements else "",
    )
