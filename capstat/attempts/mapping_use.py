"""Parts of a mapping that contradict the files they are meant for, and parts that nothing uses."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING

from capstat.attempts.echo import named
from capstat.attempts.headers import header_key
from capstat.attempts.mapping import TableMapping
from capstat.attempts.raw import spreadsheet_letter

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from capstat.attempts.field import Table
    from capstat.attempts.findings import FindingLog
    from capstat.attempts.mapping import StudyMapping
    from capstat.attempts.raw import RawTable

__all__ = ["check_tables_used", "check_use"]


def check_tables_used(mapping: StudyMapping, tables: Collection[Table], log: FindingLog) -> None:
    """Warn of parts of a mapping whose table the study does not have; attempts it must have."""
    optional: tuple[Table, ...] = ("steps", "periods", "patients")
    for table in optional:
        # A part that names its file has been reported already when the file is missing.
        if table not in tables and mapping.table(table) != TableMapping() and mapping.table(table).file is None:
            log.add(
                "warning",
                "mapping-unused",
                f"[{table}] is for a table that the study does not have",
                file=mapping.name,
                remedy=f"Add the {table}, or delete this part; columns beside the attempts belong under [attempts]."
                if table == "patients"
                else f"Add the {table}, or delete this part.",
            )


def check_use(
    raw: RawTable,
    table: Table,
    mapping: TableMapping,
    mapping_name: str,
    sources: Mapping[str, int],
    log: FindingLog,
) -> None:
    """Report what of a table's mapping contradicts the file, and what of it the file does not need.

    Parameters
    ----------
    raw : RawTable
        The file's table.
    table : {"attempts", "steps", "periods", "patients"}
        Which table it is.
    mapping : TableMapping
        Its part of the mapping.
    mapping_name : str
        Name of the mapping file for findings.
    sources : mapping of str to int
        Column of each field that was found.
    log : FindingLog
        Receives the findings.
    """
    present = {header_key(header) for header in raw.headers if header.strip()}
    ignored = {header_key(name) for name in mapping.ignore}
    for name in mapping.constants:
        if name not in mapping.columns and header_key(name) in present - ignored:
            log.add(
                "error",
                "mapping-conflict",
                f"{name} has a constant, and {raw.file} has a column of this name",
                file=mapping_name,
                remedy="Delete the constant, or list the column under ignore.",
            )
    _check_shared_columns(raw, mapping, mapping_name, sources, log)
    for at, name in enumerate(mapping.ignore, start=1):
        if header_key(name) not in present:
            _unused(f"the column {named(name, f'number {at}')} under ignore of [{table}]", raw, mapping_name, log)
    for name in mapping.recode:
        if name not in sources and name not in mapping.columns:
            _unused(f"the column for [{table}.recode.{name}]", raw, mapping_name, log)


def _check_shared_columns(
    raw: RawTable, mapping: TableMapping, mapping_name: str, sources: Mapping[str, int], log: FindingLog
) -> None:
    fields: dict[int, list[str]] = defaultdict(list)
    for name, at in sources.items():
        if name not in mapping.constants:  # with one, it has been reported already
            fields[at].append(name)
    for at, names in fields.items():
        if len(names) > 1:
            log.add(
                "error",
                "mapping-conflict",
                f"column {spreadsheet_letter(at)} of {raw.file} is used for {' and '.join(names)}",
                file=mapping_name,
                remedy="A column can hold one field; copy it under another name if it holds two.",
            )


def _unused(what: str, raw: RawTable, mapping_name: str, log: FindingLog) -> None:
    log.add(
        "warning",
        "mapping-unused",
        f"{what} is not in {raw.file}",
        file=mapping_name,
        remedy="Correct the name, or delete it from the mapping.",
    )
