"""Names and standing sentences of the section on published studies."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from capstat.synthesis.evidence_words import CAPTURE_DEFINITION

if TYPE_CHECKING:
    from capstat.synthesis.questions import EvidenceQuestion
    from capstat.synthesis.study_effect import Measure, StudyEffect

__all__ = ["MEASURE_TITLES", "SECTION_CAUTIONS", "count_text", "definition_words", "file_name", "question_title"]

MEASURE_TITLES: Final[dict[Measure, str]] = {
    "threshold": "Capture threshold",
    "capture": "Share captured",
    "ratio": "Ratio of capture thresholds of two placements",
    "difference": "Difference of mean capture thresholds of two placements",
    "capture-ratio": "Ratio of the shares captured with two placements",
    "outcome": "Outcome, paced against not paced",
}

SECTION_CAUTIONS: Final = (
    (
        "Published studies of pacing through the skin are few, small and old, with at least five definitions of capture; what "
        "is pooled here holds for patients, pads and devices like theirs."
    ),
    "Most numbers were read in abstracts, not in full papers; each record says where. Nothing here is a recommendation.",
)

_MEANINGS: Final = {term.value: term.meaning for term in CAPTURE_DEFINITION.terms}


def definition_words(definition: str) -> str:
    """What counted as capture, in words."""
    return _MEANINGS.get(definition, "not recorded")


def question_title(question: EvidenceQuestion) -> str:
    """One line for a question: the measure and to whom it applies."""
    return f"{MEASURE_TITLES[question.measure]}: {question.conditions or 'all records'}"


def file_name(question: EvidenceQuestion, position: int) -> str:
    """Name of a question's files."""
    return f"literature_{position:02d}_{question.measure.replace('-', '_')}"


def count_text(effect: StudyEffect) -> str:
    """Events of patients where there are counts, patients otherwise."""
    if effect.events is None or effect.total is None:
        return f"{effect.n}"
    if effect.other_events is None or effect.other_total is None:
        return f"{effect.events}/{effect.total}"
    return f"{effect.events}/{effect.total} against {effect.other_events}/{effect.other_total}"
