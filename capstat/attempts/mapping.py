"""What a mapping says: how a local spreadsheet's columns and words become those of capstat."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from capstat.attempts.fields import TABLES

if TYPE_CHECKING:
    from collections.abc import Mapping

    from capstat.attempts.field import Field, Table

__all__ = ["Recode", "StudyMapping", "TableMapping", "fields_in_file", "recode_key"]

Recode = dict[str, str]
"""Their spelling (as `recode_key`) to ours."""


@dataclass(frozen=True, slots=True)
class TableMapping:
    """How one table is found in a local file."""

    file: str | None = None
    ignore: tuple[str, ...] = ()
    columns: Mapping[str, str] = field(default_factory=dict)
    recode: Mapping[str, Recode] = field(default_factory=dict)
    constants: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class StudyMapping:
    """How a study is found in local files; tables that are not mentioned keep capstat's names."""

    name: str = ""
    tables: Mapping[Table, TableMapping] = field(default_factory=dict)

    def table(self, table: Table) -> TableMapping:
        """Return the part for one table."""
        return self.tables.get(table, TableMapping())


def fields_in_file(table: Table) -> tuple[Field, ...]:
    """Return the fields that a table's file may hold: the attempts file may also describe patients."""
    if table == "attempts":
        return TABLES["attempts"] + TABLES["patients"][1:]
    return TABLES[table]


def recode_key(text: str) -> str:
    """Return the form in which a local spelling is compared."""
    return text.strip().casefold()
