"""What the data owner is told about column names: which are missing, which are not used, and how to map them."""

from __future__ import annotations

import difflib
from itertools import islice
from typing import TYPE_CHECKING, Final

import numpy as np

from capstat.attempts.echo import name_to_show, named
from capstat.attempts.findings import counted, printable
from capstat.attempts.headers import header_key, looks_like_data, mapping_example, near_misses
from capstat.attempts.privacy import personal_column
from capstat.attempts.raw import NumberColumn, number_text, spreadsheet_letter
from capstat.attempts.vocabulary import is_missing

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from capstat.attempts.field import Field, Table
    from capstat.attempts.findings import FindingLog
    from capstat.attempts.raw import RawColumn, RawTable

__all__ = ["HeaderReport", "labels"]

_MOST_NAMED: Final = 10
_MOST_SEEN: Final = 30
_MOST_SAMPLED: Final = 20_000
_HOW_TO_MAP: Final = (
    "Rename columns in the file, or say in a mapping file which is which; a value that is the same in every row "
    "can stand there under constants."
)


class HeaderReport:
    """Findings about the headers of one file; a header that may point to a person is never repeated."""

    __slots__ = ("_log", "_mapping_name", "_raw", "_table")

    def __init__(self, raw: RawTable, table: Table, mapping_name: str, log: FindingLog) -> None:
        self._raw, self._table, self._mapping_name, self._log = raw, table, mapping_name, log

    def personal(self, at: int) -> str | None:
        """Return what makes a column point to a person, or ``None``."""
        column = self._raw.columns[at]
        return personal_column(self._raw.headers[at], list(labels(column)), _filled(column))

    def near_misses(self, columns: Sequence[int], absent: Sequence[Field]) -> dict[str, str]:
        """Return, by the name of an absent field, the one of ``columns`` that nearly has this name."""
        shown = [header for at in columns if (header := self._raw.headers[at]).strip() and name_to_show(header)]
        return near_misses(shown, absent)

    def unknown(self, columns: Sequence[int], near: Mapping[str, str]) -> None:
        """Warn, once, of harmless columns that are left out; the misspelt ones are named first."""
        if not columns:
            return
        headers, meant = self._raw.headers, {header: name for name, header in near.items()}
        shown = []
        for at in sorted(columns, key=lambda at: headers[at] not in meant)[:_MOST_NAMED]:
            question = f" (did you mean {meant[headers[at]]}?)" if headers[at] in meant else ""
            shown.append(f"{_shown(at, headers[at])}{question}")
        one = len(columns) == 1
        self._log.add(
            "warning",
            "unknown-columns",
            file=self._raw.file,
            occurrences=len(columns),
            stands_for="column",
            message=f"{counted(len(columns), 'column')} {'is' if one else 'are'} not used: "
            f"{', '.join(shown)}{_more(len(columns) - _MOST_NAMED)}",
            remedy=f"Map {'it to a field or list it' if one else 'them to fields or list them'} under ignore "
            "in a mapping file.",
        )

    def missing(self, fields: Sequence[Field], near: Mapping[str, str]) -> None:
        """Report columns that must be there, and after the last one how to say which columns hold them."""
        for field in fields:
            header = near.get(field.name)
            remedy = f'The file has "{printable(header)}"; did you mean {field.name}? ' if header else ""
            remedy += f"It holds: {field.meaning}."
            last = field is fields[-1]
            self._log.add(
                "error",
                "missing-column",
                "the column is missing",
                file=self._raw.file,
                column=field.name,
                remedy=f"{remedy} {self._columns_seen()}{_HOW_TO_MAP}" if last else remedy,
                example=mapping_example(self._table, fields, near, self._mapping_name) if last else "",
            )

    def no_header(self, fields: Sequence[Field], wanted: Sequence[Field]) -> None:
        """Report a file of which no column is recognised; ``wanted`` are the fields that it needs."""
        data = looks_like_data(self._raw.headers)
        near = {} if data else self.near_misses([at for at in self._named() if self.personal(at) is None], fields)
        self._log.add(
            "error",
            "no-header",
            "no column is recognised",
            file=self._raw.file,
            remedy=" ".join(
                [
                    "The first row must hold the column names, which `capstat fields` lists"
                    + ("; it looks like data." if data else "."),
                    *(f'The file has "{printable(header)}"; did you mean {name}?' for name, header in near.items()),
                    f"{self._columns_seen()}{_HOW_TO_MAP}",
                ]
            ),
            example=mapping_example(self._table, wanted, near, self._mapping_name),
        )

    def mapped_column_missing(self, name: str, theirs: str) -> None:
        """Report a column that the mapping gives for the field ``name`` and that the file does not have."""
        known = (
            {}
            if looks_like_data(self._raw.headers)
            else {header_key(self._raw.headers[at]): at for at in self._named()}
        )
        similar = difflib.get_close_matches(
            header_key(theirs), [key for key, at in known.items() if not self.personal(at)], 1
        )
        question = (
            f"Did you mean {_shown(known[similar[0]], self._raw.headers[known[similar[0]]])}?"
            if similar
            else self._columns_seen()
        )
        self._log.add(
            "error",
            "mapping-column-missing",
            f"the column {named(theirs, '')}".strip() + f" given for {name} is not in {self._raw.file}",
            file=self._mapping_name,
            remedy=f"Write the column's name as in the first row of the file. {question}".strip(),
        )

    def _named(self) -> list[int]:
        return [at for at, header in enumerate(self._raw.headers) if header.strip()]

    def _columns_seen(self) -> str:
        """Return a sentence that names the columns of the file; empty when the first row may be data."""
        columns = self._named()
        if not columns or looks_like_data(self._raw.headers):
            return ""
        shown = [
            f"column {spreadsheet_letter(at)}" if self.personal(at) else _shown(at, self._raw.headers[at])
            for at in columns[:_MOST_SEEN]
        ]
        return f"The columns of the file are: {', '.join(shown)}{_more(len(columns) - _MOST_SEEN)}. "


def labels(column: RawColumn) -> Iterator[str]:
    """Yield distinct cells of a column, missing ones left out; numbers as text."""
    if isinstance(column, NumberColumn):
        distinct = np.unique(column.values[:_MOST_SAMPLED])
        yield from map(number_text, distinct[np.isfinite(distinct)].tolist())
        return
    for label in islice(column.labels, _MOST_SAMPLED):
        text = label.as_py().strip()
        if not is_missing(text):
            yield text


def _shown(at: int, header: str) -> str:
    letter = f"column {spreadsheet_letter(at)}"
    return named(header, letter) if header.strip() else f"{letter} (without a name)"


def _filled(column: RawColumn) -> int:
    """Return how many of the cells that `labels` looks at hold something."""
    if isinstance(column, NumberColumn):
        return int(np.count_nonzero(~np.isnan(column.values[:_MOST_SAMPLED])))
    looked_at = min(len(column.labels), _MOST_SAMPLED) / max(len(column.labels), 1)
    return int(np.count_nonzero(column.codes >= 0) * looked_at)


def _more(count: int) -> str:
    return f" and {count:,} more" if count > 0 else ""
