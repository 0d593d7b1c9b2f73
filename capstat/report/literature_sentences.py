"""Sentences of the section on published studies."""

from __future__ import annotations

from typing import TYPE_CHECKING

from capstat.report.literature_words import definition_words, question_title
from capstat.report.wording import counted, estimate_text, interval_text, listed, p_text, percent, value_text
from capstat.synthesis.beside import CLOSE_ENOUGH

if TYPE_CHECKING:
    from capstat.analysis import EvidenceAnalysis, EvidencePart, LocalBeside, Reanalysis
    from capstat.synthesis.pooled_record import PooledEvidence

__all__ = [
    "local_notes",
    "part_sentences",
    "reanalysis_sentences",
    "unanswered_sentence",
]


def _pooled_sentence(pooled: PooledEvidence) -> str:
    k = len(pooled.studies)
    if not k:
        return f"No record reports what this needs; {counted(len(pooled.gathered.excluded), 'record')} left out."
    if pooled.headline is None:
        if k > 1:
            return f"Nothing is pooled: {pooled.not_pooled[0].lower()}{pooled.not_pooled[1:].rstrip('.')}."
        study = pooled.studies[0]
        whom = f", {pooled.direction}" if pooled.direction else ""
        return f"One study only, so nothing is pooled: {study.effect.label}, {estimate_text(study.estimate)}{whom}."
    head = pooled.headline
    whom = f", {pooled.direction}" if pooled.direction else ""
    silent = sum(study.estimate.value is None for study in pooled.studies)
    told = f"{k - silent} studies of {counted(head.n, 'patient')} together give "
    if silent:
        told = f"{counted(silent, 'study').replace('studys', 'studies')} without a value left aside, {told}"
    if head.value is not None and interval_text(head).startswith("too few"):
        return f"{told}{value_text(head)}, but {interval_text(head)}{whom}."
    return f"{told}{estimate_text(head)}{whom}."


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
        unusual = "unusual" if place.p_value < 1 - place.level else "not unusual"
        sentences.append(
            f"The local result ({_group(beside)}), {estimate_text(beside.estimate)}, is {unusual} among studies like these: "
            f"{percent(share)} % of them would lie further {tail} ({p_text(place.p_value)})."
        )
    elif beside.not_placed and pooled.headline is not None:
        sentences.append(f"How unusual the local result is cannot be told: {beside.not_placed.rstrip('.')}.")
    update = beside.update
    if update is not None:
        sentences.append(
            f"With the published studies as a prior at weight {update.weight:g} (assumed), the local value is "
            f"{value_text(update.combined)} ({100 * update.combined.level:g} % interval {interval_text(update.combined)})."
        )
        if update.conflict:
            sentences.append(
                f"Published and local results conflict ({p_text(update.conflict_p)}): a combination of the two describes "
                "neither; look for the reason before using it."
            )
        if update.far_apart:
            sentences.append(
                f"The local result is far from the published one ({p_text(update.conflict_p)}, if services differ as "
                "assumed); whether that is a conflict cannot be told from so few."
            )
        if update.normal_gap > CLOSE_ENOUGH:
            sentences.append(
                "The normal approximation would not have been enough here; the interval is exact under the model "
                f"(probabilities differ by up to {100 * update.normal_gap:.0f} percentage points)."
            )
    return sentences


def part_sentences(part: EvidencePart) -> tuple[str, ...]:
    """What one question says, in at most seven sentences."""
    pooled = part.pooled
    sentences = [_pooled_sentence(pooled), _definition_sentence(pooled), _spread_sentence(pooled)]
    if part.local:
        sentences += _local_sentences(part.local[0], pooled)
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
    return ("Your own records beside the studies: " + " ".join(sentences),) if sentences else ()


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
    depends = (
        f"Depending on what was not published the ratio lies between {min(values):.2f} and {max(values):.2f}. This rests "
        "on printed summaries and on a law of thresholds above the highest current, where nothing was seen."
    )
    return printed, told, depends
