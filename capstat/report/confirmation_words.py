"""Names of judgements, references and errors in a sentence."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING

from capstat.report.table import shown_estimate
from capstat.report.wording import listed

if TYPE_CHECKING:
    from collections.abc import Iterable

    from capstat.results import Estimate

__all__ = ["both", "claim_words", "full_sentences", "limits_in_brackets", "notes_by_label", "reference_words"]

_REFERENCES = {
    "adjudicated_capture": "review of the recorded strip",
    "ultrasound": "ultrasound of the heart",
    "arterial_line": "the arterial line",
    "mechanical_capture": "the recorded mechanical capture",
}
_CLAIMS = {"electrical_capture": "electrical capture", "mechanical_capture": "mechanical capture"}


def reference_words(column: str) -> str:
    """Return a reference in words."""
    return _REFERENCES.get(column, column.replace("_", " "))


def claim_words(column: str) -> str:
    """Return a judgement in words."""
    return _CLAIMS.get(column, column.replace("_", " "))


def both(estimate: Estimate) -> str:
    """Return value and limits in one cell: ``79 % (74 to 83 %)``; a dash where there is no value."""
    value, limits = shown_estimate(estimate)
    if estimate.value is None:
        return "\u2013" if estimate.lower is None else f"\u2013 ({limits})"
    return f"{value} ({limits})" if estimate.lower is not None else value


def limits_in_brackets(estimate: Estimate) -> str:
    """Return the limits as told after a number in a sentence."""
    _, limits = shown_estimate(estimate)
    return f"{100 * estimate.level:g} % confidence interval {limits}"


def full_sentences(notes: Iterable[str]) -> tuple[str, ...]:
    """Return every note once, as a sentence."""
    return tuple(dict.fromkeys(f"{note[:1].upper()}{note[1:].rstrip('.')}." for note in notes))


def notes_by_label(pairs: Iterable[tuple[str, Iterable[str]]]) -> tuple[str, ...]:
    """Return every note once, with the names of those that it concerns where it does not concern all."""
    of_note: defaultdict[str, list[str]] = defaultdict(list)
    labels = []
    for label, notes in pairs:
        labels.append(label)
        for note in dict.fromkeys(notes):
            of_note[note].append(label)
    return full_sentences(note if who == labels else f"{listed(who)}: {note}" for note, who in of_note.items())
