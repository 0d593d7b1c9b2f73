"""Every table on confirmation, by part of the section."""

from __future__ import annotations

from typing import TYPE_CHECKING

from capstat.report.corrected_tables import corrected_tables
from capstat.report.false_capture_tables import false_capture_tables
from capstat.report.sign_tables import sign_tables

if TYPE_CHECKING:
    from capstat.analysis import ConfirmationAnalysis
    from capstat.report.table import Table

__all__ = ["confirmation_tables", "false_capture_part", "sign_part", "threshold_part"]


def false_capture_part(found: ConfirmationAnalysis, suppress_below: int) -> list[Table]:
    """Tables of claimed and false capture."""
    return [] if found.false_capture is None else false_capture_tables(found.false_capture, suppress_below)


def sign_part(found: ConfirmationAnalysis, suppress_below: int) -> list[Table]:
    """Tables of signs."""
    return sign_tables(found.signs, suppress_below)


def threshold_part(found: ConfirmationAnalysis) -> list[Table]:
    """Tables of corrected thresholds."""
    return [] if found.corrected is None else corrected_tables(found.corrected)


def confirmation_tables(found: ConfirmationAnalysis, suppress_below: int) -> list[Table]:
    """All of them."""
    return [*false_capture_part(found, suppress_below), *sign_part(found, suppress_below), *threshold_part(found)]
