"""Read a study from files, or only check it: the one place that opens data files."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from capstat.attempts.assemble import assemble
from capstat.attempts.files import read_tables
from capstat.attempts.findings import FindingLog
from capstat.attempts.mapping import StudyMapping, parse_mapping
from capstat.attempts.study import Study, StudyError

if TYPE_CHECKING:
    import os

    from capstat.attempts.field import Table
    from capstat.attempts.findings import Finding

__all__ = ["CheckResult", "check_study", "read_study"]


@dataclass(frozen=True, slots=True, eq=False)
class CheckResult:
    """Everything that a check found.

    Attributes
    ----------
    findings : tuple of Finding
        Errors, then warnings.
    rows : dict
        Rows read of each table that the study has.
    n_patients : int
        Patients with at least one attempt.
    study : Study or None
        The study when there are no errors.
    """

    findings: tuple[Finding, ...]
    rows: dict[Table, int]
    n_patients: int
    study: Study | None

    @property
    def has_errors(self) -> bool:
        """Whether the study cannot be read as it is."""
        return any(finding.severity == "error" for finding in self.findings)


def check_study(path: str | os.PathLike[str], mapping: str | os.PathLike[str] | None = None) -> CheckResult:
    """Check a study and return everything that is wrong with it at once.

    Parameters
    ----------
    path : path
        A file of attempts, a workbook, or a folder with ``attempts.*`` and, where there are, ``steps.*`` and
        ``patients.*`` (CSV, tab-separated text, Parquet or .xlsx).
    mapping : path, optional
        TOML file that translates local column names and words.

    Raises
    ------
    FileNotFoundError
        ``path`` or ``mapping`` does not exist.
    """
    place = _existing(path, "study")
    log = FindingLog()
    names, digest = StudyMapping(), hashlib.sha256()
    if mapping is not None:
        mapping_file = _existing(mapping, "mapping file")
        data = mapping_file.read_bytes()
        names = parse_mapping(data, mapping_file.name, log)
        digest.update(f"mapping {len(data)} {hashlib.sha256(data).hexdigest()}\n".encode())
    found = read_tables(place, names, log)
    for line in found.digests:
        digest.update(f"{line}\n".encode())
    rows = {table: len(raw) for table, raw in found.tables.items() if raw is not None}
    assembled = assemble(found.tables, names, log)
    findings = log.findings()
    study = None
    if assembled is not None and not log.has_errors:
        study = Study(
            attempts=assembled.attempts,
            steps=assembled.steps,
            patients=assembled.patients,
            findings=findings,
            fingerprint=digest.hexdigest(),
            sources=found.sources,
            attempt_source_rows=assembled.attempt_source_rows,
        )
    n_patients = 0 if assembled is None else int(assembled.attempts["patient_id"].nunique())
    return CheckResult(findings, rows, n_patients, study)


def read_study(path: str | os.PathLike[str], mapping: str | os.PathLike[str] | None = None) -> Study:
    """Read a study; parameters as for `check_study`.

    Raises
    ------
    StudyError
        The data have errors; the message lists all of them.
    FileNotFoundError
        ``path`` or ``mapping`` does not exist.

    Examples
    --------
    >>> study = read_study("registry/")                             # doctest: +SKIP
    >>> study = read_study("export.xlsx", mapping="export.toml")    # doctest: +SKIP
    """
    result = check_study(path, mapping)
    if result.study is None:
        raise StudyError(result.findings)
    return result.study


def _existing(path: str | os.PathLike[str], what: str) -> Path:
    place = Path(path)
    if not place.exists():
        raise FileNotFoundError(f"The {what} {place} does not exist.")
    return place
