"""The mapping file: how a local spreadsheet's columns and words become those of capstat.

Written in TOML, one part for each table::

    [attempts]
    file = "export.csv"                 # which file in the folder
    ignore = ["Remarks"]                # columns that are not wanted
    [attempts.columns]                  # ours = "theirs"
    placement = "Pad site"
    [attempts.recode.placement]         # theirs = ours; "" is an empty cell
    "Front/back" = "anterior-posterior"
    [attempts.constants]                # the same value in every row
    max_output_ma = 140
"""

from __future__ import annotations

import difflib
import re
import tomllib
from pathlib import PurePath
from typing import TYPE_CHECKING, Final

from capstat.attempts.echo import named
from capstat.attempts.fields import TABLES
from capstat.attempts.mapping import Recode, StudyMapping, TableMapping, fields_in_file, recode_key
from capstat.attempts.numbers import parse_number
from capstat.attempts.vocabulary import is_missing

if TYPE_CHECKING:
    from collections.abc import Iterable

    from capstat.attempts.field import Field, Table
    from capstat.attempts.findings import FindingLog

__all__ = ["parse_mapping"]

_KEYS: Final = ("file", "ignore", "columns", "recode", "constants")


def parse_mapping(data: bytes, name: str, log: FindingLog) -> StudyMapping:
    """Read a mapping file; what is wrong with it goes to ``log`` and is left out."""
    try:
        document = tomllib.loads(data.decode("utf-8-sig").replace("\r\n", "\n"))
    except (ValueError, RecursionError) as problem:
        why = "is not UTF-8 text" if isinstance(problem, UnicodeDecodeError) else _toml_problem(problem)
        log.add(
            "error",
            "mapping-unreadable",
            f"the mapping file {why}",
            file=name,
            remedy='Text values need quotation marks, as in placement = "Pad site".',
        )
        return StudyMapping(name)
    tables: dict[Table, TableMapping] = {}
    for key in document:
        if key not in TABLES:
            shown = named(key, "a part whose name is not repeated")
            _report(log, name, "mapping-unknown-key", f"{shown} is not a table of a study", _one_of(TABLES))
    for table in TABLES:
        part = document.get(table, {})
        if isinstance(part, dict):
            tables[table] = _PartReader(table, name, log).read(part)
        else:
            _report(log, name, "mapping-wrong-type", f"{table} is not a table of settings", f"Write [{table}].")
    return StudyMapping(name, tables)


