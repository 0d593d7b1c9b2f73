"""What is said of the time to capture, of its loss, and of where patients are over time."""

from __future__ import annotations

from typing import TYPE_CHECKING

from capstat.outcomes.episodes import CAPTURE, CAUSES, STILL_PACED
from capstat.report.outcome_words import (
    OBSERVED,
    ORIGINS,
    all_of,
    begin,
    bounded_sentence,
    cell,
    end,
    limits_words,
    points,
    scaled,
)
from capstat.report.table import small
from capstat.report.wording import (
    counted,
    listed,
    p_text,
    percent,
    plain_name,
    ratio_text,
    share_of_patients,
)

if TYPE_CHECKING:
    from capstat.analysis.outcome_analysis import OutcomeAnalysis
    from capstat.outcomes.time_group_results import TimeGroup
    from capstat.outcomes.time_regression import TimeRegression
    from capstat.outcomes.time_standardised import StandardisedCapture
    from capstat.outcomes.time_to_capture import TimeToCapture
    from capstat.results import Estimate

__all__ = [
    "adjusted_for",
    "captured_words",
    "regression_sentences",
    "time_sentences",
]

# the minute that sentences tell, where it was asked for
TOLD_MIN = 5.0
NOTABLE_P = 0.05


def _told_at(minutes: tuple[float, ...]) -> int:
    """Position of the minute that is told: the last one up to 5 min, or the first."""
    return max((k for k, minute in enumerate(minutes) if minute <= TOLD_MIN), default=0)


def _share_words(estimate: Estimate, n: int) -> str:
    told = scaled(estimate)
    if told.value is None:
        return f"a share {bounded_sentence(estimate)} of {counted(n, 'patient')}"
    return f"{share_of_patients(told.value, n)} ({limits_words(estimate)})"


def captured_words(wait: TimeToCapture, minutes: tuple[float, ...]) -> str:
    """Return how many were captured by the minute that is told, without a full stop."""
    place = _told_at(minutes)
    group, minute = wait.everybody, minutes[place]
    estimate = group.captured_by[place]
    unit = "minute" if minute == 1 else "minutes"
    head = f"Within {minute:g} {unit} of {ORIGINS[wait.origin]}"
    if estimate.value is None and estimate.identified is None:
        return f"How many had {wait.awaited} within {minute:g} {unit} of {ORIGINS[wait.origin]} is not known: {estimate.reason.rstrip('.')}"
    return f"{head}, {_share_words(estimate, group.n)} had {wait.awaited}"


def _half_words(group: TimeGroup) -> str:
    half = group.captured_after[0]
    if half.value is not None:
        return f"; half of all had it by {cell(half)}"
    if half.identified is not None:
        return f"; half of all had it {bounded_sentence(half)}"
    if half.reason.startswith("the share stayed below"):
        return "; fewer than half had it for as long as anybody was watched"
    return f"; when half of all had it is {bounded_sentence(half)}"


def _ends_sentence(wait: TimeToCapture, suppress_below: int) -> str:
    group = wait.everybody
    counts = dict(group.counts)
    others = [(name, counts[name]) for code, name in enumerate(CAUSES) if code > CAPTURE and counts.get(name)]
    hidden = len(counts) < len(CAUSES)
    if not others and not hidden:
        return f"No wait for {wait.awaited} ended otherwise, so that nothing competes with capture."
    told = all_of(
        [f"{name}: {small(count, suppress_below)}" for name, count in others], "the counts are too small to be shown"
    )
    more = " (small counts are not shown)" if hidden and others else ""
    still = counts.get(CAUSES[STILL_PACED], 0)
    paced = f"; {small(still, suppress_below)} more were still paced when their record ended" if still else ""
    return (
        f"Of {counted(group.n, 'patient')} the wait for {wait.awaited} ended otherwise in some ({told}){more}{paced}.  "
        "They stay in the count of all: who has a rhythm of their own, or has died, is not captured any more."
    )


def time_sentences(found: OutcomeAnalysis, suppress_below: int) -> tuple[str, ...]:
    """Return how soon patients were captured, which ends competed, and how the groups differed."""
    minutes = found.question.minutes
    told = [end(captured_words(wait, minutes) + _half_words(wait.everybody)) for wait in found.waits]
    if not found.waits:
        return ()
    last = found.waits[-1]
    told.append(_ends_sentence(last, suppress_below))
    told += [end(begin(note)) for note in last.everybody.notes if note.startswith("1 - Kaplan-Meier")]
    place = _told_at(minutes)
    if last.differences:
        difference = last.differences[place]
        test = next((test for test in last.tests if test.cause == CAUSES[CAPTURE] and test.p_value is not None), None)
        tested = "" if test is None else f"; Gray's test over all times: {p_text(test.p_value)}"
        told.append(
            f"{begin(last.awaited)} by {minutes[place]:g} min, {difference.direction}: {points(difference)}{tested}.  "
            f"{_whose(found)}"
        )
    return tuple(told)


