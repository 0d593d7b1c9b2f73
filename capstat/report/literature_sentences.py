"""Sentences of the section on published studies."""

from __future__ import annotations

from typing import TYPE_CHECKING

from capstat.report.literature_words import count_text, definition_words, question_title
from capstat.report.wording import counted, estimate_text, interval_text, listed, p_text, percent, value_text
from capstat.synthesis.beside import CLOSE_ENOUGH

if TYPE_CHECKING:
    from capstat.analysis import EvidenceAnalysis, EvidencePart, LocalBeside, Reanalysis
    from capstat.results import Estimate
    from capstat.synthesis.pooled_record import PooledEvidence, PooledStudy

__all__ = [
    "local_notes",
    "part_sentences",
    "reanalysis_sentences",
    "unanswered_sentence",
    "unbounded",
]


def _many(pooled: PooledEvidence) -> str:
    """How many studies, arms and patients have a value, and how many of them the user added."""
    told = [
        arm for study, arm in zip(pooled.studies, pooled.gathered.arms, strict=True) if study.estimate.value is not None
    ]
    studies, own = len({arm.study for arm in told}), sum(arm.provenance == "own" for arm in told)
    words = f"{len(told)} studies" if studies == len(told) else f"{len(told)} arms of {studies} studies"
    patients = counted(sum(s.effect.n for s in pooled.studies if s.estimate.value is not None), "patient")
    return f"{words} of {patients}" + (f" ({own} of them added by you)" if own else "")


def _shown(study: PooledStudy, part: EvidencePart) -> str:
    """A single study; both arms where it has two of the same people."""
    others = [(effect.label, estimate) for effect, estimate in part.same_people]
    told = [(study.effect.label, study.estimate), *others]
    return "; ".join(f"{label}, {estimate_text(estimate)}" for label, estimate in told)


def _pooled_sentence(part: EvidencePart) -> str:
    pooled, head = part.pooled, part.pooled.headline
    if not pooled.studies:
        return f"No record reports what this needs; {counted(len(pooled.gathered.excluded), 'record')} left out."
    whom = f", {pooled.direction}" if pooled.direction else ""
    if head is None and len(pooled.studies) > 1:
        return f"Nothing is pooled: {pooled.not_pooled[0].lower()}{pooled.not_pooled[1:].rstrip('.')}."
    if head is None:
        own = " (added by you)" if pooled.gathered.arms[0].provenance == "own" else ""
        return f"One study only{own}, so nothing is pooled: {_shown(pooled.studies[0], part)}{whom}."
    silent = sum(study.estimate.value is None for study in pooled.studies)
    aside = f"{counted(silent, 'study').replace('studys', 'studies')} without a value left aside, " if silent else ""
    told = f"{aside}{_many(pooled)} together give "
    if unbounded(head):
        counts = ", ".join(f"{s.effect.label} {count_text(s.effect)}" for s in pooled.studies)
        return (
            f"{aside}{_many(pooled)}: {counts}. What a study like these would find is not bounded by so few: any value is "
            f"possible if services differ enough; if they did not differ it would be {estimate_text(pooled.others[0])}{whom}."
        )
    return f"{told}{estimate_text(head)}{whom}."


def unbounded(estimate: Estimate) -> bool:
    """Whether limits say nothing: open ones, or a share from nearly 0 to nearly 100 %."""
    if interval_text(estimate).startswith("too few") or estimate.lower is None or estimate.upper is None:
        return True
    return estimate.unit == "proportion" and estimate.lower < 0.01 and estimate.upper > 0.99


def _spread_sentence(pooled: PooledEvidence) -> str:
    if pooled.headline is None:
        return ""
    prediction = pooled.prediction
    words = "How much such studies differ cannot be told from these."
    spread = pooled.heterogeneity[0]
    if pooled.question.measure == "capture" and spread.value == 0:
        words = "The studies differ no more than chance would make them; more difference is not ruled out."
    elif pooled.question.measure == "capture" and spread.value is not None:
        words = (
            f"The studies differ with a standard deviation of {value_text(spread)} on the log odds "
            f"({interval_text(spread)})."
        )
    elif len(pooled.heterogeneity) > 1 and pooled.heterogeneity[1].value is not None:
        i2 = pooled.heterogeneity[1]
        words = f"Of the variance, {percent(i2.value or 0)} % lies between the studies ({interval_text(i2)})."
    if prediction is not None and prediction.reason:
        words += " Where a further study would lie is not predicted from fewer than three." if len(
            pooled.studies
        ) < 3 else ""  # fmt: skip
    return words


def _definition_sentence(pooled: PooledEvidence) -> str:
    names = () if pooled.question.measure == "outcome" else pooled.gathered.definitions
    if len(names) > 1:
        return f"The studies mean different things by capture: {listed([definition_words(name) for name in names])}."
    if names and names[0] in ("undescribed", "electrical-undescribed"):
        return "What counted as capture was not seen in any of these studies."
    return ""