class _PartReader:
    """Reads the part of a mapping file that belongs to one table."""

    __slots__ = ("_fields", "_log", "_name", "_table")

    def __init__(self, table: Table, name: str, log: FindingLog) -> None:
        self._table, self._name, self._log = table, name, log
        self._fields = {field.name: field for field in fields_in_file(table)}

    def read(self, part: dict[str, object]) -> TableMapping:
        for key in part:
            if key not in _KEYS:
                shown = named(key, "a name that is not repeated")
                self._error("mapping-unknown-key", f"{shown} is not a setting of [{self._table}]", _one_of(_KEYS))
        columns = self._columns(part)
        constants = self._constants(part)
        for both in sorted(columns.keys() & constants.keys()):
            self._error("mapping-conflict", f"{both} has both a column and a constant", "Keep one of the two.")
        return TableMapping(self._file(part), self._ignore(part), columns, self._recode(part), constants)

    def _error(self, rule: str, message: str, remedy: str) -> None:
        _report(self._log, self._name, rule, message, remedy)

    def _file(self, part: dict[str, object]) -> str | None:
        file = part.get("file")
        if file is None:
            return None
        # A plain name only: a mapping must not lead out of the study's folder.
        if not isinstance(file, str) or not file or PurePath(file).name != file or "\\" in file or "\0" in file:
            self._error(
                "mapping-wrong-type",
                f"file of [{self._table}] is not a plain file name",
                'Write the name of a file in the study\'s folder, such as "export.csv".',
            )
            return None
        return file

    def _ignore(self, part: dict[str, object]) -> tuple[str, ...]:
        names = part.get("ignore", [])
        if not isinstance(names, list) or not all(isinstance(name, str) for name in names):
            self._error(
                "mapping-wrong-type",
                f"ignore of [{self._table}] is not a list of column names",
                'Write ignore = ["Remarks"].',
            )
            return ()
        return tuple(names)

    def _section(self, part: dict[str, object], key: str) -> dict[str, object]:
        section = part.get(key, {})
        if not isinstance(section, dict):
            self._error(
                "mapping-wrong-type",
                f"{key} of [{self._table}] is not a table of settings",
                f"Write [{self._table}.{key}].",
            )
            return {}
        known = {}
        for name, value in section.items():
            if name in self._fields:
                known[name] = value
            else:
                self._error(
                    "mapping-unknown-field",
                    f"{named(name, 'a name that is not repeated')} in [{self._table}.{key}] is not a field",
                    self._did_you_mean(name) + "`capstat fields` lists the fields.",
                )
        return known

    def _columns(self, part: dict[str, object]) -> dict[str, str]:
        columns = {}
        for name, theirs in self._section(part, "columns").items():
            if isinstance(theirs, str):
                columns[name] = theirs
            else:
                self._error(
                    "mapping-wrong-type",
                    f"the column for {name} is not a text",
                    f'Write {name} = "their column name".',
                )
        return columns

    def _constants(self, part: dict[str, object]) -> dict[str, str]:
        constants = {}
        for name, value in self._section(part, "constants").items():
            field = self._fields[name]
            if field.kind == "identifier":
                self._error(
                    "mapping-wrong-value",
                    f"{name} cannot be the same in every row",
                    "Name its column instead.",
                )
            elif not isinstance(value, str | int | float):
                self._error(
                    "mapping-wrong-type",
                    f"the constant for {name} is not a text, a number, true or false",
                    f"It must be {field.accepted()}.",
                )
            elif self._acceptable(field, text := _plain_text(value)):
                constants[name] = text
            else:
                self._error(
                    "mapping-wrong-value",
                    f"the constant for {name} is not accepted",
                    f"It must be {field.accepted()}.",
                )
        return constants

    def _recode(self, part: dict[str, object]) -> dict[str, Recode]:
        recode: dict[str, Recode] = {}
        for name, pairs in self._section(part, "recode").items():
            if not isinstance(pairs, dict):
                self._error(
                    "mapping-wrong-type",
                    f"the recoding of {name} is not a table of words",
                    f"Write [{self._table}.recode.{name}].",
                )
                continue
            recode[name] = self._pairs(name, pairs)
        return recode

    def _pairs(self, name: str, pairs: dict[str, object]) -> Recode:
        field, known = self._fields[name], Recode()
        for at, (theirs, ours) in enumerate(pairs.items(), start=1):
            key = recode_key(theirs)
            if not (isinstance(ours, str | int | float) and self._acceptable(field, _plain_text(ours))):
                self._error(
                    "mapping-wrong-value",
                    f"pair {at} of [{self._table}.recode.{name}] gives no accepted value",
                    f'It must be "" or {field.accepted()}.',
                )
            elif known.setdefault(key, _plain_text(ours)) != _plain_text(ours):
                self._error(
                    "mapping-conflict",
                    f"pair {at} of [{self._table}.recode.{name}] has the key of an earlier pair and another value",
                    "Case and spaces around a key do not count; keep one of the two.",
                )
        return known

    def _did_you_mean(self, name: str) -> str:
        similar = difflib.get_close_matches(name, list(self._fields), n=1)
        return f"Did you mean {similar[0]}? " if similar else ""

    @staticmethod
    def _acceptable(field: Field, text: str) -> bool:
        if is_missing(text) or field.kind == "identifier":
            return True
        if field.allowed is not None:
            try:
                field.allowed.match(text)
            except KeyError:
                return False
            return True
        return isinstance(parse_number(text.strip(), field.unit), float)


def _toml_problem(problem: Exception) -> str:
    """Return where a file is no TOML; the parser's own words may repeat what stands there."""
    place = re.search(r"at (line [0-9]+, column [0-9]+|end of document)", str(problem))
    return "is not valid TOML" + (f", see {place[1]}" if place else "")


def _plain_text(value: str | float) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return value if isinstance(value, str) else repr(value)


def _one_of(names: Iterable[str]) -> str:
    return "Use one of: " + ", ".join(names) + "."


def _report(log: FindingLog, name: str, rule: str, message: str, remedy: str) -> None:
    log.add("error", rule, message, file=name, remedy=remedy)
