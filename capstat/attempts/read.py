"""Read a study from files, or only check it: the one place that opens data files."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from capstat.attempts.assemble import assemble
from capstat.attempts.echo import file_to_show
from capstat.attempts.files import read_tables
from capstat.attempts.findings import FindingLog, printable
from capstat.attempts.mapping import StudyMapping
from capstat.attempts.mapping_file import parse_mapping
from capstat.attempts.study import Study, StudyError

if TYPE_CHECKING:
    import os

    from capstat.attempts.field import Table
    from capstat.attempts.findings import Finding

__all__ = ["CheckResult", "check_study", "read_study"]

_LONGEST_PATH: Final = 300


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
        A file of attempts, a workbook, or a folder with ``attempts.*`` and, where there are, ``steps.*``,
        ``periods.*`` and ``patients.*`` (CSV, tab-separated text, Parquet or .xlsx).
    mapping : path, optional
        TOML file that translates local column names and words.

    Raises
    ------
    FileNotFoundError
        ``path`` or ``mapping`` does not exist.
    OSError
        ``path`` or ``mapping`` cannot be reached, or is neither an ordinary file nor a folder.
    """
    place = _existing(path, "study", folder=True)
    log = FindingLog()
    mapping_name = ""
    names, digest = StudyMapping(), hashlib.sha256()
    if mapping is not None:
        mapping_file = _existing(mapping, "mapping file", folder=False)
        data = mapping_file.read_bytes()
        mapping_name = file_to_show(mapping_file.name, "the mapping file")
        names = parse_mapping(data, mapping_name, log)
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
            periods=assembled.periods,
            patients=assembled.patients,
            findings=findings,
            fingerprint=digest.hexdigest(),
            sources=found.sources if mapping is None else (*found.sources, mapping_name),
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
    OSError
        ``path`` or ``mapping`` cannot be reached, or is neither an ordinary file nor a folder.

    Examples
    --------
    >>> study = read_study("registry/")                             # doctest: +SKIP
    >>> study = read_study("export.xlsx", mapping="export.toml")    # doctest: +SKIP
    """
    result = check_study(path, mapping)
    if result.study is None:
        raise StudyError(result.findings)
    return result.study


def _existing(path: str | os.PathLike[str], what: str, *, folder: bool) -> Path:
    place = Path(path)
    try:
        exists = place.exists()
    except OSError as problem:
        raise OSError(f"The {what} cannot be reached: {problem.strerror or 'unusable path'}.") from None
    if not exists:
        raise FileNotFoundError(f"The {what} {printable(str(place), _LONGEST_PATH)} does not exist.")
    if not (place.is_file() or (folder and place.is_dir())):
        raise OSError(f"The {what} {printable(str(place), _LONGEST_PATH)} is not an ordinary file.")
    return place
