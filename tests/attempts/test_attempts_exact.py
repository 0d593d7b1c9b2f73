"""Codes keep every digit, durations their unit, and a number that could be two numbers is none."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

import numpy as np
import openpyxl
import pandas as pd
import pyarrow as pa
import pytest
from pyarrow import parquet

from capstat.attempts import StudyError, check_study, read_study, study_from_frames
from capstat.attempts.numbers import DecimalMarks, parse_numbers
from capstat.attempts.parquet import read_parquet
from capstat.attempts.raw import TextColumn, raw_from_frame

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from capstat.attempts import CheckResult

    Check = Callable[..., CheckResult]
    Rules = Callable[[CheckResult], list[str]]

LONG = [2**53, 2**53 + 1, 2**62 + 3]


def attempts(**columns: object) -> pd.DataFrame:
    frame = {
        "patient_id": [1, 2, 3],
        "placement": "AP",
        "max_output_ma": 140.0,
        "lowest_capture_ma": [60.0, 65.0, 70.0],
    }
    return pd.DataFrame(frame | columns)


def labels(column: object) -> list[str]:
    assert isinstance(column, TextColumn)
    return [column.labels[code].as_py() for code in column.codes if code >= 0]


@pytest.mark.parametrize(
    "codes",
    [
        pa.array(LONG),
        pa.array([*LONG, None]),
        pa.array(LONG, type=pa.uint64()),
        pa.array(LONG).dictionary_encode(),
        pa.array([str(code) for code in LONG]).cast(pa.decimal128(38, 0)),
    ],
)
def test_long_codes_in_parquet_keep_every_digit(tmp_path: Path, codes: pa.Array) -> None:
    file = tmp_path / "x.parquet"
    parquet.write_table(pa.table({"patient_id": codes}), file)
    raw = read_parquet(file.read_bytes(), "x.parquet", None)  # type: ignore[arg-type] # nothing to report
    assert raw is not None
    assert labels(raw.columns[0]) == [str(code) for code in LONG]


@pytest.mark.parametrize("codes", [LONG, pd.array([*LONG[:2], None], dtype="Int64")])
def test_long_codes_in_frames_keep_every_digit(codes: object) -> None:
    column = raw_from_frame(pd.DataFrame({"patient_id": codes}), "x").columns[0]
    assert labels(column) == [str(code) for code in LONG if pd.Series(codes).isin([code]).any()]


def test_long_codes_are_seen_to_be_record_numbers(tmp_path: Path) -> None:
    for codes in (LONG, [10**15 + at for at in range(3)], [123456789 + at for at in range(3)]):
        attempts(patient_id=codes).to_parquet(tmp_path / "attempts.parquet")
        assert [(f.rule, f.severity) for f in check_study(tmp_path).findings] == [("personal-column", "error")]


def test_codes_that_lost_their_digits_before_are_refused() -> None:
    with pytest.raises(StudyError, match="more digits than the file can keep apart"):
        study_from_frames(attempts(patient_id=[2.0**53, 2.0**54, 3.0]))


# -- Parquet -------------------------------------------------------------------------------------------------


def test_two_columns_of_one_name_in_parquet(tmp_path: Path) -> None:
    table = pa.table(
        [pa.array(["1"]), pa.array(["AP"]), pa.array(["AL"]), pa.array([140.0]), pa.array([60.0])],
        names=["patient_id", "placement", "placement", "max_output_ma", "lowest_capture_ma"],
    )
    parquet.write_table(table, tmp_path / "attempts.parquet")
    found = [(f.rule, f.column) for f in check_study(tmp_path).findings if f.severity == "error"]
    assert found == [("duplicate-column", "placement")]


@pytest.mark.parametrize("unit", ["s", "ms", "us", "ns"])
def test_durations_are_seconds_and_nothing_else(tmp_path: Path, unit: str) -> None:
    duration = pa.array([5, None, 7], type=pa.duration("s")).cast(pa.duration(unit))
    table = pa.Table.from_pandas(attempts()).append_column("first_capture_s", duration)
    parquet.write_table(table, tmp_path / "attempts.parquet")
    assert read_study(tmp_path).attempts["first_capture_s"].tolist()[::2] == [5.0, 7.0]
    parquet.write_table(
        table.rename_columns([*table.column_names[:-1], "pulse_width_ms"]), tmp_path / "attempts.parquet"
    )
    assert [(f.rule, f.row) for f in check_study(tmp_path).findings] == [("not-a-number", 2), ("not-a-number", 4)]


def test_durations_in_frames_and_workbooks(tmp_path: Path) -> None:
    study = study_from_frames(attempts(first_capture_s=pd.to_timedelta([5, 6.5, np.nan], unit="s")))
    assert study.attempts["first_capture_s"].tolist()[:2] == [5.0, 6.5]
    book = openpyxl.Workbook()
    book.active.append(["patient_id", "placement", "max_output_ma", "lowest_capture_ma", "first_capture_s"])
    book.active.append([1, "AP", 140, 60, dt.timedelta(seconds=12)])
    book.save(tmp_path / "x.xlsx")
    assert read_study(tmp_path / "x.xlsx").attempts["first_capture_s"].tolist() == [12.0]


# -- thousands or decimals -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("separator", "cells", "values"),
    [
        ("\t", ["1,200"], [None]),
        ("|", ["1,200"], [None]),
        (",", ['"1,200"'], [None]),
        (";", ["1.200"], [None]),
        (";", ["1,200"], [1.2]),
        ("\t", ["1.200"], [1.2]),
        (",", ["1.200"], [1.2]),
        # other cells of the column settle it
        ("\t", ["1,200", "62,5"], [1.2, 62.5]),
        ("|", ["1,200", "0,125"], [1.2, 0.125]),
        (",", ['"1,200"', '"62,5"'], [1.2, 62.5]),
        (";", ["1.200", "62.5"], [1.2, 62.5]),
        (";", ["1,200", "62.5"], [None, 62.5]),
        ("\t", ["1.200", "62,5"], [None, 62.5]),
        ("\t", ["1,200", "1.200", "62,5", "62.5"], [None, None, 62.5, 62.5]),
        (";", ["-1.200", "1.200 s", "x"], [None, None, None]),
        ("\t", ["1,200 s", "62,5 s"], [1.2, 62.5]),
    ],
)
def test_three_digits_after_a_mark(check: Check, separator: str, cells: list[str], values: list[float | None]) -> None:
    names = ["patient_id", "placement", "max_output_ma", "lowest_capture_ma", "pacing_start_s"]
    lines = [names, *([str(at), "AP", "140", "65", cell] for at, cell in enumerate(cells))]
    result = check("\n".join(separator.join(line) for line in lines) + "\n")
    refused = [f.row for f in result.findings if f.rule in ("ambiguous-number", "not-a-number")]
    assert refused == [at for at, value in enumerate(values, start=2) if value is None]
    if result.study is not None:
        assert result.study.attempts["pacing_start_s"].tolist() == values


def test_a_column_without_numbers_settles_nothing() -> None:
    nothing = pa.array([], type=pa.string())
    assert DecimalMarks.of_column(nothing, comma_decimal=False) == DecimalMarks(comma=False, dot=True)
    assert DecimalMarks.of_column(nothing, comma_decimal=True) == DecimalMarks(comma=True, dot=False)
    assert parse_numbers(nothing, "", comma_decimal=True)[1] == {}


def test_a_number_of_a_workbook_is_never_thousands(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    book.active.append(["patient_id", "placement", "max_output_ma", "lowest_capture_ma"])
    for row in ([1, "AP", 140, 62.125], [2, "AP", 140, "62,5"]):
        book.active.append(row)
    book.save(tmp_path / "x.xlsx")
    assert read_study(tmp_path / "x.xlsx").attempts["lowest_capture_ma"].tolist() == [62.125, 62.5]
