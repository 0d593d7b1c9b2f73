"""Which files and sheets are read, and what is said of the others."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Any

import openpyxl
import pytest

from capstat.attempts import check_study, read_study

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    Summary = Callable[..., str]

NAMES = ["patient_id", "placement", "max_output_ma", "highest_no_capture_ma", "lowest_capture_ma"]
GOOD = [NAMES, [1, "AP", 140, 60, 65]]


def workbook(path: Path, sheets: dict[str, list[list[Any]]]) -> Path:
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, rows in sheets.items():
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(row)
    book.save(path)
    return path


def test_two_sheets_that_could_be_the_attempts(tmp_path: Path) -> None:
    (finding,) = check_study(
        workbook(tmp_path / "x.xlsx", {"Notes": [["x"]], "Adults": GOOD, "Children": GOOD})
    ).findings
    assert (finding.rule, finding.severity) == ("which-sheet", "error")
    assert "sheets 2, 3" in finding.message


def test_the_only_sheet_with_known_columns_is_read(tmp_path: Path) -> None:
    sheets = {"Summary": [["placement", "n"], ["AP", 3]], "Data": GOOD, "Empty": [], "Zebulon Quackenbush": [["x"]]}
    study = read_study(workbook(tmp_path / "x.xlsx", sheets))
    assert study.n_patients == 1
    (finding,) = study.findings
    assert (finding.rule, finding.severity, finding.occurrences) == ("sheet-ignored", "warning", 2)
    assert 'sheet 1 ("Summary"), sheet 4.' in finding.sentence().replace(". Sheets", ".")
    assert "Zebulon" not in finding.sentence()


def test_the_columns_of_a_mapping_are_known_too(tmp_path: Path) -> None:
    local = [["Case", "Pads", "Top", "cap"], [1, "AP", 140, 65]]
    file = workbook(tmp_path / "x.xlsx", {"Notes": [["x"]], "Export": local})
    mapping = tmp_path / "m.toml"
    mapping.write_text(
        '[attempts.columns]\npatient_id = "Case"\nplacement = "Pads"\nmax_output_ma = "Top"\nlowest_capture_ma = "cap"\n'
    )
    assert read_study(file, mapping).n_patients == 1


def test_sheets_beside_the_attempts_are_mentioned(tmp_path: Path) -> None:
    study = read_study(workbook(tmp_path / "x.xlsx", {"Other": GOOD, "attempts": GOOD}))
    assert [f.rule for f in study.findings] == ["sheet-ignored"]


def test_a_sheet_named_after_somebody_is_called_by_its_place(tmp_path: Path) -> None:
    rows = [NAMES, [1, "XX", 140, 60, 65]]
    (finding,) = check_study(workbook(tmp_path / "x.xlsx", {"Zebulon Quackenbush": rows})).findings
    assert finding.file == "x.xlsx, sheet 1"


def test_files_that_may_hold_data_are_mentioned(tmp_path: Path, summary: Summary) -> None:
    (tmp_path / "attempts.csv").write_text(summary())
    for name in ("truth.json", "README.txt", "mapping.toml", "notes.md", ".hidden", "~$attempts.xlsx"):
        (tmp_path / name).write_text("x")
    (tmp_path / "folder").mkdir()
    assert not check_study(tmp_path).findings
    for name in ("pacing steps.csv", "x.json", "Zebulon Quackenbush.csv"):
        (tmp_path / name).write_text("x")
    (finding,) = check_study(tmp_path).findings
    assert (finding.rule, finding.severity, finding.occurrences) == ("file-ignored", "warning", 3)
    assert "pacing steps.csv, x.json" in finding.message
    assert "Zebulon" not in finding.sentence()


def test_a_table_that_is_no_file_is_found(tmp_path: Path, summary: Summary) -> None:
    (tmp_path / "attempts.csv").write_text(summary())
    (tmp_path / "patients.csv").symlink_to("nowhere.csv")
    (finding,) = check_study(tmp_path).findings
    assert (finding.rule, finding.file) == ("unreadable-file", "patients.csv")
    assert "link" in finding.message
    (tmp_path / "patients.csv").unlink()
    (tmp_path / "patients.csv").mkdir()
    assert [f.rule for f in check_study(tmp_path).findings] == ["unreadable-file"]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs named pipes")
def test_a_pipe_is_not_waited_for(tmp_path: Path, summary: Summary) -> None:
    (tmp_path / "attempts.csv").write_text(summary())
    os.mkfifo(tmp_path / "steps.csv")
    assert "unreadable-file" in [f.rule for f in check_study(tmp_path).findings]
    with pytest.raises(OSError, match="not an ordinary file"):
        check_study(tmp_path / "steps.csv")
    with pytest.raises(OSError, match=r"mapping file .* not an ordinary file"):
        check_study(tmp_path / "attempts.csv", tmp_path / "steps.csv")


def test_paths_that_cannot_be_used_are_refused_in_a_sentence(tmp_path: Path, summary: Summary) -> None:
    with pytest.raises(OSError, match=r"^The study .*\.$") as caught:
        check_study("x" * 5000)
    assert len(str(caught.value)) < 400
    with pytest.raises(FileNotFoundError, match=r"^The study .* does not exist\.$"):
        check_study("a\0b")
    (tmp_path / "attempts.csv").write_text(summary())
    with pytest.raises(OSError, match=r"^The mapping file .* is not an ordinary file\.$"):
        check_study(tmp_path, tmp_path)
