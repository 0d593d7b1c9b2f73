"""Evidence files: the published table of the package, and tables of users, checked alike."""

from __future__ import annotations

import functools
import hashlib
import importlib.resources
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from capstat.attempts.delimited import read_delimited
from capstat.attempts.findings import FindingLog, printable
from capstat.output import csv_text
from capstat.results import UsageError
from capstat.synthesis.evidence_cells import read_column
from capstat.synthesis.evidence_checks import check_each, check_together
from capstat.synthesis.evidence_columns import find_columns
from capstat.synthesis.evidence_fields import EVIDENCE_FIELDS
from capstat.synthesis.evidence_rule import Record, shown
from capstat.synthesis.study_arm import EvidenceTable, StudyArm

if TYPE_CHECKING:
    import os
    from collections.abc import Collection, Iterable

    from capstat.attempts.findings import Finding
    from capstat.synthesis.evidence_fields import EvidenceField

__all__ = ["PUBLISHED", "EvidenceError", "evidence_csv", "join_evidence", "published_evidence", "read_evidence"]

PUBLISHED: Final = "published_arms.csv"
"""Name of the table in the package."""

_LONGEST_PATH: Final = 300
_AS_CSV: Final = 'Save the sheet as "CSV UTF-8".'


class EvidenceError(UsageError):
    """Evidence that cannot be used; the message has one sentence for each error.

    Attributes
    ----------
    findings : tuple of Finding
        Errors and warnings, each with file, row, column, value and what is accepted.
    """

    def __init__(self, findings: Iterable[Finding]) -> None:
        """Keep the findings."""
        self.findings = tuple(findings)
        super().__init__(self.findings)

    def __str__(self) -> str:
        """Return one line for each error."""
        return "\n".join(finding.sentence() for finding in self.findings if finding.severity == "error")


@functools.lru_cache(maxsize=1)
def published_evidence() -> EvidenceTable:
    """Return the published studies that come with the package.

    Facts and figures with their citation; `provenance` and `seen_in` tell how each is known.
    """
    data = importlib.resources.files("capstat.synthesis").joinpath(PUBLISHED).read_bytes()
    return _checked([(PUBLISHED, data)], FindingLog(), ())


def read_evidence(*paths: str | os.PathLike[str]) -> EvidenceTable:
    """Read one evidence file or several as one table.

    Parameters
    ----------
    *paths : path
        Delimited text (comma, semicolon, tab or vertical bar, with decimal points or commas) with the columns of
        `EVIDENCE_FIELDS`; optional columns may be left away, and spelling of their names is forgiving.

    Returns
    -------
    EvidenceTable
        Records of the files in their order, with warnings in ``findings``.  ``overlaps`` may also name published
        records, ``compared_with`` only records of these files.

    Raises
    ------
    EvidenceError
        Something is not accepted; the message lists everything at once.

    Examples
    --------
    >>> table = read_evidence("my_studies.csv")    # doctest: +SKIP
    """
    log = FindingLog()
    contents = []
    for path in paths:
        place = Path(path)
        name = printable(place.name, _LONGEST_PATH) or "the evidence file"
        data = _contents(place, name, log)
        if data is not None:
            contents.append((name, data))
    if not paths:
        log.add("error", "no-evidence", "there is no evidence file", file="evidence", remedy="Name at least one.")
    return _checked(contents, log, [arm.arm for arm in published_evidence()])


def join_evidence(tables: Iterable[EvidenceTable]) -> EvidenceTable:
    """Return several tables as one.

    Parameters
    ----------
    tables : iterable of EvidenceTable
        For example `published_evidence` and the user's own.

    Raises
    ------
    EvidenceError
        A code is there twice, the same study is there under another code and neither record names the other in
        ``overlaps``, or a record names one that is nowhere.
    """
    joined = list(tables)
    log = FindingLog()
    if not joined:
        log.add("error", "no-evidence", "there is no table", file="evidence", remedy="Give at least one.")
    records = [Record(arm) for table in joined for arm in table]
    check_together(records, [arm.arm for arm in published_evidence()], log)
    findings = log.findings()
    if log.has_errors:
        raise EvidenceError(findings)
    earlier = (finding for table in joined for finding in table.findings)
    prints = [table.fingerprint for table in joined]
    return EvidenceTable(
        arms=tuple(record.arm for record in records),
        sources=tuple(source for table in joined for source in table.sources),
        fingerprint=prints[0] if len(prints) == 1 else hashlib.sha256("\n".join(prints).encode()).hexdigest(),
        findings=tuple(dict.fromkeys((*earlier, *findings))),
    )


