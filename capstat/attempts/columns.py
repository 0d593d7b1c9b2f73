"""Which column of a file holds which field, and what becomes of the columns that hold none."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from capstat.attempts.echo import name_to_show
from capstat.attempts.header_report import HeaderReport, labels
from capstat.attempts.headers import header_key
from capstat.attempts.mapping import fields_in_file
from capstat.attempts.privacy import mostly_record_numbers, personal_use
from capstat.attempts.raw import spreadsheet_letter
from capstat.attempts.units import energy_header

if TYPE_CHECKING:
    from capstat.attempts.field import Field, Table
    from capstat.attempts.findings import FindingLog
    from capstat.attempts.mapping import TableMapping
    from capstat.attempts.raw import RawTable

__all__ = ["ColumnPlan", "plan_columns"]

_MOST_NAMED: Final = 10
_SUMMARY: Final = ("highest_no_capture_ma", "lowest_capture_ma")


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
    linked: bool,
) -> ColumnPlan | None:
    """Match the columns of a file to fields; ``None`` when none is recognised or a needed one is missing.

    ``with_steps`` says whether the study has a steps table, ``linked`` whether it has a table that needs the
    attempts' codes.
    """
    report = HeaderReport(raw, table, mapping_name, log)
    planner = _Planner(raw, mapping, report, log)
    fields = fields_in_file(table)
    sources = {field.name: at for field in fields if (at := planner.find(field)) is not None}
    needed = [field for field in fields if field.required or (linked and field.name == "attempt_id")]
    summary = [field for field in fields if table == "attempts" and field.name in _SUMMARY]
    if not sources:
        report.no_header(fields, needed if with_steps else [*needed, *summary])
        return None
    absent = [field for field in fields if field.name not in {*sources, *mapping.constants, *mapping.columns}]
    unknown = planner.unknown_columns(set(sources.values()))
    near = report.near_misses(unknown, absent)
    # Without a misspelt summary column every attempt would count as captured at once, or as never captured.
    wanted = [field for field in summary if field.name in near]
    if not wanted and not with_steps and all(field in absent for field in summary):
        wanted = summary
    missing = [field for field in absent if field in needed or field in wanted]
    if missing:
        report.missing(missing, near)
    else:
        report.unknown(unknown, near)
    planner.check_used(sources, {field.name: field for field in fields})
    if missing or any(field.name not in {*sources, *mapping.constants} for field in needed):
        return None
    return ColumnPlan(sources, planner.headers_to_show(sources))


class _Planner:
    """Looks at the headers of one file and reports what is wrong with those that are used."""

    __slots__ = ("_log", "_mapping", "_places", "_raw", "_report")

    def __init__(self, raw: RawTable, mapping: TableMapping, report: HeaderReport, log: FindingLog) -> None:
        self._raw, self._mapping, self._report, self._log = raw, mapping, report, log
        self._places: dict[str, list[int]] = defaultdict(list)
        for at, header in enumerate(raw.headers):
            if header.strip():
                self._places[header_key(header)].append(at)

    def error(self, rule: str, message: str, remedy: str, column: str | None = None) -> None:
        self._log.add("error", rule, message, file=self._raw.file, column=column, remedy=remedy)

    def find(self, field: Field) -> int | None:
        """Return the column that holds a field."""
        theirs = self._mapping.columns.get(field.name)
        if theirs is None and field.name in self._mapping.constants:
            return None
        places = self._places.get(header_key(field.name if theirs is None else theirs), [])
        if theirs is not None and not places:
            self._report.mapped_column_missing(field.name, theirs)
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
            held = list(labels(self._raw.columns[at]))
            what = personal_use(fields[name], header, held)
            if what is not None:
                self.error(
                    "personal-column",
                    f"column {spreadsheet_letter(at)} looks like {what} and is used as {name}",
                    "Remove it from the file; use study codes that lead to nobody.",
                )
                if fields[name].kind != "identifier":  # those are never repeated, and they link the tables
                    del sources[name]
            elif fields[name].kind == "identifier" and mostly_record_numbers(held):
                self._log.add(
                    "warning",
                    "record-number-like",
                    "the codes are numbers as long as record numbers are",
                    column=name,
                    file=self._raw.file,
                    remedy="Make sure that they are study codes that lead to nobody.",
                )
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

    def unknown_columns(self, used: set[int]) -> list[int]:
        """Return the columns that are left out and harmless; warn of those that may point to a person."""
        ignored = {header_key(name) for name in self._mapping.ignore}
        unknown = []
        for at, header in enumerate(self._raw.headers):
            if at in used or (header.strip() and header_key(header) in ignored):
                continue
            what = self._report.personal(at)
            if what is not None:
                self._log.add(
                    "warning",
                    "personal-column",
                    f"column {spreadsheet_letter(at)} looks like {what} and was dropped",
                    file=self._raw.file,
                    remedy="Delete it from the file before the file is passed on.",
                )
            elif header.strip() or any(labels(self._raw.columns[at])):
                unknown.append(at)
        return unknown

    def headers_to_show(self, sources: dict[str, int]) -> dict[str, str]:
        """Return the local names that may appear in messages."""
        return {
            name: header
            for name, at in sources.items()
            if header_key(header := self._raw.headers[at]) != header_key(name) and name_to_show(header) is not None
        }
