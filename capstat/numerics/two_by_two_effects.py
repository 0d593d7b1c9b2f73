"""Log risk ratio, log odds ratio and risk difference of each study's two-by-two table, with their variances."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from capstat.results import UsageError

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["Measure", "TableValues", "Tables", "checked_tables", "table_values"]

Measure = Literal["RR", "OR", "RD"]
CORRECTION = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Tables:
    """Two-by-two tables of k studies; all arrays have shape (k,).

    Attributes
    ----------
    a, b : ndarray
        With and without the event in the first group.
    c, d : ndarray
        The same in the second.
    """

    a: NDArray[np.float64]
    b: NDArray[np.float64]
    c: NDArray[np.float64]
    d: NDArray[np.float64]

    @property
    def no_contrast(self) -> NDArray[np.bool_]:
        """Where nobody, or everybody, had the event in both groups."""
        return np.asarray((self.a + self.c == 0) | (self.b + self.d == 0))


@dataclass(frozen=True, slots=True, eq=False)
class TableValues:
    """One value for each study; all arrays have shape (k,).

    Attributes
    ----------
    measure : str
        ``"RR"`` (log risk ratio), ``"OR"`` (log odds ratio) or ``"RD"`` (risk difference), first group against second.
    included : ndarray of bool
        Whether the study has a value.
    corrected : ndarray of bool
        Whether 0.5 was added to its four cells.
    yi, vi : ndarray, shape (number included,)
        Values and variances of the included studies, in their order.
    reasons : tuple of str
        For each study why it was left out; empty where it was not.
    method : str
        How.
    """

    measure: Measure
    included: NDArray[np.bool_]
    corrected: NDArray[np.bool_]
    yi: NDArray[np.float64]
    vi: NDArray[np.float64]
    reasons: tuple[str, ...]
    method: str


def checked_tables(events_1: Any, total_1: Any, events_2: Any, total_2: Any) -> Tables:
    """Make tables of counts of shape (k,).

    Raises
    ------
    UsageError
        When counts are not whole, negative, above their totals, or not one for each study, or a group is empty.
    """
    named = {
        "events_1": np.asarray(events_1, dtype=float),
        "total_1": np.asarray(total_1, dtype=float),
        "events_2": np.asarray(events_2, dtype=float),
        "total_2": np.asarray(total_2, dtype=float),
    }
    if any(x.ndim != 1 or x.shape != named["events_1"].shape or x.size == 0 for x in named.values()):
        raise UsageError("Events and totals need one number for each study in both groups.")
    for name, x in named.items():
        if not np.isfinite(x).all() or (x < 0).any() or (x != np.round(x)).any():
            raise UsageError(f"{name} must hold whole numbers that are not negative.")
    for group in ("1", "2"):
        events, total = named[f"events_{group}"], named[f"total_{group}"]
        if (total == 0).any():
            raise UsageError(f"total_{group} must be at least 1 in every study.")
        if (events > total).any():
            raise UsageError(f"events_{group} must not be above total_{group}.")
    a, n1, c, n2 = named.values()
    return Tables(a, n1 - a, c, n2 - c)


def table_values(events_1: Any, total_1: Any, events_2: Any, total_2: Any, *, measure: Measure) -> TableValues:
    """Work out each study's value, first group against second, and its large-sample variance.

    0.5 is added to all four cells of a table that has a zero, and to no other.  Where nobody or everybody had the event
    in both groups, ratios tell nothing about their direction and the study is left out; a risk difference keeps it.

    Parameters
    ----------
    events_1, total_1, events_2, total_2 : array-like of int, shape (k,)
        Events and group sizes.
    measure : {"RR", "OR", "RD"}
        Which value.

    Raises
    ------
    UsageError
        When counts are impossible or the measure is unknown.
    """
    if measure not in {"RR", "OR", "RD"}:
        raise UsageError(f"measure is 'RR', 'OR' or 'RD', not {measure!r}.")
    tables = checked_tables(events_1, total_1, events_2, total_2)
    cells = np.stack([tables.a, tables.b, tables.c, tables.d])
    corrected = (cells == 0).any(axis=0)
    a, b, c, d = cells + CORRECTION * corrected
    n1, n2 = a + b, c + d
    if measure == "RR":
        values, variances = np.log(a / n1) - np.log(c / n2), b / (a * n1) + d / (c * n2)
    elif measure == "OR":
        values, variances = np.log(a) - np.log(b) - np.log(c) + np.log(d), 1 / a + 1 / b + 1 / c + 1 / d
    else:
        values, variances = a / n1 - c / n2, a * b / n1**3 + c * d / n2**3
    dropped = tables.no_contrast & (measure != "RD")
    who = np.where(tables.a + tables.c == 0, "Nobody", "Everybody")
    reasons = tuple(
        f"{one} had the event in both groups: a ratio tells nothing here." if drop else ""
        for one, drop in zip(who, dropped, strict=True)
    )
    words = {"RR": "log risk ratio", "OR": "log odds ratio", "RD": "risk difference"}[measure]
    return TableValues(
        measure=measure,
        included=~dropped,
        corrected=corrected & ~dropped,
        yi=values[~dropped],
        vi=variances[~dropped],
        reasons=reasons,
        method=f"{words}, first group against second, 0.5 added to all cells of tables with a zero",
    )