def _whose(found: OutcomeAnalysis) -> str:
    return "The placement was drawn by lot." if found.randomised else f"Nothing is adjusted for here.  {OBSERVED}"


def adjusted_for(confounders: tuple[str, ...]) -> str:
    """Return ``allowing for age and weight``."""
    names = [plain_name(name) for name in confounders]
    return f"allowing for {listed(names)}" if names else "with nothing adjusted for"


def _whom(found: OutcomeAnalysis, label: str) -> str:
    by = found.question.by
    return f"{label} pads" if by == "placement" else f"{plain_name(by)} '{label.removeprefix(f'{by}: ')}'"


def _includes_one(estimate: Estimate) -> bool:
    return estimate.lower is not None and estimate.upper is not None and estimate.lower <= 1 <= estimate.upper


def regression_sentences(found: OutcomeAnalysis) -> tuple[str, ...]:
    """Return what the ratios say, which question each answers, and whether they change with time."""
    model = found.regression
    told: list[str] = []
    if model is not None:
        told += _ratio_sentences(model, found)
        told += _constant_sentence(model)
    if found.standardised is not None:
        told.append(_standardised_sentence(found.standardised, found))
    if told and not found.randomised:
        told.append(OBSERVED)
    return tuple(told)


def _ratio_sentences(model: TimeRegression, found: OutcomeAnalysis) -> list[str]:
    told = []
    if model.capture.ratios:
        ratio = model.capture.ratios[0]
        value = ratio_text(ratio.value or 0.0)
        unsettled = "; the limits include 1, so that either may be higher" if _includes_one(ratio) else ""
        told.append(
            f"Among patients still waiting, the rate of capture was {value} times as high with {_whom(found, model.first)} as with "
            f"{_whom(found, model.minus)} ({_named('hazard ratio', ratio)}), {adjusted_for(found.confounders)}{unsettled}."
        )
    if model.other_ends.ratios:
        ratio = model.other_ends.ratios[0]
        told.append(
            f"With {_whom(found, model.first)} the rate at which the wait ended otherwise was {ratio_text(ratio.value or 0.0)} times as high ({_named('hazard ratio', ratio)}): both "
            "together decide how many are captured."
        )
    if model.subdistribution.ratios:
        ratio = model.subdistribution.ratios[0]
        told.append(
            f"Whether more of all patients are captured by a time, every other end counted, is another question: its ratio is "
            f"{ratio_text(ratio.value or 0.0)} ({_named('subdistribution hazard ratio', ratio)})."
        )
    if model.times.ratios and model.times.ratios[0].value is not None:
        ratio = model.times.ratios[0]
        told.append(
            f"Capture took {ratio_text(ratio.value or 0.0)} times as long with {_whom(found, model.first)} ({_named('ratio of times', ratio)}), if nothing else "
            "had ended the wait (assumed)."
        )
    return told


def _named(name: str, ratio: Estimate) -> str:
    return f"{name}, {limits_words(ratio)}"


def _constant_sentence(model: TimeRegression) -> list[str]:
    terms = model.proportionality.terms
    if not terms or not model.capture.ratios:
        return []
    p = p_text(terms[0].p_value)
    if terms[0].p_value < NOTABLE_P:
        return [f"The hazard ratio of capture changes with time ({p}): the one number is a mean over the time watched."]
    return [f"That the hazard ratio of capture changes with time is not seen ({p}); with few captures it would not be."]


def _standardised_sentence(made: StandardisedCapture, found: OutcomeAnalysis) -> str:
    # the last minutes are missing where no wait lasted so long
    place = min(_told_at(found.question.minutes), len(made.captured_by) - 1)
    one, two = made.captured_by[place]
    shares = [f"{percent((estimate.value or 0.0) / 100)} %" for estimate in (one, two)]
    return (
        f"Standardised over {all_of([plain_name(name) for name in found.confounders], 'nothing')}, {shares[0]} "
        f"({made.first}) and {shares[1]} ({made.minus}) are captured by {found.question.minutes[place]:g} min: "
        f"{points(made.differences[place])}, if what is recorded accounts for how placements were chosen (assumed)."
    )
