"""Whatever the bytes are, checking a study ends in findings and never in a traceback."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import openpyxl
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from capstat.attempts import TABLES, StudyError, check_study, read_study, render_findings

if TYPE_CHECKING:
    from pathlib import Path

fuzz = settings(
    max_examples=150,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)

HEADERS = [field.name for fields in TABLES.values() for field in fields]
CELLS = st.one_of(
    st.sampled_from(
        ["", "AP", "AL", "140", "60", "65", "yes", "no", "-", "?", "nan", "inf", "-inf", "1e400", "1e-400",
        "=1+1", '"', '""',
         "\x00", "\r", "a\nb", "999999999999999999999", "1,5", "1.234,5", "1948-05-02", "90+",
         "John Smith", "\ud7ff", "%",
         "'", "<script>", "\u202e", "captured", "maximum-reached", "P1", "0", "-0", "٣"]
    ),
    st.text(max_size=6),
    st.floats().map(repr),
)  # fmt: skip
NAMES = st.one_of(st.sampled_from(HEADERS), st.sampled_from(["", "Name", "x", "X ", "%"]), st.text(max_size=5))


@st.composite
def tables(draw: st.DrawFn) -> str:
    """Return delimited text with many known names and odd cells."""
    separator = draw(st.sampled_from([",", ";", "\t", "|"]))
    names = draw(st.lists(NAMES, min_size=1, max_size=10))
    if draw(st.booleans()):
        names = ["attempt_id", "patient_id", "placement", "max_output_ma", "lowest_capture_ma", *names]
    width = len(names)
    rows = draw(st.lists(st.lists(CELLS, min_size=0, max_size=width + 1), max_size=5))
    quoted = draw(st.booleans())
    end = draw(st.sampled_from(["\n", "\r\n", "\r"]))
    lines = [[cell.replace('"', '""') for cell in row] if quoted else row for row in [names, *rows]]
    return end.join(separator.join(f'"{cell}"' if quoted else cell for cell in line) for line in lines)


def assert_checked(folder: Path, mapping: Path | None = None) -> None:
    result = check_study(folder, mapping)
    assert (result.study is None) == result.has_errors
    render_findings(result.findings).encode()
    if result.study is None:
        with pytest.raises(StudyError):
            read_study(folder, mapping)
    else:
        assert len(result.study.attempts) == result.rows["attempts"]


@fuzz
@given(
    st.binary(max_size=300),
    st.sampled_from([b"", b"PK\x03\x04", b"PAR1", b"\xff\xfe", b"\xfe\xff", b"patient_id,"]),
)
def test_any_bytes(tmp_path: Path, data: bytes, start: bytes) -> None:
    (tmp_path / "attempts.csv").write_bytes(start + data)
    assert_checked(tmp_path)


@fuzz
@given(
    tables(),
    st.one_of(st.none(), tables()),
    st.one_of(st.none(), tables()),
    st.sampled_from(["utf-8", "utf-16"]),
)
def test_any_table(tmp_path: Path, attempts: str, steps: str | None, patients: str | None, encoding: str) -> None:
    for name, text in {"attempts": attempts, "steps": steps, "patients": patients}.items():
        file = tmp_path / f"{name}.csv"
        file.unlink(missing_ok=True)
        if text is not None:
            file.write_bytes(text.encode(encoding, "replace"))
    assert_checked(tmp_path)


@fuzz
@given(
    st.one_of(
        st.text(max_size=100),
        st.builds(
            "[{}]\n{} = {}\n".format,
            st.sampled_from(
                [
                    "attempts",
                    "attempts.columns",
                    "attempts.recode.placement",
                    "attempts.constants",
                    "steps",
                    "x",
                ]
            ),
            st.sampled_from(["file", "ignore", "columns", "placement", "step_ma", "X", "recode"]),
            st.sampled_from(['"AP"', "3", "[]", '["a"]', "{}", "true", "1979-05-27", "inf", '"\\u0000"', '""']),
        ),
    )
)
def test_any_mapping(tmp_path: Path, text: str) -> None:
    study = tmp_path / "study"
    study.mkdir(exist_ok=True)
    (study / "attempts.csv").write_text("patient_id,placement,max_output_ma,lowest_capture_ma\n1,AP,140,60\n")
    mapping = tmp_path / "mapping.toml"
    mapping.write_bytes(text.encode("utf-8", "replace"))
    assert_checked(study, mapping)


def damaged(data: bytes) -> st.SearchStrategy[bytes]:
    """Return files with a few bytes overwritten or the end cut off."""
    changes = st.lists(st.tuples(st.integers(0, len(data) - 1), st.integers(0, 255)), min_size=1, max_size=20)

    def damage(places: list[tuple[int, int]], length: int) -> bytes:
        broken = bytearray(data)
        for place, byte in places:
            broken[place] = byte
        return bytes(broken[:length])

    return st.builds(damage, changes, st.one_of(st.just(len(data)), st.integers(0, len(data))))


def good_frame() -> pd.DataFrame:
    return pd.DataFrame({"patient_id": ["1"], "placement": ["AP"], "max_output_ma": [140], "lowest_capture_ma": [60]})


def good_workbook() -> bytes:
    book = openpyxl.Workbook()
    for row in [list(good_frame().columns), good_frame().iloc[0].tolist()]:
        book.active.append([str(cell) for cell in row])
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


@fuzz
@given(damaged(good_workbook()))
def test_damaged_workbooks(tmp_path: Path, data: bytes) -> None:
    (tmp_path / "attempts.xlsx").write_bytes(data)
    assert_checked(tmp_path)


@fuzz
@given(damaged(good_frame().to_parquet()))
def test_damaged_parquet_files(tmp_path: Path, data: bytes) -> None:
    (tmp_path / "attempts.parquet").write_bytes(data)
    assert_checked(tmp_path)
