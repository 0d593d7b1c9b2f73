"""The cells of one column while they are converted: preparation of text, and findings with their place."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, TypeVar

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from capstat.attempts.echo import cell_to_show
from capstat.attempts.mapping import recode_key
from capstat.attempts.raw import NumberColumn, TextColumn, number_text
from capstat.attempts.vocabulary import MISSING_MARKS

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from capstat.attempts.field import Field
    from capstat.attempts.findings import FindingLog, Severity, Withheld
    from capstat.attempts.mapping import Recode
    from capstat.attempts.raw import RawColumn

__all__ = ["Cells", "look_up", "prepared_text"]

_MARKS: Final = pa.array(sorted(MISSING_MARKS), type=pa.string())
_Scalar = TypeVar("_Scalar", bound=np.generic)


def look_up(table: NDArray[_Scalar], codes: NDArray[np.int32], absent: object) -> NDArray[_Scalar]:
    """Return ``table[codes]``, and ``absent`` where the code is -1."""
    extended = np.append(table, np.array([absent], dtype=table.dtype))
    return extended[codes]


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """Where one column is, and which of its cells were refused so far (``bad``, written to)."""

    field: Field
    file: str
    rows: NDArray[np.int64]
    header: str | None
    comma_decimal: bool
    log: FindingLog
    bad: NDArray[np.bool_]

    def refuse(
        self,
        rule: str,
        where: NDArray[np.bool_],
        message: str,
        *,
        value: Callable[[int], str | Withheld | None] | None = None,
        remedy: str | None = None,
    ) -> None:
        """Report an error for each cell where ``where`` holds and count these cells as bad."""
        self.remark("error", rule, where, message, value=value, remedy=remedy)
        self.bad[where] = True

    def remark(
        self,
        severity: Severity,
        rule: str,
        where: NDArray[np.bool_],
        message: str,
        *,
        value: Callable[[int], str | Withheld | None] | None = None,
        remedy: str | None = None,
    ) -> None:
        """Report a finding for each cell where ``where`` holds; ``value`` gives a cell's text by position."""
        positions = np.flatnonzero(where)
        if len(positions):
            self.log.add_rows(
                severity,
                rule,
                message,
                file=self.file,
                rows=self.rows[positions],
                remedy=self.remedy() if remedy is None else remedy,
                column=self.field.name,
                value=None if value is None else lambda at: value(int(positions[at])),
                header=self.header,
            )

    def refuse_labels(self, text: TextColumn, problems: dict[int, tuple[str, str]], *, echo: bool = True) -> None:
        """Report every cell whose label has a problem (rule, message); ``echo`` shows it where it is harmless."""
        by_problem: dict[tuple[str, str], list[int]] = {}
        for label, problem in problems.items():
            by_problem.setdefault(problem, []).append(label)
        for (rule, message), labels in by_problem.items():
            affected = np.zeros(len(text.labels), dtype=bool)
            affected[labels] = True
            self.refuse(rule, look_up(affected, text.codes, False), message, value=self._echo(text) if echo else None)

    def remedy(self) -> str:
        """Return what the column accepts, as a sentence."""
        accepted = f"Enter {self.field.accepted()}"
        if self.field.required:
            return accepted + "."
        blank = f" ({self.field.blank_means})" if self.field.blank_means else ""
        return f"{accepted}, or leave the cell empty{blank}."

    def _echo(self, text: TextColumn) -> Callable[[int], str | Withheld]:
        return lambda at: cell_to_show(text.labels[int(text.codes[at])].as_py(), self.field)


def prepared_text(column: RawColumn, recode: Recode | None) -> tuple[TextColumn, TextColumn]:
    """Return a column trimmed and recoded, and the same with the marks for "not recorded" as absent cells."""
    text = _number_text(column) if isinstance(column, NumberColumn) else column
    labels = pc.utf8_trim_whitespace(text.labels)
    if recode:
        labels = pa.array([recode.get(recode_key(label), label) for label in labels.to_pylist()], type=pa.string())
    distinct = labels.dictionary_encode()  # labels may coincide now
    indices = distinct.indices.to_numpy(zero_copy_only=False).astype(np.int32)
    codes = look_up(indices, text.codes, -1)
    labels = distinct.dictionary
    missing = pc.is_in(pc.utf8_lower(labels), value_set=_MARKS).to_numpy(zero_copy_only=False).astype(bool)
    absent = look_up(missing, codes, True)
    return TextColumn(codes, labels), TextColumn(np.where(absent, np.int32(-1), codes), labels)


def _number_text(column: NumberColumn) -> TextColumn:
    codes, distinct = pd.factorize(column.values)
    labels = pa.array(map(number_text, distinct.tolist()), type=pa.string())
    return TextColumn(codes.astype(np.int32), labels)
