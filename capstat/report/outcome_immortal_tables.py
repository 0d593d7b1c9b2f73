"""Death after capture against without, by methods that are wrong and right about time, as a table."""

from __future__ import annotations

from typing import TYPE_CHECKING

from capstat.report.outcome_words import all_of, begin, cell, end, method_words
from capstat.report.table import Table, estimates_frame
from capstat.report.wording import listed, plain_name

if TYPE_CHECKING:
    from capstat.outcomes.immortal import ImmortalComparison
    from capstat.outcomes.immortal_rows import ImmortalRow
    from capstat.results import Estimate

__all__ = ["immortal_table", "row_estimates"]

NAMES = ("hazard_ratio", "adjusted_hazard_ratio", "risk_difference", "risk_ratio")


def row_estimates(row: ImmortalRow) -> tuple[Estimate | None, ...]:
    """Return the four numbers of a row, in the order of the table."""
    return (row.hazard_ratio, row.adjusted_hazard_ratio, row.risk_difference, row.risk_ratio)


def immortal_table(found: ImmortalComparison) -> Table:
    """Return one row for each method, the biased one first and called so."""
    rows = []
    taken: set[str] = set()
    for row in found.rows:
        granted = "as above" if row.method in taken else end(row.assumption)
        taken.add(row.method)
        minutes = "" if row.at_min is None else f"{row.at_min:g}"
        patients = f"{row.n}" if row.n else "\u2013"
        rows.append((method_words(row), minutes, patients, *(cell(e) for e in row_estimates(row)), granted))
    flat = [(_label(row), e) for row in found.rows for e in row_estimates(row) if e is not None]
    adjusted = all_of([plain_name(name) for name in found.confounders], "nothing")
    notes = [
        f"Death, captured against not captured; risks by {found.horizon_min:g} min, differences in percentage points.",
        f"In parentheses limits at {100 * found.level:g} %.  Adjusted for: {adjusted}.",
        "Numbers below 1, or below 0, mean fewer deaths with capture.",
        *(
            end(f"{begin(_label(row))}: {why}")
            for row in found.rows for why in dict.fromkeys(_absent(row))
        ),
        *(end(begin(note)) for note in found.notes),
    ]  # fmt: skip
    if found.left_out:
        notes.append(f"Left out: {listed([f'{count} ({reason})' for reason, count in found.left_out])}.")
    return Table(
        "after_capture", "Death after capture: why the method matters",
        (
            "method", "minutes", "patients", "hazard ratio, crude", "hazard ratio, adjusted", "risk difference", "risk ratio",
            "what it takes for granted",
        ),
        tuple(rows), estimates_frame(flat), tuple(dict.fromkeys(notes)),
    )  # fmt: skip


def _label(row: ImmortalRow) -> str:
    head = "BIASED: naive" if row.biased else row.method
    return head if row.at_min is None else f"{head} {row.at_min:g} min"


def _absent(row: ImmortalRow) -> list[str]:
    """Why numbers are missing: those that the row does not give, and those without a value."""
    told = [why for _, why in row.reasons if not row.biased]
    return told + [e.reason for e in row_estimates(row) if e is not None and e.value is None]
