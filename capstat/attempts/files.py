"""Which files make up a study, and their raw tables."""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from capstat.attempts.delimited import read_delimited
from capstat.attempts.echo import file_to_show
from capstat.attempts.fields import TABLES
from capstat.attempts.headers import header_key
from capstat.attempts.mapping import fields_in_file
from capstat.attempts.mapping_use import check_tables_used
from capstat.attempts.parquet import read_parquet
from capstat.attempts.workbook import read_workbook

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from capstat.attempts.field import Table
    from capstat.attempts.findings import FindingLog
    from capstat.attempts.mapping import StudyMapping
    from capstat.attempts.raw import RawTable

__all__ = ["Found", "read_tables"]

_ENDINGS: Final = (".csv", ".tsv", ".txt", ".parquet", ".xlsx")
_NO_TABLES: Final = (".txt", ".toml", ".md")
_NO_DATA: Final = ("truth.json",)
_MOST_NAMED: Final = 10


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """Raw tables of a study, ``None`` for those that could not be read, and where they came from."""

    tables: dict[Table, RawTable | None] = field(default_factory=dict)
    sources: tuple[str, ...] = ()
    digests: tuple[str, ...] = ()


def read_tables(path: Path, mapping: StudyMapping, log: FindingLog) -> Found:
    """Read the files of a study: one file of attempts, a workbook, or a folder.

    In a folder the tables are ``attempts.*``, ``steps.*``, ``periods.*`` and ``patients.*`` unless the mapping
    names other files. A workbook with sheets of these names is a whole study.  A file whose name may point to a
    person is called by its table, in findings and in ``sources``.
    """
    files: dict[Table, Path] = {"attempts": path}
    if path.is_dir():
        files = _files_in_folder(path, mapping, log)
    tables: dict[Table, RawTable | None] = dict.fromkeys(files)
    sources, digests = [], []
    for table, file in files.items():
        name = file_to_show(file.name, f"the {table} file")
        data = _contents(file, name, log)
        if data is None:
            continue
        sources.append(name)
        digests.append(f"{table} {len(data)} {hashlib.sha256(data).hexdigest()}")
        for found, raw in _tables_in_file(table, name, data, mapping, log).items():
            if found != table and found in tables:
                log.add(
                    "error",
                    "table-twice",
                    f"the table {found} is here and in another file",
                    file=name,
                    remedy="Keep one of the two.",
                )
            else:
                tables[found] = raw
    check_tables_used(mapping, tables, log)
    return Found(tables, tuple(sources), tuple(digests))


def _contents(file: Path, name: str, log: FindingLog) -> bytes | None:
    if not file.is_file():  # reading a pipe would wait for ever
        dangling = file.is_symlink() and not file.exists()
        log.add(
            "error",
            "unreadable-file",
            "is a link to a file that does not exist" if dangling else "is not an ordinary file",
            file=name,
            remedy="Put the file itself here, or remove the entry.",
        )
        return None
    try:
        return file.read_bytes()
    except OSError as problem:
        log.add(
            "error",
            "unreadable-file",
            f"the file cannot be read ({problem.strerror or 'input error'})",
            file=name,
            remedy="Check that it exists and that you may read it.",
        )
        return None


def _tables_in_file(
    table: Table, name: str, data: bytes, mapping: StudyMapping, log: FindingLog
) -> dict[Table, RawTable]:
    # The contents decide, not the ending: exports are often misnamed.
    if data.startswith(b"PK\x03\x04"):
        wanted: tuple[Table, ...] = ("attempts", "steps", "periods", "patients") if table == "attempts" else (table,)
        known = {field.name for field in fields_in_file(table)} | set(mapping.table(table).columns.values())
        return read_workbook(data, name, wanted, {header_key(header) for header in known}, log)
    raw = read_parquet(data, name, log) if data.startswith(b"PAR1") else read_delimited(data, name, log)
    return {} if raw is None else {table: raw}


def _files_in_folder(folder: Path, mapping: StudyMapping, log: FindingLog) -> dict[Table, Path]:
    present = sorted(folder.iterdir())
    folder_name = file_to_show(folder.name, "the study's folder")
    files: dict[Table, Path] = {}
    for table in TABLES:
        named = mapping.table(table).file
        if named is not None:
            if os.path.lexists(folder / named):
                files[table] = folder / named
            else:
                log.add(
                    "error",
                    "mapping-file-missing",
                    f"{file_to_show(named, f'the file of [{table}]')} is not in the study's folder",
                    file=mapping.name,
                    remedy="Write the file's name as it is in the folder.",
                )
            continue
        candidates = [file for file in present if file.stem.casefold() == table and file.suffix.casefold() in _ENDINGS]
        if len(candidates) > 1:
            log.add(
                "error",
                "table-twice",
                f"there are {len(candidates)} files for the table {table}: "
                + ", ".join(file.name for file in candidates),
                file=folder_name,
                remedy="Keep one of them.",
            )
        elif candidates:
            files[table] = candidates[0]
        elif table == "attempts":
            log.add(
                "error",
                "no-attempts-file",
                "there is no attempts file in the folder",
                file=folder_name,
                remedy="Name it attempts with one of the endings " + ", ".join(_ENDINGS) + ", or name it in a mapping.",
            )
    _report_ignored([file for file in present if file not in files.values()], folder_name, log)
    return files


def _report_ignored(files: Sequence[Path], folder_name: str, log: FindingLog) -> None:
    """Warn, once, of files that may hold data and are not read; notes and hidden files are no data."""
    ignored = [
        file
        for file in files
        if not file.name.startswith((".", "~$"))
        and file.name not in _NO_DATA
        and file.stem.casefold() not in TABLES
        and file.suffix.casefold() not in _NO_TABLES
        and not file.is_dir()
    ]
    if not ignored:
        return
    shown = ", ".join(file_to_show(file.name, "a file whose name is not repeated") for file in ignored[:_MOST_NAMED])
    more = f" and {len(ignored) - _MOST_NAMED:,} more" if len(ignored) > _MOST_NAMED else ""
    log.add(
        "warning",
        "file-ignored",
        f"not read: {shown}{more}",
        file=folder_name,
        occurrences=len(ignored),
        stands_for="file",
        remedy="Name the files attempts, steps, periods and patients, or say in a mapping file which is which.",
    )
