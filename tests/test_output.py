"""Files are whole or absent; CSV is never a program."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from capstat.output import (
    OUTPUT_MARKER,
    csv_text,
    new_folder_atomically,
    spreadsheet_safe,
    write_bytes_atomically,
    write_text_atomically,
)


def test_a_file_is_replaced_as_a_whole(tmp_path: Path) -> None:
    target = tmp_path / "a.txt"
    write_text_atomically(target, "first")
    write_text_atomically(target, "é\r\n")
    assert target.read_bytes() == "é\r\n".encode()
    write_bytes_atomically(target, b"\x00")
    assert target.read_bytes() == b"\x00"
    assert list(tmp_path.iterdir()) == [target]


def test_a_failed_write_leaves_the_old_file_and_nothing_else(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    target = tmp_path / "a.txt"
    target.write_text("old")

    def fail(*_: object) -> None:
        raise OSError("disk full")

    monkeypatch.setattr(Path, "replace", fail)
    with pytest.raises(OSError, match="disk full"):
        write_text_atomically(target, "new")
    assert target.read_text() == "old"
    assert list(tmp_path.iterdir()) == [target]


def test_text_that_cannot_be_encoded_writes_nothing(tmp_path: Path) -> None:
    with pytest.raises(UnicodeEncodeError):
        write_text_atomically(tmp_path / "a.txt", "é", encoding="ascii")
    assert not list(tmp_path.iterdir())


def test_a_new_folder_appears_when_it_is_complete(tmp_path: Path) -> None:
    target = tmp_path / "out"
    with new_folder_atomically(target) as folder:
        (folder / "a.txt").write_text("x")
        assert not target.exists()
    assert {file.name for file in target.iterdir()} == {"a.txt", OUTPUT_MARKER}
    assert list(tmp_path.iterdir()) == [target]


def test_a_failed_folder_vanishes_and_an_older_one_stays(tmp_path: Path) -> None:
    target = tmp_path / "out"
    with new_folder_atomically(target) as folder:
        (folder / "old.txt").write_text("x")

    def fail() -> None:
        with new_folder_atomically(target) as folder:
            (folder / "new.txt").write_text("x")
            raise RuntimeError("stopped")

    with pytest.raises(RuntimeError, match="stopped"):
        fail()
    assert (target / "old.txt").exists()
    assert list(tmp_path.iterdir()) == [target]


def test_our_own_folder_and_an_empty_one_are_replaced(tmp_path: Path) -> None:
    target = tmp_path / "out"
    target.mkdir()
    for name in ("first.txt", "second.txt"):
        with new_folder_atomically(target) as folder:
            (folder / name).write_text("x")
    assert {file.name for file in target.iterdir()} == {"second.txt", OUTPUT_MARKER}


def test_a_strangers_files_are_never_deleted(tmp_path: Path) -> None:
    target = tmp_path / "thesis"
    target.mkdir()
    (target / "chapter.txt").write_text("years of work")
    with pytest.raises(FileExistsError, match="will not delete"), new_folder_atomically(target):
        pass
    file = tmp_path / "file"
    file.write_text("x")
    with pytest.raises(FileExistsError, match="not a folder"), new_folder_atomically(file):
        pass
    link = tmp_path / "link"
    link.symlink_to(target)
    with pytest.raises(FileExistsError, match="not a folder"), new_folder_atomically(link):
        pass
    assert (target / "chapter.txt").read_text() == "years of work"


def test_a_strangers_file_that_arrives_meanwhile_is_kept(tmp_path: Path) -> None:
    target = tmp_path / "out"

    def write_late() -> None:
        with new_folder_atomically(target):
            target.mkdir()
            (target / "other.txt").write_text("x")

    with pytest.raises(FileExistsError):
        write_late()
    assert (target / "other.txt").exists()
    assert len(list(tmp_path.iterdir())) == 1


@pytest.mark.parametrize("cell", ["=1+1", "+cmd", "-cmd", "@SUM(A1)", "\tx", "\r=1", "  =1", "\n=1", "\uff1d1"])
def test_text_that_would_be_calculated_gets_an_apostrophe(cell: str) -> None:
    frame = pd.DataFrame({cell: [cell], "kept": ["plain"]})
    safe = spreadsheet_safe(frame)
    assert safe.iloc[0, 0] == "'" + cell
    assert safe.columns[0] == "'" + cell
    assert frame.iloc[0, 0] == cell  # the frame itself is not changed
    categorical = spreadsheet_safe(pd.DataFrame({"a": pd.Categorical([cell, None])}))
    assert categorical["a"].iloc[0] == "'" + cell


@pytest.mark.parametrize("cell", ["-12.5", "+3", "-1e-5", "-0,5", "plain", "a=b", "", "1-2"])
def test_numbers_and_plain_text_stay(cell: str) -> None:
    assert spreadsheet_safe(pd.DataFrame({"a": [cell]})).iloc[0, 0] == cell


def test_csv_text_is_stable() -> None:
    frame = pd.DataFrame(
        {
            "x": [0.1 + 0.2, -1.0, np.nan, np.inf],
            "n": [1, 2, 3, -4],
            "t": ["a,b", 'say "x"', None, "=1"],
            "b": pd.array([True, False, None, True], dtype="boolean"),
        }
    )
    assert csv_text(frame) == ('x,n,t,b\n0.3,1,"a,b",True\n-1,2,"say ""x""",False\n,3,,\ninf,-4,\'=1,True\n')
    assert csv_text(frame[["x"]].head(1), digits=None) == "x\n0.30000000000000004\n"


@given(st.lists(st.text(st.characters(exclude_categories=["Cs"]), min_size=1), min_size=1))
def test_no_cell_begins_like_a_formula(cells: list[str]) -> None:
    text = csv_text(pd.DataFrame({"a": cells}))
    for (cell,) in list(csv.reader(io.StringIO(text, newline="")))[1:]:
        calculated = cell.lstrip()[:1] in ("=", "+", "-", "@") and cell.strip("+-0123456789.,eE \n\t\r") != ""
        assert not calculated
