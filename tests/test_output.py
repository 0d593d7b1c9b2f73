"""Files are whole or absent; CSV is never a program."""

from __future__ import annotations

import csv
import hashlib
import io
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from capstat.cli.main import EXIT_FINE, EXIT_USAGE, main
from capstat.output import (
    OUTPUT_MARKER,
    FolderKind,
    csv_text,
    new_folder_atomically,
    spreadsheet_safe,
)


def write_folder(target: Path, kind: FolderKind = "report", **files: str) -> None:
    with new_folder_atomically(target, kind) as folder:
        (folder / "tables").mkdir()
        for name, text in files.items():
            (folder / "tables" / f"{name}.csv").write_text(text)
        (folder / "page.html").write_text("x")


def contents(folder: Path) -> dict[str, bytes]:
    return {str(file.relative_to(folder)): file.read_bytes() for file in folder.rglob("*") if file.is_file()}


def test_a_new_folder_appears_when_it_is_complete(tmp_path: Path) -> None:
    target = tmp_path / "out"
    with new_folder_atomically(target, "report") as folder:
        (folder / "a.txt").write_text("x")
        assert not target.exists()
    assert {file.name for file in target.iterdir()} == {"a.txt", OUTPUT_MARKER}
    assert list(tmp_path.iterdir()) == [target]


def test_the_marker_lists_what_was_written(tmp_path: Path) -> None:
    write_folder(tmp_path / "out", "synthetic", a="1")
    marker = json.loads((tmp_path / "out" / OUTPUT_MARKER).read_bytes())
    assert marker["kind"] == "synthetic"
    assert marker["files"] == {
        "page.html": hashlib.sha256(b"x").hexdigest(),
        "tables/a.csv": hashlib.sha256(b"1").hexdigest(),
    }


def test_a_failed_folder_vanishes_and_an_older_one_stays(tmp_path: Path) -> None:
    target = tmp_path / "out"
    write_folder(target, a="old")
    before = contents(target)

    def fail() -> None:
        with new_folder_atomically(target, "report") as folder:
            (folder / "new.txt").write_text("x")
            raise RuntimeError("stopped")

    with pytest.raises(RuntimeError, match="stopped"):
        fail()
    assert contents(target) == before
    assert list(tmp_path.iterdir()) == [target]


def test_our_own_folder_and_an_empty_one_are_replaced(tmp_path: Path) -> None:
    target = tmp_path / "out"
    target.mkdir()
    for names in ({"a": "1"}, {}, {"b": "2"}):  # the second leaves an empty folder behind
        write_folder(target, **names)
    assert set(contents(target)) == {OUTPUT_MARKER, "page.html", "tables/b.csv"}
    assert list(tmp_path.iterdir()) == [target]


def test_a_folder_whose_files_were_deleted_is_replaced(tmp_path: Path) -> None:
    write_folder(tmp_path / "out", a="1")
    (tmp_path / "out" / "page.html").unlink()
    write_folder(tmp_path / "out", a="1")
    assert (tmp_path / "out" / "page.html").exists()


def test_folders_above_are_made(tmp_path: Path) -> None:
    write_folder(tmp_path / "a" / "b" / "out")
    assert (tmp_path / "a" / "b" / "out" / "page.html").exists()


