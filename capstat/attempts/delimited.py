"""Delimited text as spreadsheets of several countries write it."""

from __future__ import annotations

import contextlib
import csv
import io
import re
from itertools import islice
from typing import TYPE_CHECKING, Final

import numpy as np

from capstat.attempts.raw import ColumnBuilder, RawTable

if TYPE_CHECKING:
    from collections.abc import Iterator

    from capstat.attempts.findings import FindingLog

__all__ = ["MOST_COLUMNS", "read_delimited"]

MOST_COLUMNS: Final = 16_384
"""The width of a spreadsheet; a wider file is something else."""

_SEPARATORS: Final = (",", ";", "\t", "|")  # earlier ones win a tie
_CELLS_AT_ONCE: Final = 500_000
_LOOKED_AT: Final = 65_536
_ROWS_COMPARED: Final = 20
_BYTE_ORDER_MARKS: Final = ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"))
_CONTROL: Final = re.compile(rb"[\x00-\x08\x0e-\x1f\x7f]")
_BINARY_STARTS: Final = (b"%PDF", b"\xd0\xcf\x11\xe0", b"\x89PNG", b"\x1f\x8b", b"\xff\xd8\xff", b"{\\rtf")
_SEPARATOR_LINE: Final = re.compile(r'"?sep=(.)"?\s*', re.IGNORECASE)


def read_delimited(data: bytes, file: str, log: FindingLog) -> RawTable | None:
    """Read delimited text into columns; ``None`` when it cannot be used, with the reason in ``log``.

    Encodings: UTF-8 and UTF-16 with a byte-order mark, otherwise UTF-8, otherwise Windows-1252.  Separators:
    comma, semicolon, tab and vertical bar, whichever splits the first rows best.  Rows are counted as a
    spreadsheet does: a line break inside quotation marks does not begin a row, and an empty line has its
    number.
    """
    encoding = _encoding(data, file, log)
    if encoding is None:
        return None
    text = io.TextIOWrapper(io.BytesIO(data), encoding=encoding, newline="")
    separator, lines = _separator(text)
    return _Records(csv.reader(lines, delimiter=separator, strict=True), file, log).read(comma_decimal=separator == ";")


def _encoding(data: bytes, file: str, log: FindingLog) -> str | None:
    if not data.strip():
        log.add("error", "empty-file", "the file is empty", file=file, remedy="Save the spreadsheet again.")
        return None
    for mark, encoding in _BYTE_ORDER_MARKS:
        if data.startswith(mark):
            candidates: tuple[str, ...] = (encoding,)
            break
    else:
        controls = len(_CONTROL.findall(data[:_LOOKED_AT]))
        if data.startswith(_BINARY_STARTS) or b"\0" in data or controls > len(data[:_LOOKED_AT]) / 100:
            log.add(
                "error",
                "binary-file",
                "the file is not text",
                file=file,
                remedy="Save the spreadsheet as .xlsx or as CSV.",
            )
            return None
        candidates = ("utf-8", "cp1252")
    for encoding in candidates:
        try:
            data.decode(encoding)
        except UnicodeDecodeError:
            continue
        return encoding
    log.add(
        "error",
        "unknown-encoding",
        "the text is in no encoding that is understood",
        file=file,
        remedy='Save the spreadsheet as "CSV UTF-8".',
    )
    return None


def _separator(text: io.TextIOWrapper) -> tuple[str, Iterator[str]]:
    """Return the separator and the lines; a first line such as ``sep=;`` is an instruction and not a row."""
    first = text.readline(_LOOKED_AT)
    stated = _SEPARATOR_LINE.fullmatch(first)
    if stated is not None and stated[1] in _SEPARATORS:
        return stated[1], text
    text.seek(0)
    beginning = text.read(_LOOKED_AT)
    text.seek(0)
    return max(_SEPARATORS, key=lambda separator: _evidence(beginning, separator)), text


def _evidence(beginning: str, separator: str) -> tuple[float, int]:
    """Return how well a separator explains the first rows: how many are as wide as the first, and how wide."""
    widths: list[int] = []
    records = csv.reader(io.StringIO(beginning, newline=""), delimiter=separator)
    with contextlib.suppress(csv.Error):
        widths.extend(len(record) for record in islice(records, _ROWS_COMPARED) if any(map(str.strip, record)))
    if not widths or widths[0] == 1:
        return 0.0, 0
    return widths.count(widths[0]) / len(widths), widths[0]


class _Records:
    """Rows of one file on their way into columns."""

    __slots__ = ("_file", "_log", "_row", "_source", "_width")

    def __init__(self, source: Iterator[list[str]], file: str, log: FindingLog) -> None:
        self._source, self._file, self._log = self._counted(source), file, log
        self._row = 0
        self._width = 0

    def _counted(self, source: Iterator[list[str]]) -> Iterator[list[str]]:
        for record in source:
            self._row += 1
            yield record

    def read(self, *, comma_decimal: bool) -> RawTable | None:
        try:
            header = self._header()
            if header is None:
                return None
            self._width = len(header)
            builder = ColumnBuilder(self._width)
            rows: list[int] = []
            while (records := self._next_records(rows)) is not None:
                builder.add(records)
        except csv.Error as problem:
            self._log.add(
                "error",
                "unreadable-row",
                f"the row cannot be split into cells ({problem})",
                file=self._file,
                row=self._row + 1,
                remedy="Look for a quotation mark that is not closed, here or in a row above.",
            )
            return None
        numbers = np.array(rows, dtype=np.int64)
        return RawTable(self._file, tuple(header), builder.columns(), numbers, comma_decimal)

    def _header(self) -> list[str] | None:
        for record in self._source:
            if not any(map(str.strip, record)):
                continue
            if len(record) > MOST_COLUMNS:
                self._log.add(
                    "error",
                    "too-many-columns",
                    f"there are {len(record):,} columns",
                    file=self._file,
                    row=self._row,
                    remedy=f"A spreadsheet has at most {MOST_COLUMNS:,}.",
                )
                return None
            return [name.strip() for name in record]
        self._log.add("error", "empty-file", "the file is empty", file=self._file, remedy="Save the spreadsheet again.")
        return None

    def _next_records(self, rows: list[int]) -> list[list[str]] | None:
        """Return the next records that fit under the header and append their rows; ``None`` at the end."""
        width = self._width
        before = self._row
        records = list(islice(self._source, max(1, _CELLS_AT_ONCE // width)))
        if not records:
            return None
        kept = []
        for place, record in enumerate(records, start=before + 1):
            if len(record) == width and record[0]:  # nearly always
                kept.append(record)
                rows.append(place)
            elif any(map(str.strip, record)):
                if len(record) < width or any(map(str.strip, record[width:])):
                    self._ragged(place, len(record))
                else:
                    kept.append(record[:width])
                    rows.append(place)
        return kept

    def _ragged(self, row: int, cells: int) -> None:
        self._log.add(
            "error",
            "ragged-row",
            f"has {cells:,} cells, and the first row has {self._width:,}",
            file=self._file,
            row=row,
            remedy="Look for a missing separator, or for a text with a separator that needs quotation marks.",
        )
