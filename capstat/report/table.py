"""A table for a reader and for a program, and estimates as its rows."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from capstat.report.wording import interval_text, value_text

if TYPE_CHECKING:
    from collections.abc import Iterable

    from capstat.results import Estimate

__all__ = [
    "Table",
    "estimate_cells",
    "estimates_frame",
    "level_text",
    "parts",
    "shown_estimate",
    "small",
    "table_text",
    "word_rows",
]


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """A table for a reader and for a program.

    Attributes
    ----------
    name : str
        File name without ending.
    title : str
        Heading.
    columns : tuple of str
        Column heads as shown.
    rows : tuple of tuple of str
        Cells as shown.
    frame : pandas.DataFrame
        The same content as plain numbers, one estimate to a row.
    notes : tuple of str
        Footnotes.
    """

    name: str
    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    frame: pd.DataFrame
    notes: tuple[str, ...] = ()


def estimates_frame(rows: Iterable[tuple[str, Estimate]]) -> pd.DataFrame:
    """One row for each estimate, unrounded, with everything that is needed to use it."""
    columns = [
        "group", "quantity", "direction", "value", "lower", "upper", "level", "unit", "scale", "identified_above",
        "identified_up_to", "p_value", "patients", "method", "reason", "notes",
    ]  # fmt: skip
    return pd.DataFrame(
        [
            {
                "group": group,
                "quantity": e.quantity,
                "direction": e.direction,
                "value": e.value,
                "lower": e.lower,
                "upper": e.upper,
                "level": e.level,
                "unit": e.unit,
                "scale": e.scale,
                "identified_above": e.identified[0] if e.identified else None,
                "identified_up_to": e.identified[1] if e.identified else None,
                "p_value": e.p_value,
                "patients": e.n,
                "method": e.method,
                "reason": e.reason,
                "notes": "; ".join(e.notes),
            }
            for group, e in rows
        ],
        columns=columns,
    )


NOT_SHOWN = "not shown"
# characters of a table on a terminal, and of the narrowest folded column
WIDEST, FOLDED = 118, 11
# letters of the longest word that is not broken
WHOLE = 13


def small(count: int, suppress_below: int) -> str:
    return f"<{suppress_below}" if 0 < count < suppress_below else f"{count}"


def parts(counts: list[int], suppress_below: int) -> list[str]:
    """Counts that add up to a known total: where the hidden ones would follow by subtraction, the next smallest goes too."""
    shown = [small(count, suppress_below) for count in counts]
    hidden = [count for count in counts if 0 < count < suppress_below]
    visible = [count for count in counts if count >= suppress_below and count > 0]
    # all ones, or all as large as a hidden count can be: then they are known as well
    known = sum(hidden) in (len(hidden), len(hidden) * (suppress_below - 1))
    if hidden and visible and (len(hidden) == 1 or sum(hidden) < suppress_below or known):
        shown[counts.index(min(visible))] = NOT_SHOWN
    return shown


def shown_estimate(estimate: Estimate) -> tuple[str, str]:
    limits = interval_text(estimate)
    if estimate.value is None:
        reason = estimate.reason.rstrip(".")
        limits = "" if estimate.lower is None else limits
        return reason if reason.startswith("not ") else f"not estimable: {reason}", limits
    return value_text(estimate), limits


def estimate_cells(
    rows: Iterable[tuple[str, Estimate]],
) -> tuple[tuple[tuple[str, str, str], ...], pd.DataFrame]:
    """Shown cells (group, value, limits) and the frame of the same estimates."""
    listed = list(rows)
    return tuple((group, *shown_estimate(e)) for group, e in listed), estimates_frame(listed)


def level_text(estimate: Estimate) -> str:
    return f"{100 * estimate.level:g} % CI"


def _column_sizes(rows: list[tuple[str, ...]], width: int) -> list[int]:
    """Widths of the columns: those of their cells, the widest ones folded until the table fits."""
    columns = range(len(rows[0]))
    sizes = [max(len(row[k]) for row in rows) for k in columns]
    # words of usual length stay whole
    least = [
        max(FOLDED, min(WHOLE, max(len(word) for row in rows for word in [*row[k].replace("-", " ").split(), ""])))
        for k in columns
    ]
    while sum(sizes) + 2 * len(sizes) > width:
        spare = [size - smallest for size, smallest in zip(sizes, least, strict=True)]
        if max(spare) <= 0:
            break
        widest = max(columns, key=lambda k: sizes[k] if spare[k] > 0 else 0)
        sizes[widest] -= 1
    return sizes


def _folded(row: tuple[str, ...], sizes: list[int]) -> list[str]:
    """Lines of one row."""
    cells = [textwrap.wrap(cell, size) or [""] for cell, size in zip(row, sizes, strict=True)]
    depth = max(map(len, cells))
    lines = zip(*(cell + [""] * (depth - len(cell)) for cell in cells), strict=True)
    return ["  ".join(part.ljust(size) for part, size in zip(line, sizes, strict=True)).rstrip() for line in lines]


def table_text(table: Table, width: int = 100) -> str:
    """Return the table for a terminal: aligned columns, cells folded where it would be too wide, footnotes below."""
    sizes = _column_sizes([table.columns, *table.rows], WIDEST)
    lines = [line for row in table.rows for line in _folded(row, sizes)]
    notes = [line for note in table.notes for line in textwrap.wrap(note, width)]
    rule = "-" * (sum(sizes) + 2 * (len(sizes) - 1))
    body = [*_folded(table.columns, sizes), rule, *lines, *notes]
    return "\n".join([table.title, *(f"  {line}" for line in body)]) + "\n"


def word_rows(rows: list[tuple[str, str, Estimate]]) -> tuple[tuple[tuple[str, ...], ...], pd.DataFrame]:
    """Shown cells (group, words, value, limits) and the frame of the same estimates."""
    cells, frame = estimate_cells((group, e) for group, _, e in rows)
    return tuple((g, words, v, limits) for (g, v, limits), (_, words, _) in zip(cells, rows, strict=True)), frame
