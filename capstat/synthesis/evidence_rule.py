"""What a rule of the evidence table is, and what it says when it is broken."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from capstat.attempts.raw import number_text

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from capstat.attempts.findings import FindingLog, Severity
    from capstat.synthesis.study_arm import StudyArm

__all__ = ["COMPARISON_LIMITS", "CURRENTS", "ArmRule", "Complaint", "Record", "shown"]

CURRENTS: Final = ("mean_ma", "sd_ma", "median_ma", "q1_ma", "q3_ma", "minimum_ma", "maximum_ma")
"""Fields that describe the currents of an arm."""

COMPARISON_LIMITS: Final = {
    "difference_ma": ("difference_lower_ma", "difference_upper_ma"),
    "ratio": ("ratio_lower", "ratio_upper"),
}
"""Estimates of a comparison with their confidence limits."""


@dataclass(frozen=True, slots=True)
class Complaint:
    """What is wrong with one field of a record; ``message`` ends a sentence that begins with place and value."""

    column: str
    message: str
    remedy: str = ""


@dataclass(frozen=True, slots=True)
class Record:
    """A record as it was read, and the fields whose cells were not understood."""

    arm: StudyArm
    bad: frozenset[str] = frozenset()

    def complain(self, log: FindingLog, severity: Severity, rule: str, complaint: Complaint) -> None:
        """Keep a complaint about this record."""
        value = shown(getattr(self.arm, complaint.column))
        log.add(
            severity,
            rule,
            complaint.message,
            file=self.arm.source,
            row=self.arm.row,
            column=complaint.column,
            value=value or None,
            remedy=complaint.remedy,
        )


@dataclass(frozen=True, slots=True)
class ArmRule:
    """A rule that one record keeps or breaks.

    Attributes
    ----------
    name : str
        Short stable name.
    severity : {"error", "warning"}
        An error keeps the file from being used.
    find : callable
        Yields what is wrong with a record.
    needs : tuple of str
        Fields whose absence is part of the rule; where one of their cells was not understood the rule says nothing.
    """

    name: str
    severity: Severity
    find: Callable[[StudyArm], Iterator[Complaint]]
    needs: tuple[str, ...] = ()

    def check(self, record: Record, log: FindingLog) -> None:
        """Keep what is wrong with a record."""
        if record.bad.isdisjoint(self.needs):
            for complaint in self.find(record.arm):
                record.complain(log, self.severity, self.name, complaint)


def shown(value: object) -> str:
    """Return a value as a file holds it; empty where there is none."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return number_text(float(value))
    return " ".join(value) if isinstance(value, tuple) else str(value)