def evidence_csv(table: Iterable[StudyArm]) -> str:
    """Return records as the text of an evidence file, which `read_evidence` reads as the same records."""
    names = [field.name for field in EVIDENCE_FIELDS]
    rows = [[shown(getattr(arm, name)) for name in names] for arm in table]
    return csv_text(pd.DataFrame(rows, columns=names, dtype=object))


def _contents(place: Path, name: str, log: FindingLog) -> bytes | None:
    remedy = "Name a file of delimited text."
    try:
        if place.is_dir():
            why = "the evidence file is a folder"
        elif place.exists() and not place.is_file():  # reading a pipe would wait for ever
            why = "the evidence file is not an ordinary file"
        else:
            return place.read_bytes()
    except FileNotFoundError:
        why = "the evidence file does not exist"
    except (OSError, ValueError) as problem:  # ValueError: a NUL in the path
        why = f"the evidence file cannot be read ({getattr(problem, 'strerror', None) or 'unusable path'})"
    log.add("error", "no-file", why, file=name, remedy=remedy)
    return None


def _checked(contents: list[tuple[str, bytes]], log: FindingLog, elsewhere: Collection[str]) -> EvidenceTable:
    read = [_records(name, data, log) for name, data in contents]
    records = [record for found in read for record in found]
    check_each(records, log)
    # a code that is not found is no news where codes were not understood or a file could not be read
    complete = all(read) and not any("arm" in record.bad for record in records)
    check_together(records, elsewhere, log, complete=complete)
    # The reader of delimited text speaks of workbooks, which are not read here.
    findings = tuple(
        replace(found, remedy=_AS_CSV) if found.rule == "binary-file" else found for found in log.findings()
    )
    if log.has_errors:
        raise EvidenceError(findings)
    prints = [hashlib.sha256(data).hexdigest() for _, data in contents]
    return EvidenceTable(
        arms=tuple(record.arm for record in records),
        sources=tuple(name for name, _ in contents),
        fingerprint=prints[0] if len(prints) == 1 else hashlib.sha256("\n".join(prints).encode()).hexdigest(),
        findings=findings,
    )


def _records(name: str, data: bytes, log: FindingLog) -> list[Record]:
    raw = read_delimited(data, name, log)
    columns = None if raw is None else find_columns(raw, log)
    if raw is None or columns is None:
        return []
    if len(raw) == 0 and not any(found.rule == "ragged-row" and found.file == name for found in log.findings()):
        message = "there are names of columns but no records"
        log.add("error", "no-rows", message, file=name, remedy="Add a row for each arm.")
    read = {}
    for field in EVIDENCE_FIELDS:
        if field.name in columns:
            at = columns[field.name]
            header = raw.headers[at] if raw.headers[at] != field.name else None
            read[field.name] = read_column(field, raw, at, header, log)
    # the columns that must be there but are not are as bad as cells that are not understood
    missing = {field.name for field in EVIDENCE_FIELDS if field.required and field.name not in columns}
    records = []
    for position, row in enumerate(raw.rows.tolist()):
        values: dict[str, Any] = {}
        for field in EVIDENCE_FIELDS:
            value = read[field.name].cells[position] if field.name in read else None
            values[field.name] = _absent(field) if value is None else value
        bad = {field for field, column in read.items() if position in column.bad}
        records.append(Record(StudyArm(**values, source=name, row=row), frozenset(bad | missing)))
    return records


def _absent(field: EvidenceField) -> object:
    if field.name == "paced":  # stands for a cell that was not understood
        return True
    if field.kind == "codes":
        return ()
    return None if field.kind in ("number", "whole") else ""
