"""Rules about where a record comes from."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from capstat.synthesis.evidence_fields import EVIDENCE_FIELDS
from capstat.synthesis.evidence_rule import ArmRule, Complaint

if TYPE_CHECKING:
    from collections.abc import Iterator

    from capstat.synthesis.study_arm import StudyArm

__all__ = ["FIGURES", "ORIGIN_RULES"]

FIGURES: Final = tuple(
    field.name for field in EVIDENCE_FIELDS if field.kind in ("number", "whole") and field.name not in ("pmid", "year")
)
"""Fields that hold a number read in a study."""

_DOI: Final = re.compile(r"10\.[0-9]{4,9}/\S+")
_YEAR: Final = re.compile(r"(?<![0-9])(?:19|20)[0-9]{2}(?![0-9])")


def _memory_numbers(arm: StudyArm) -> Iterator[Complaint]:
    for name in FIGURES:
        if arm.provenance == "memory" and getattr(arm, name) is not None:
            yield Complaint(
                name,
                "is a number in a record known from memory only",
                "Leave the cell empty, or read the study and set provenance to own.",
            )


def _what_was_read(arm: StudyArm) -> Iterator[Complaint]:
    if arm.provenance == "memory" and arm.seen_in not in ("", "not-seen"):
        yield Complaint("seen_in", "contradicts provenance, memory", "Set seen_in to not-seen, or provenance to own.")
    if arm.provenance == "verified" and arm.seen_in == "not-seen":
        yield Complaint("seen_in", "contradicts provenance, verified", "Say what was read: abstract, paper, secondary.")


def _doi(arm: StudyArm) -> Iterator[Complaint]:
    if arm.doi and not _DOI.fullmatch(arm.doi):
        yield Complaint("doi", "is no DOI", "A DOI begins with 10. and holds a slash, without an address before it.")


def _pmid(arm: StudyArm) -> Iterator[Complaint]:
    if arm.pmid is not None and arm.pmid == arm.year:
        yield Complaint("pmid", "is the year", "Enter the PubMed number, or leave the cell empty.")


def _year(arm: StudyArm) -> Iterator[Complaint]:
    years = _YEAR.findall(arm.citation)
    if arm.year is not None and years and str(arm.year) not in years:
        yield Complaint("year", "is not in the citation", "Check both.")


def _overlaps_itself(arm: StudyArm) -> Iterator[Complaint]:
    if arm.arm in arm.overlaps:
        yield Complaint("overlaps", "names the record itself", "Name other records only.")


ORIGIN_RULES: Final = (
    ArmRule("number-from-memory", "error", _memory_numbers),
    ArmRule("what-was-read", "error", _what_was_read),
    ArmRule("doi-form", "error", _doi),
    ArmRule("pmid-is-year", "error", _pmid),
    ArmRule("year-not-in-citation", "warning", _year),
    ArmRule("overlaps-itself", "error", _overlaps_itself, ("arm",)),
)
"""Rules about origin; the tests break each of them."""
