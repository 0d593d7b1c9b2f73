"""One record of the evidence table."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

    from capstat.attempts.findings import Finding

__all__ = ["EvidenceTable", "StudyArm"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyArm:
    """One arm of a study under one definition of capture; attributes are the fields of `EVIDENCE_FIELDS`.

    Text is ``""`` and a number ``None`` where nothing was reported.  Currents are in mA, the pulse width in ms.
    ``source`` is the file that the record came from, ``row`` its row there.
    """

    arm: str
    study: str
    citation: str
    design: str
    population: str
    age_group: str
    urgency: str
    setting: str
    placement: str
    paced: bool
    counted: str
    provenance: str
    seen_in: str
    doi: str = ""
    pmid: int | None = None
    year: int | None = None
    pads: str = ""
    pulse_width_ms: float | None = None
    max_output_ma: float | None = None
    n: int | None = None
    capture_definition: str = ""
    n_captured: int | None = None
    current_means: str = ""
    non_capture: str = ""
    imputed_as_ma: float | None = None
    n_current: int | None = None
    mean_ma: float | None = None
    sd_ma: float | None = None
    median_ma: float | None = None
    q1_ma: float | None = None
    q3_ma: float | None = None
    minimum_ma: float | None = None
    maximum_ma: float | None = None
    compared_with: str = ""
    n_pairs: int | None = None
    difference_ma: float | None = None
    difference_lower_ma: float | None = None
    difference_upper_ma: float | None = None
    ratio: float | None = None
    ratio_lower: float | None = None
    ratio_upper: float | None = None
    interval_percent: float | None = None
    outcome: str = ""
    outcome_events: int | None = None
    outcome_n: int | None = None
    overlaps: tuple[str, ...] = ()
    not_pooled: str = ""
    derived: str = ""
    notes: str = ""
    source: str = ""
    row: int | None = None

    @property
    def short_citation(self) -> str:
        """First author and year, or the code of the study where the authors are not known."""
        author = re.split(r",| et al|\. ", self.citation)[0].strip()
        # initials stand behind the surname
        surname = re.sub(r"( [A-Z]{1,3})$", "", author)
        known = surname and len(surname) <= 25 and surname[0].isupper() and " " not in surname
        return f"{surname} {self.year}" if known and self.year else self.study


@dataclass(frozen=True, slots=True)
class EvidenceTable:
    """Records of one or several files, in their order.

    Attributes
    ----------
    arms : tuple of StudyArm
        The records.
    sources : tuple of str
        Names of the files.
    fingerprint : str
        SHA-256 of the content of the files.
    findings : tuple of Finding
        Warnings: what a reader should know, but what does not keep the records from being used.
    """

    arms: tuple[StudyArm, ...]
    sources: tuple[str, ...]
    fingerprint: str
    findings: tuple[Finding, ...] = ()

    def __iter__(self) -> Iterator[StudyArm]:
        """Iterate over the records."""
        return iter(self.arms)

    def __len__(self) -> int:
        """Count the records."""
        return len(self.arms)

    def arm(self, code: str) -> StudyArm:
        """The record of that code; ``KeyError`` when there is none."""
        for found in self.arms:
            if found.arm == code:
                return found
        raise KeyError(code)
