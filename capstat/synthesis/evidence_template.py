"""The evidence table for people and programs: a file to fill in, a dictionary of fields, Table Schema."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from capstat.attempts.vocabulary import MISSING_WORDS
from capstat.synthesis.evidence_cells import accepted
from capstat.synthesis.evidence_fields import EVIDENCE_FIELDS
from capstat.synthesis.evidence_file import evidence_csv
from capstat.synthesis.study_arm import StudyArm

if TYPE_CHECKING:
    from capstat.synthesis.evidence_fields import EvidenceField

__all__ = ["DictionaryRow", "evidence_dictionary", "evidence_schema", "evidence_template_text"]

_MEANING: Final = "Studies of transcutaneous pacing: one row for each arm of a study and definition of capture."
_TYPES: Final = {
    "code": "string",
    "codes": "string",
    "text": "string",
    "category": "string",
    "whole": "integer",
    "number": "number",
}
_INVENTED: Final = "INVENTED EXAMPLE, delete this row"


@dataclass(frozen=True, slots=True)
class DictionaryRow:
    """One field in words.

    Attributes
    ----------
    name, meaning, unit : str
        As in `EVIDENCE_FIELDS`.
    accepted : str
        What a cell may hold.
    required : bool
        Whether every record needs it.
    words : tuple of (str, str)
        Words of a closed list with their meanings.
    """

    name: str
    meaning: str
    unit: str
    accepted: str
    required: bool
    words: tuple[tuple[str, str], ...]


def evidence_dictionary() -> tuple[DictionaryRow, ...]:
    """Return every field of an evidence file in words, in the order of the columns."""
    return tuple(
        DictionaryRow(
            name=field.name,
            meaning=field.meaning,
            unit=field.unit,
            accepted=accepted(field),
            required=field.required,
            words=() if field.allowed is None else tuple((term.value, term.meaning) for term in field.allowed.terms),
        )
        for field in EVIDENCE_FIELDS
    )


def evidence_template_text() -> str:
    """Return an evidence file to fill in: names of columns and two invented rows that are never pooled."""
    common: dict[str, Any] = {
        "study": "example2001",
        "citation": f"{_INVENTED}. Author A, Author B. Title. Journal 2001;1:1-2",
        "year": 2001,
        "design": "crossover",
        "population": "adults at a planned procedure (invented)",
        "age_group": "adults",
        "urgency": "elective",
        "setting": "procedure-laboratory",
        "paced": True,
        "pulse_width_ms": 20.0,
        "max_output_ma": 140.0,
        "counted": "patients",
        "n": 20,
        "capture_definition": "pulse",
        "current_means": "threshold",
        "non_capture": "left-out",
        "provenance": "own",
        "seen_in": "paper",
        "not_pooled": _INVENTED,
    }
    first = StudyArm(
        arm="example2001_ap",
        placement="anterior-posterior",
        n_captured=18,
        n_current=18,
        mean_ma=80.0,
        sd_ma=16.0,
        compared_with="example2001_al",
        n_pairs=16,
        difference_ma=-10.0,
        difference_lower_ma=-18.0,
        difference_upper_ma=-2.0,
        interval_percent=95.0,
        overlaps=("example2001_al",),
        notes="What a reader must know",
        **common,
    )
    second = StudyArm(
        arm="example2001_al",
        placement="anterior-lateral",
        n_captured=16,
        n_current=16,
        mean_ma=90.0,
        sd_ma=18.0,
        overlaps=("example2001_ap",),
        derived="n_captured: 80 % of 20",
        **common,
    )
    return evidence_csv([first, second])


def evidence_schema() -> dict[str, Any]:
    """Return the schema of an evidence file in the open Table Schema form, ready for JSON."""
    return {
        "description": _MEANING,
        "fields": [_schema_field(field) for field in EVIDENCE_FIELDS],
        "missingValues": list(MISSING_WORDS),
        "primaryKey": "arm",
        "foreignKeys": [{"fields": "compared_with", "reference": {"resource": "", "fields": "arm"}}],
    }


def _schema_field(field: EvidenceField) -> dict[str, Any]:
    yes_no = field.allowed is not None and field.allowed.name == "yes_no"
    description: dict[str, Any] = {
        "name": field.name,
        "title": field.meaning[:1].upper() + field.meaning[1:],
        "type": "boolean" if yes_no else _TYPES[field.kind],
    }
    if yes_no:
        description |= {"trueValues": ["yes"], "falseValues": ["no"]}
    if field.unit:
        description["unit"] = field.unit
    constraints: dict[str, Any] = {
        "required": field.required or None,
        "unique": True if field.name == "arm" else None,
        "minimum": field.minimum,
        "maximum": field.maximum,
        "enum": list(field.allowed.values) if field.allowed is not None and not yes_no else None,
    }
    constraints = {name: value for name, value in constraints.items() if value is not None}
    if constraints:
        description["constraints"] = constraints
    return description
