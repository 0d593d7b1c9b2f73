"""Plain sentences on time to capture and outcome, by part of the section, and one for the summary."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from capstat.report.outcome_death_sentences import immortal_sentences, risk_sentences, summary_of_outcome
from capstat.report.outcome_kept_sentences import kept_sentences, states_sentences
from capstat.report.outcome_time_sentences import captured_words, regression_sentences, time_sentences
from capstat.report.outcome_words import OUTCOME_WORDS, begin, end, outcome_words
from capstat.report.wording import plain_name

if TYPE_CHECKING:
    from capstat.analysis.outcome_analysis import OutcomeAnalysis

__all__ = ["OutcomeSentences", "outcome_sentences", "outcome_summary"]


@dataclass(frozen=True, slots=True)
class OutcomeSentences:
    """What is said, by part.

    Attributes
    ----------
    time : tuple of str
        How soon patients were captured.
    regression : tuple of str
        Ratios, and shares standardised over what was known before.
    kept : tuple of str
        Capture kept or lost.
    states : tuple of str
        Where patients are over time.
    immortal : tuple of str
        Death after capture.
    outcomes : tuple of str
        Outcomes of the two groups.
    not_had : tuple of str
        What could not be had, and why.
    """

    time: tuple[str, ...]
    regression: tuple[str, ...]
    kept: tuple[str, ...]
    states: tuple[str, ...]
    immortal: tuple[str, ...]
    outcomes: tuple[str, ...]
    not_had: tuple[str, ...]


def outcome_sentences(found: OutcomeAnalysis, suppress_below: int = 1) -> OutcomeSentences:
    """Say every result in plain words; nothing is called an effect unless the placement was drawn by lot.

    Parameters
    ----------
    found : OutcomeAnalysis
        Results; small counts are taken out of them beforehand (`suppress_outcomes`).
    suppress_below : int
        Counts of fewer patients are not told.
    """
    return OutcomeSentences(
        time_sentences(found, suppress_below),
        regression_sentences(found),
        () if found.kept is None else kept_sentences(found.kept, suppress_below),
        () if found.states is None else states_sentences(found.states),
        ()
        if found.immortal is None
        else immortal_sentences(found.immortal, found.waits[-1].awaited if found.waits else ""),
        risk_sentences(found),
        _not_had(found),
    )


def _not_had(found: OutcomeAnalysis) -> tuple[str, ...]:
    told = []
    for part, why in found.reasons:
        name = outcome_words(part) if part in OUTCOME_WORDS else part
        told.append(f"{begin(name)}: {end(why.replace('None of', 'Not one of'))}")
    told += [f"Not adjusted for {plain_name(name)}: {end(why)}" for name, why in found.dropped]
    return tuple(dict.fromkeys(told))


def outcome_summary(found: OutcomeAnalysis) -> str:
    """Return one or two sentences for the summary of the report."""
    told = []
    if found.waits:
        told.append(end(captured_words(found.waits[-1], found.question.minutes)))
    declared = next((one for one in found.outcomes if one.role == "declared"), None)
    if declared is not None:
        told.append(summary_of_outcome(declared))
    elif found.outcomes:
        told.append("Outcomes are compared, but none was declared beforehand: all of it is exploratory.")
    return " ".join(told) or "Times or outcomes are recorded, but too little of them to say anything."
