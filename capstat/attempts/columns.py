"""Which column of a file holds which field, and what becomes of the columns that hold none."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from itertools import islice
from typing import TYPE_CHECKING, Final

import numpy as np

from capstat.attempts.findings import printable
from capstat.attempts.mapping import fields_in_file
from capstat.attempts.privacy import personal_content, personal_header
from capstat.attempts.raw import NumberColumn, spreadsheet_letter
from capstat.attempts.units import energy_header
from capstat.attempts.vocabulary import is_missing, word_key

if TYPE_CHECKING:
    from collections.abc import Iterator

    from capstat.attempts.field import Field, Table
    from capstat.attempts.findings import FindingLog
    from capstat.attempts.mapping import TableMapping
    from capstat.attempts.raw import RawColumn, RawTable

__all__ = ["ColumnPlan", "plan_columns"]

_MOST_NAMED: Final = 10
_MOST_SAMPLED: Final = 20_000


@dataclass(frozen=True, slots=True)
class ColumnPlan:
    """Where each field is found: ``sources`` gives the column, ``headers`` its name where that differs."""

    sources: dict[str, int]
    headers: dict[str, str]


def plan_columns(
    raw: RawTable,
    table: Table,
    mapping: TableMapping,
    mapping_name: str,
    log: FindingLog,
    *,
    with_steps: bool,
) -> ColumnPlan | None:
    """Match the columns of a file to fields; ``None`` when none is recognised.

    ``with_steps`` says whether the study has a steps table, so that attempts need their code.
    """
    planner = _Planner(raw, mapping, mapping_name, log)
    fields = fields_in_file(table)
    sources = {field.name: at for field in fields if (at := planner.find(field)) is not None}
    if not sources:
        # The first row may be data, so nothing of it is repeated.
        planner.error(
            "no-header",
            "no column is recognised",
            "The first row must hold the column names; see `capstat fields`.",
        )
        return None
    for field in fields:
        needed = field.required or (with_steps and field.name == "attempt_id")
        given = field.name in sources or field.name in mapping.constants or field.name in mapping.columns
        if needed and not given:
            planner.error("missing-column", "the column is missing", f"It holds the {field.meaning}.", field.name)
    planner.check_unused(set(sources.values()))
    planner.check_used(sources, {field.name: field for field in fields})
    return ColumnPlan(sources, planner.headers_to_show(sources))


class _Planner:
    """Looks at the headers of one file and reports what is wrong with them."""

    __slots__ = ("_log", "_mapping", "_mapping_name", "_places", "_raw")

    def __init__(self, raw: RawTable, mapping: TableMapping, mapping_name: str, log: FindingLog) -> None:
        self._raw, self._mapping, self._mapping_name, self._log = raw, mapping, mapping_name, log
        self._places: dict[str, list[int]] = defaultdict(list)
        for at, header in enumerate(raw.headers):
            if header.strip():
                self._places[_header_key(header)].append(at)

    def error(self, rule: str, message: str, remedy: str, column: str | None = None) -> None:
        self._log.add("error", rule, message, file=self._raw.file, column=column, remedy=remedy)

    def find(self, field: Field) -> int | None:
        """Return the column that holds a field."""
        theirs = self._mapping.columns.get(field.name)
        if theirs is None and field.name in self._mapping.constants:
            return None
        places = self._places.get(_header_key(field.name if theirs is None else theirs), [])
        if theirs is not None and not places:
            shown = "the column" if personal_header(theirs) else f'the column "{printable(theirs)}"'
            self._log.add(
                "error",
                "mapping-column-missing",
                f"{shown} given for {field.name} is not in {self._raw.file}",
                file=self._mapping_name,
                remedy="Write the column's name as in the first row of the file.",
            )
        if len(places) > 1:
            letters = ", ".join(map(spreadsheet_letter, places[:_MOST_NAMED]))
            self.error(
                "duplicate-column",
                f"{len(places)} columns have this name: {letters}",
                "Rename or delete all but one.",
                field.name,
            )
        return places[0] if places else None

    def check_used(self, sources: dict[str, int], fields: dict[str, Field]) -> None:
        """Refuse personal columns that are used as a field, and doubt currents under an energy's name.

        A refused column is taken out of ``sources``, so that none of its cells can appear in a message.
        """
        for name, at in list(sources.items()):
            header = self._raw.headers[at]
            what = personal_header(header)
            if what is None and fields[name].kind == "identifier":
                what = personal_content(_labels(self._raw.columns[at]))
            if what is not None:
                self.error(
                    "personal-column",
                    f"column {spreadsheet_letter(at)} looks like {what} and is used as {name}",
                    "Remove it from the file; use study codes that lead to nobody.",
                )
                if fields[name].kind != "identifier":  # those are never repeated, and they link the tables
                    del sources[name]
            elif fields[name].unit == "mA" and energy_header(header):
                self._log.add(
                    "warning",
                    "header-of-energy",
                    "the column's name speaks of energy or voltage",
                    column=name,
                    file=self._raw.file,
                    header=header,
                    remedy="Make sure that its numbers are currents in mA.",
                )

    def check_unused(self, used: set[int]) -> None:
        """Warn of columns that are left out; name those that are harmless and only point to the others."""
        ignored = {_header_key(name) for name in self._mapping.ignore}
        unknown = []
        for at, header in enumerate(self._raw.headers):
            if at in used or (header.strip() and _header_key(header) in ignored):
                continue
            what = (
                personal_header(header)
                or personal_content([header])
                or personal_content(_labels(self._raw.columns[at]))
            )
            if what is not None:
                self._log.add(
                    "warning",
                    "personal-column",
                    f"column {spreadsheet_letter(at)} looks like {what} and was dropped",
                    file=self._raw.file,
                    remedy="Delete it from the file before the file is passed on.",
                )
            elif header.strip():
                unknown.append(f'"{printable(header)}"')
            elif any(_labels(self._raw.columns[at])):
                unknown.append(f"column {spreadsheet_letter(at)} (without a name)")
        if unknown:
            more = f" and {len(unknown) - _MOST_NAMED:,} more" if len(unknown) > _MOST_NAMED else ""
            self._log.add(
                "warning",
                "unknown-columns",
                file=self._raw.file,
                occurrences=len(unknown),
                message=f"{_counted(len(unknown))} not used: {', '.join(unknown[:_MOST_NAMED])}{more}",
                remedy="Map them to fields or list them under ignore in a mapping file.",
            )

    def headers_to_show(self, sources: dict[str, int]) -> dict[str, str]:
        """Return the local names that may appear in messages."""
        return {
            name: header
            for name, at in sources.items()
            if _header_key(header := self._raw.headers[at]) != _header_key(name) and personal_header(header) is None
        }


def _counted(columns: int) -> str:
    return "1 column is" if columns == 1 else f"{columns:,} columns are"


def _header_key(header: str) -> str:
    # A header of marks only ("%", "#") has no letters to compare.
    return word_key(header) or header.strip()


def _labels(column: RawColumn) -> Iterator[str]:
    """Yield distinct cells of a column, missing ones left out; numbers as text."""
    if isinstance(column, NumberColumn):
        distinct = np.unique(column.values[:_MOST_SAMPLED])
        yield from (f"{number:.15g}" for number in distinct if np.isfinite(number))
        return
    for label in islice(column.labels, _MOST_SAMPLED):
        text = label.as_py().strip()
        if not is_missing(text):
            yield text
