"""Which files make up a study, and their raw tables."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from capstat.attempts.delimited import read_delimited
from capstat.attempts.fields import TABLES
from capstat.attempts.parquet import read_parquet
from capstat.attempts.workbook import read_workbook

if TYPE_CHECKING:
    from pathlib import Path

    from capstat.attempts.field import Table
    from capstat.attempts.findings import FindingLog
    from capstat.attempts.mapping import StudyMapping
    from capstat.attempts.raw import RawTable

__all__ = ["Found", "read_tables"]

_ENDINGS: Final = (".csv", ".tsv", ".txt", ".parquet", ".xlsx")


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """Raw tables of a study, ``None`` for those that could not be read, and where they came from."""

    tables: dict[Table, RawTable | None] = field(default_factory=dict)
    sources: tuple[str, ...] = ()
    digests: tuple[str, ...] = ()


def read_tables(path: Path, mapping: StudyMapping, log: FindingLog) -> Found:
    """Read the files of a study: one file of attempts, a workbook, or a folder.

    In a folder the tables are ``attempts.*``, ``steps.*`` and ``patients.*`` unless the mapping names
    other files. A workbook with sheets of these names is a whole study.
    """
    files: dict[Table, Path] = {"attempts": path}
    if path.is_dir():
        files = _files_in_folder(path, mapping, log)
    tables: dict[Table, RawTable | None] = dict.fromkeys(files)
    sources, digests = [], []
    for table, file in files.items():
        try:
            data = file.read_bytes()
        except OSError as problem:
            log.add(
                "error",
                "unreadable-file",
                f"the file cannot be read ({problem.strerror or 'input error'})",
                file=file.name,
                remedy="Check that it exists and that you may read it.",
            )
            continue
        sources.append(file.name)
        digests.append(f"{table} {len(data)} {hashlib.sha256(data).hexdigest()}")
        for found, raw in _tables_in_file(table, file.name, data, log).items():
            if found != table and found in tables:
                log.add(
                    "error",
                    "table-twice",
                    f"the table {found} is here and in another file",
                    file=file.name,
                    remedy="Keep one of the two.",
                )
            else:
                tables[found] = raw
    return Found(tables, tuple(sources), tuple(digests))


def _tables_in_file(table: Table, name: str, data: bytes, log: FindingLog) -> dict[Table, RawTable]:
    # The contents decide, not the ending: exports are often misnamed.
    if data.startswith(b"PK\x03\x04"):
        wanted: tuple[Table, ...] = ("attempts", "steps", "patients") if table == "attempts" else (table,)
        return read_workbook(data, name, wanted, log)
    raw = read_parquet(data, name, log) if data.startswith(b"PAR1") else read_delimited(data, name, log)
    return {} if raw is None else {table: raw}


def _files_in_folder(folder: Path, mapping: StudyMapping, log: FindingLog) -> dict[Table, Path]:
    present = sorted(file for file in folder.iterdir() if file.is_file())
    files: dict[Table, Path] = {}
    for table in TABLES:
        named = mapping.table(table).file
        if named is not None:
            if (folder / named).is_file():
                files[table] = folder / named
            else:
                log.add(
                    "error",
                    "mapping-file-missing",
                    f"the file {named} is not in the study's folder",
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
                file=folder.name,
                remedy="Keep one of them.",
            )
        elif candidates:
            files[table] = candidates[0]
        elif table == "attempts":
            log.add(
                "error",
                "no-attempts-file",
                "there is no attempts file in the folder",
                file=folder.name,
                remedy="Name it attempts with one of the endings " + ", ".join(_ENDINGS) + ", or name it in a mapping.",
            )
    return files