def _group(beside: LocalBeside) -> str:
    return beside.effect.label.removeprefix("local").lstrip(", ") or "own comparison"


def _local_sentences(beside: LocalBeside, pooled: PooledEvidence) -> list[str]:
    sentences = []
    if beside.position is not None:
        place = beside.position
        tail = "below" if place.share_below < 0.5 else "above"
        share = min(place.share_below, 1 - place.share_below)
        unusual = "unusual" if place.p_value < 1 - place.level else "not so far off as to be called unusual"
        sentences.append(
            f"The local result ({_group(beside)}), {estimate_text(beside.estimate)}, is {unusual} beside these studies: of "
            f"further services, if they differ as assumed, {percent(share)} % would lie further {tail} "
            f"({p_text(place.p_value)})."
        )
    elif beside.not_placed and pooled.headline is not None:
        sentences.append(f"How unusual the local result is cannot be told: {beside.not_placed.rstrip('.')}.")
    update = beside.update
    if update is not None:
        sentences.append(
            f"If the published studies were believed at weight {update.weight:g} (an assumption), both together would give "
            f"{value_text(update.combined)} ({100 * update.combined.level:g} % interval {interval_text(update.combined)}) "
            f"in place of {value_text(beside.estimate)}."
        )
        if update.conflict:
            sentences.append(
                f"Published and local results conflict ({p_text(update.conflict_p)}): a combination of the two describes "
                "neither; look for the reason before using it."
            )
        if update.normal_gap > CLOSE_ENOUGH:
            sentences.append(
                "The normal approximation would not have been enough here; the interval is exact under the model "
                f"(probabilities differ by up to {100 * update.normal_gap:.0f} percentage points)."
            )
    return sentences


def part_sentences(part: EvidencePart, who: str = "") -> tuple[str, ...]:
    """What one question says, in at most eight sentences; ``who`` says who the local patients are."""
    pooled = part.pooled
    sentences = [_pooled_sentence(part), _definition_sentence(pooled), _spread_sentence(pooled)]
    if part.local:
        sentences += _local_sentences(part.local[0], pooled)
        if who:
            sentences.append(f"Whether your patients ({who}) are like these is for you to judge.")
    return tuple(filter(None, sentences))


def unanswered_sentence(part: EvidencePart) -> str:
    """Why no record answers a question."""
    told = "; ".join(f"{one.label}: {one.reason.rstrip('.')}" for one in part.pooled.gathered.excluded)
    return f"{question_title(part.pooled.question)}: {told}."


def local_notes(found: EvidenceAnalysis) -> tuple[str, ...]:
    """How the local results beside the studies were worked out, each once."""
    sentences = dict.fromkeys(
        f"{words[0].upper()}{words[1:].rstrip('.')}."
        for part in found.parts
        for beside in part.local
        for words in (beside.effect.method, *beside.effect.assumptions)
        if not words[0].isdigit()
    )
    if not sentences:
        return ()
    reading = (
        "Published thresholds are of the patients who were captured, read at the first setting that captured, up to a step "
        "above the threshold; yours are intervals and leave nobody out."
    )
    return ("Your own records beside the studies: " + " ".join(sentences), reading)


def reanalysis_sentences(found: Reanalysis) -> tuple[str, ...]:
    """What the published crossover implies once non-capture is not entered as a number."""
    crossover = found.crossover
    values = [row.ratio.value for row in crossover.rows if row.ratio.value is not None]
    printed = (
        f"The one published crossover entered {crossover.imputed_as_ma:g} mA for every patient who was not captured at "
        f"{crossover.maximum_ma:g} mA; its printed means, {crossover.first_mean_ma:g} and {crossover.second_mean_ma:g} mA, "
        f"have a ratio of {crossover.printed_ratio:.2f}."
    )
    told = (
        f"Thresholds that agree with everything printed, with non-capture read as above {crossover.maximum_ma:g} mA, give "
        f"a ratio of {estimate_text(crossover.ratio)}, {crossover.ratio.direction}."
    )
    lowest = min(row.ratio.lower for row in crossover.rows if row.ratio.lower is not None)
    highest = max(row.ratio.upper for row in crossover.rows if row.ratio.upper is not None)
    beyond = crossover.median_above_maximum[1]
    depends = (
        f"Depending on what was not published and on the prior, the best value moves from {min(values):.2f} to "
        f"{max(values):.2f}, and the limits reach from {lowest:.2f} to {highest:.2f}. With probability "
        f"{percent(beyond)} % the median with {crossover.second} lies above {crossover.maximum_ma:g} mA, where nothing was "
        "seen and the assumed law of thresholds does the talking."
    )
    return printed, told, depends
