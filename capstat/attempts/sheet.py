"""One table whose cells have been understood one by one, with the place of each in its file."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from capstat.attempts.echo import number_to_show
from capstat.attempts.fields import field_named

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    import pandas as pd
    from numpy.typing import NDArray

    from capstat.attempts.field import Table
    from capstat.attempts.findings import FindingLog, Severity, Withheld
    from capstat.attempts.raw import RawColumn

__all__ = ["Sheet"]


@dataclass(frozen=True, slots=True, eq=False)
class Sheet:
    """A table after its cells were converted.

    Attributes
    ----------
    table : {"attempts", "steps", "periods", "patients"}
        Which table it is.
    file : str
        Name for findings.
    frame : DataFrame
        Every field of the table; identifiers are categoricals here, for speed.
    rows : ndarray of int64
        Row of each record as a spreadsheet shows it.
    given : frozenset of str
        Fields that the file has.
    headers : mapping of str to str
        Field to the column's name in the file, where the two differ.
    invalid : mapping of str to ndarray of bool
        Cells that broke a rule and were set to missing, for fields that have such cells.
    columns_read : tuple of RawColumn
        All columns of the file as they were read, also those that hold no field.
    """

    table: Table
    file: str
    frame: pd.DataFrame
    rows: NDArray[np.int64]
    given: frozenset[str] = frozenset()
    headers: Mapping[str, str] = field(default_factory=dict)
    invalid: Mapping[str, NDArray[np.bool_]] = field(default_factory=dict)
    columns_read: tuple[RawColumn, ...] = ()

    def __len__(self) -> int:
        """Return the number of records."""
        return len(self.rows)

    def numbers(self, name: str) -> NDArray[np.float64]:
        """Return a number column."""
        return self.frame[name].to_numpy(dtype=np.float64)

    def yes(self, name: str) -> NDArray[np.bool_]:
        """Return where a yes/no column says yes."""
        return self.frame[name].to_numpy(dtype=bool, na_value=False)

    def no(self, name: str) -> NDArray[np.bool_]:
        """Return where a yes/no column says no."""
        return ~self.frame[name].to_numpy(dtype=bool, na_value=True)

    def codes(self, name: str) -> NDArray[np.int64]:
        """Return the category codes of a column, -1 where missing."""
        return np.asarray(self.frame[name].cat.codes, dtype=np.int64)

    def is_word(self, name: str, *values: str) -> NDArray[np.bool_]:
        """Return where a category column holds one of ``values``."""
        return self.frame[name].isin(values).to_numpy()

    def broken(self, *names: str) -> NDArray[np.bool_]:
        """Return the records in which one of the cells could not be understood."""
        result = np.zeros(len(self), dtype=bool)
        for name in names:
            if name in self.invalid:
                result |= self.invalid[name]
        return result

    def report(
        self,
        log: FindingLog,
        rule: str,
        where: NDArray[np.bool_],
        column: str | None,
        message: str | Callable[[int], str],
        *,
        remedy: str,
        severity: Severity = "error",
    ) -> None:
        """Log one finding for each record where ``where`` holds, with the number in ``column``.

        A callable ``message`` is given the position of the record in the table.
        """
        positions = np.flatnonzero(where)
        if not len(positions):
            return
        numbers = None
        if column is not None and self.frame[column].dtype == np.float64:
            numbers = self.numbers(column)
        log.add_rows(
            severity,
            rule,
            message if isinstance(message, str) else lambda at: message(int(positions[at])),
            file=self.file,
            rows=self.rows[positions],
            remedy=remedy,
            column=column,
            value=None if numbers is None else lambda at: self._number_to_show(column, numbers[positions[at]]),
            header=None if column is None else self.headers.get(column),
        )

    def _number_to_show(self, column: str | None, number: float) -> str | Withheld | None:
        if column is None or np.isnan(number):
            return None
        return number_to_show(number, field_named(self.table, column))

    def report_repeats(
        self,
        log: FindingLog,
        rule: str,
        later: NDArray[np.intp],
        first: NDArray[np.intp],
        column: str | None,
        *,
        message: str,
        remedy: str,
        severity: Severity = "error",
    ) -> None:
        """Log a finding for each of ``later``; ``{row}`` in ``message`` is the row of its ``first``."""
        if len(later):
            log.add_rows(
                severity,
                rule,
                lambda at: message.format(row=self.rows[first[at]]),
                file=self.file,
                rows=self.rows[later],
                remedy=remedy,
                column=column,
                header=None if column is None else self.headers.get(column),
            )
