"""Studies made in memory: frames go through the checks that files go through."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from capstat.attempts.assemble import assemble
from capstat.attempts.findings import FindingLog
from capstat.attempts.mapping import StudyMapping
from capstat.attempts.raw import RawTable, TextColumn, raw_from_frame
from capstat.attempts.study import Study, StudyError

if TYPE_CHECKING:
    import pandas as pd

    from capstat.attempts.field import Table

__all__ = ["study_from_frames"]


def study_from_frames(
    attempts: pd.DataFrame,
    steps: pd.DataFrame | None = None,
    patients: pd.DataFrame | None = None,
    source: str = "frames",
    *,
    periods: pd.DataFrame | None = None,
) -> Study:
    """Make a study from frames, through the checks that files go through.

    Parameters
    ----------
    attempts, steps, patients, periods : DataFrame
        Columns named as the fields; absent columns are missing.  ``steps`` and ``periods`` may name their attempt by
        ``attempt_id`` or by ``attempt_row``, the position in ``attempts``, so that the frames of a study make
        the same study again.
    source : str
        Name for findings; the first row of a frame is row 2, as if it had been written to a file.

    Raises
    ------
    StudyError
        The frames have errors.
    ValueError
        ``attempt_row`` points outside ``attempts``.
    """
    tables: dict[Table, RawTable] = {}
    linked: tuple[tuple[Table, pd.DataFrame | None], ...] = (("steps", steps), ("periods", periods))
    for table, frame in linked:
        if frame is None or not len(frame):
            continue
        if "attempt_row" in frame.columns:
            attempts = _with_codes(attempts)
            tables[table] = _by_row(frame, attempts, f"{source}/{table}")
        else:
            tables[table] = raw_from_frame(frame, f"{source}/{table}")
    tables = {"attempts": raw_from_frame(attempts, f"{source}/attempts"), **tables}
    if patients is not None and len(patients):
        tables["patients"] = raw_from_frame(patients, f"{source}/patients")
    log = FindingLog()
    assembled = assemble(tables, StudyMapping(), log)
    findings = log.findings()
    if assembled is None or log.has_errors:
        raise StudyError(findings)
    return Study(
        attempts=assembled.attempts,
        steps=assembled.steps,
        periods=assembled.periods,
        patients=assembled.patients,
        findings=findings,
        fingerprint=_fingerprint(tables),
        sources=tuple(raw.file for raw in tables.values()),
        attempt_source_rows=assembled.attempt_source_rows,
    )


def _with_codes(attempts: pd.DataFrame) -> pd.DataFrame:
    if "attempt_id" in attempts.columns:
        return attempts
    return attempts.assign(attempt_id=[f"A{at:06d}" for at in range(1, len(attempts) + 1)])


def _by_row(frame: pd.DataFrame, attempts: pd.DataFrame, file: str) -> RawTable:
    rows = frame["attempt_row"].to_numpy()
    if not np.issubdtype(rows.dtype, np.integer) or rows.min() < 0 or rows.max() >= len(attempts):
        raise ValueError("attempt_row must hold positions in the attempts frame.")
    raw = raw_from_frame(frame.drop(columns=["attempt_row", "attempt_id"], errors="ignore"), file)
    codes = TextColumn(rows.astype(np.int32), pa.array(attempts["attempt_id"].astype(str), type=pa.string()))
    return RawTable(file, ("attempt_id", *raw.headers), (codes, *raw.columns), raw.rows)


def _fingerprint(tables: dict[Table, RawTable]) -> str:
    """Return a digest of names and contents; equal frames give equal digests."""
    digest = hashlib.sha256()
    for table, raw in tables.items():
        digest.update(f"{table} {len(raw)}\n".encode())
        for header, column in zip(raw.headers, raw.columns, strict=True):
            digest.update(f"{header}\n".encode("utf-8", "replace"))
            if isinstance(column, TextColumn):
                digest.update(column.codes.tobytes())
                digest.update("\n".join(column.labels.to_pylist()).encode())
            else:
                digest.update(np.ascontiguousarray(column.values).tobytes())
    return digest.hexdigest()