def test_the_folder_one_is_in(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    write_folder(Path())
    assert (tmp_path / "here" / "page.html").exists()


def test_a_place_where_nothing_can_be_made_is_one_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(NotADirectoryError, match="cannot be made") as caught:
        write_folder(tmp_path / "file" / "out")
    assert "partial" not in str(caught.value)
    assert "Errno" not in str(caught.value)
    with pytest.raises(PermissionError, match=r"cannot be made \(.*too long"):
        write_folder(tmp_path / ("x" * 300))

    def refuse(self: Path, **_: object) -> None:
        raise PermissionError(13, "Permission denied", str(self))

    monkeypatch.setattr(Path, "mkdir", refuse)
    with pytest.raises(PermissionError, match=r"^The folder .*out cannot be made \(Permission denied\)") as caught:
        write_folder(tmp_path / "out")
    assert "partial" not in str(caught.value)


def test_what_is_no_folder_is_never_replaced(tmp_path: Path) -> None:
    write_folder(tmp_path / "out")
    file = tmp_path / "file"
    file.write_text("x")
    link = tmp_path / "link"
    link.symlink_to(tmp_path / "out")
    for place in (file, link):
        with pytest.raises(FileExistsError, match="not a folder"):
            write_folder(place)
    assert file.read_text() == "x"
    assert link.is_symlink()


def refused(target: Path, kind: FolderKind, words: str) -> None:
    """Assert that nothing at ``target`` is touched, and that the reason is one sentence with these words."""
    before, beside = contents(target), sorted(target.parent.iterdir())
    with pytest.raises(FileExistsError) as caught:
        write_folder(target, kind, new="x")
    assert words in str(caught.value)
    assert str(target) in str(caught.value)
    assert "\n" not in str(caught.value)
    assert contents(target) == before
    assert sorted(target.parent.iterdir()) == beside


def test_a_strangers_files_are_never_deleted(tmp_path: Path) -> None:
    target = tmp_path / "thesis"
    target.mkdir()
    (target / "chapter.txt").write_text("years of work")
    refused(target, "report", "holds chapter.txt, which capstat did not write; it is not deleted")


@pytest.mark.parametrize("place", ["notes.txt", "tables/mine.csv", ".hidden", "new/folder/x"])
def test_notes_in_an_old_report_are_never_deleted(tmp_path: Path, place: str) -> None:
    write_folder(tmp_path / "out", a="1")
    (tmp_path / "out" / place).parent.mkdir(parents=True, exist_ok=True)
    (tmp_path / "out" / place).write_text("mine")
    refused(tmp_path / "out", "report", f"holds {place}, which capstat did not write")


def test_an_empty_folder_or_a_link_that_somebody_made_is_kept(tmp_path: Path) -> None:
    write_folder(tmp_path / "out")
    (tmp_path / "out" / "ideas").mkdir()
    refused(tmp_path / "out", "report", "holds ideas, which")
    (tmp_path / "out" / "ideas").rmdir()
    (tmp_path / "out" / "page.html").rename(tmp_path / "page.html")
    (tmp_path / "out" / "page.html").symlink_to(tmp_path / "page.html")
    refused(tmp_path / "out", "report", "holds page.html, which is not as capstat wrote it")


def test_a_changed_file_is_never_deleted(tmp_path: Path) -> None:
    write_folder(tmp_path / "out", a="1")
    (tmp_path / "out" / "tables" / "a.csv").write_text("2")
    refused(tmp_path / "out", "report", "holds tables/a.csv, which is not as capstat wrote it")


@pytest.mark.parametrize("kind", ["template", "synthetic"])
def test_one_kind_of_folder_does_not_replace_another(tmp_path: Path, kind: FolderKind) -> None:
    write_folder(tmp_path / "out", kind)
    refused(tmp_path / "out", "report", "which a report cannot replace")


@pytest.mark.parametrize(
    "marker",
    [
        b"This folder was written by capstat and may be replaced by it.\n",
        b"",
        b"\xff\xfe",
        b"[]",
        b"null",
        b"[" * 100_000,
        b'{"kind": "report"}',
        b'{"kind": "diary", "files": {}}',
        b'{"kind": ["report"], "files": {}}',
        b'{"kind": "report", "files": ["page.html"]}',
    ],
)
@pytest.mark.parametrize("alone", [True, False])
def test_a_marker_that_is_no_list_of_files_protects_the_folder(tmp_path: Path, marker: bytes, *, alone: bool) -> None:
    target = tmp_path / "out"
    target.mkdir()
    (target / OUTPUT_MARKER).write_bytes(marker)
    if not alone:
        (target / "page.html").write_text("x")
    refused(target, "report", OUTPUT_MARKER)


@pytest.mark.parametrize("digest", [None, 3, "", "folder", "0" * 64])
def test_a_foreign_marker_does_not_vouch_for_a_file(tmp_path: Path, digest: object) -> None:
    target = tmp_path / "out"
    target.mkdir()
    (target / "page.html").write_text("mine")
    (target / OUTPUT_MARKER).write_text(json.dumps({"kind": "report", "files": {"page.html": digest}}))
    refused(target, "report", "holds page.html, which is not as capstat wrote it")


@pytest.mark.parametrize("late", ["folder", "note"])
def test_what_arrives_meanwhile_is_kept(tmp_path: Path, late: str) -> None:
    target = tmp_path / "out"
    if late == "note":
        write_folder(target)

    def write_late() -> None:
        with new_folder_atomically(target, "report"):
            target.mkdir(exist_ok=True)
            (target / "other.txt").write_text("x")

    with pytest.raises(FileExistsError, match=r"other\.txt"):
        write_late()
    assert (target / "other.txt").read_text() == "x"
    assert list(tmp_path.iterdir()) == [target]


def test_a_template_that_was_filled_in_is_kept(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "study"
    again = ["fields", "--template", str(folder)]
    assert [main(again), main(again)] == [EXIT_FINE, EXIT_FINE]
    with (folder / "attempts.csv").open("a") as file:
        file.write("weeks of work\n")
    capsys.readouterr()
    assert main(again) == EXIT_USAGE
    assert "attempts.csv, which is not as capstat wrote it" in capsys.readouterr().err
    assert (folder / "attempts.csv").read_text().endswith("weeks of work\n")
    refused(folder, "report", "blank tables, which a report cannot replace")


def test_invented_data_that_were_edited_are_kept(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "made"
    again = ["synth", "--scenario", "crossover", "--patients", "4", "--out", str(folder)]
    assert [main(again), main([*again, "--seed", "2"])] == [EXIT_FINE, EXIT_FINE]
    (folder / "patients.csv").write_text("mine")
    assert main(again) == EXIT_USAGE
    assert "patients.csv" in capsys.readouterr().err
    assert (folder / "patients.csv").read_text() == "mine"


@pytest.mark.parametrize("cell", ["=1+1", "+cmd", "-cmd", "@SUM(A1)", "\tx", "\r=1", "  =1", "\n=1", "\uff1d1"])
def test_text_that_would_be_calculated_gets_an_apostrophe(cell: str) -> None:
    frame = pd.DataFrame({cell: [cell], "kept": ["plain"]})
    safe = spreadsheet_safe(frame)
    shown = "'" + cell.replace("\r", "\n")  # a bare carriage return would end the row for most readers
    assert safe.iloc[0, 0] == shown
    assert safe.columns[0] == shown
    assert frame.iloc[0, 0] == cell  # the frame itself is not changed
    categorical = spreadsheet_safe(pd.DataFrame({"a": pd.Categorical([cell, None])}))
    assert categorical["a"].iloc[0] == shown


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


def test_litter_of_file_browsers_does_not_block_a_rerun(tmp_path: Path) -> None:
    target = tmp_path / "out"
    for content in ("one", "two"):
        with new_folder_atomically(target, "report") as folder:
            (folder / "a.txt").write_text(content)
        (target / ".DS_Store").write_bytes(b"x")
    assert (target / "a.txt").read_text() == "two"
