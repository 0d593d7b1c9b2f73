"""Files as spreadsheets really write them: encodings, separators, rows, workbooks, Parquet."""

from __future__ import annotations

import datetime as dt
import time
import zipfile
from typing import TYPE_CHECKING, Any

import openpyxl
import pandas as pd
import pytest

from capstat.attempts import CheckResult, StudyError, check_study, read_study

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    Check = Callable[..., CheckResult]
    Summary = Callable[..., str]
    Places = Callable[[CheckResult, str], list[tuple[str, int | None, str | None]]]
    Rules = Callable[[CheckResult], list[str]]

NAMES = ["patient_id", "placement", "max_output_ma", "highest_no_capture_ma", "lowest_capture_ma"]
ROWS = [["P1", "ant-post", "140", "62.5", "65"], ["P2", "antero-postérieur", "140", "140", ""]]


def table(separator: str, decimal: str = ".", end: str = "\n", rows: list[list[str]] | None = None) -> str:
    lines = [NAMES, *(ROWS if rows is None else rows)]
    return end.join(separator.join(cell.replace(".", decimal) for cell in line) for line in lines) + end


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_every_encoding_and_separator_gives_the_same_study(
    check: Check, encoding: str, separator: str, end: str
) -> None:
    result = check(table(separator, end=end).encode(encoding))
    assert not result.findings
    assert result.study is not None
    assert result.study.attempts["placement"].tolist() == ["anterior-posterior"] * 2
    assert result.study.attempts["highest_no_capture_ma"].tolist() == [62.5, 140.0]


@pytest.mark.parametrize("text", [table(";", ","), table("\t", ","), "sep=;\r\n" + table(";", ",", "\r\n")])
def test_decimal_commas(check: Check, text: str) -> None:
    study = check(text).study
    assert study is not None
    assert study.attempts["highest_no_capture_ma"].tolist() == [62.5, 140.0]


def test_a_decimal_comma_in_quotation_marks_between_commas(check: Check, summary: Summary) -> None:
    study = check(summary('1,AP,140,"62,5",65')).study
    assert study is not None
    assert study.attempts["highest_no_capture_ma"].tolist() == [62.5]


@pytest.mark.parametrize(("separator", "rule"), [(",", "ambiguous-number"), (";", "")])
def test_thousands_are_not_guessed(check: Check, rules: Rules, separator: str, rule: str) -> None:
    rows = [["1", "AP", "140", '"1,234"', "65"]]
    assert rules(check(table(separator, rows=rows))) == ([rule] if rule else [])


@pytest.mark.parametrize(
    ("data", "rule"),
    [
        (b"", "empty-file"),
        (b"\n\n", "empty-file"),
        (b";;;\n;;;\n", "no-header"),
        (b"\xef\xbb\xbf", "empty-file"),
        (b"\x00\x01\x02\x03", "binary-file"),
        (b"%PDF-1.7\n...", "binary-file"),
        (b"\xd0\xcf\x11\xe0rest of an old workbook", "binary-file"),
        (b"\x01\x02\x03\x04" * 50, "binary-file"),
        (b"\xff\xfea", "unknown-encoding"),
        (b"patient_id,placement\n1,\x81\n", "unknown-encoding"),
        (b"PK\x03\x04 damaged", "unreadable-workbook"),
        (b"PAR1 damaged", "unreadable-parquet"),
        (b"what,is,this\n1,2,3\n", "no-header"),
        (",".join(NAMES).encode(), "no-rows"),
        (",".join(NAMES).encode() + b"\n,,,,\n\n", "no-rows"),
        (b"patient_id," + b"x," * 20_000 + b"\n", "too-many-columns"),
        (",".join(NAMES).encode() + b'\nP1,AP,140,60,"65\n', "unreadable-row"),
        (",".join(NAMES).encode() + b"\nP1,AP,140,60," + b"6" * 200_000 + b"\n", "unreadable-row"),
    ],
)
def test_a_file_that_is_no_table_has_one_clear_finding(check: Check, data: bytes, rule: str) -> None:
    result = check(data)
    assert [(f.rule, f.severity) for f in result.findings] == [(rule, "error")]
    assert result.study is None
    assert result.findings[0].remedy


def test_rows_are_numbered_as_a_spreadsheet_does(check: Check, places: Places) -> None:
    text = (
        ",".join([*NAMES, "Remarks"]) + "\n"
        '1,AP,140,60,65,"two\nlines"\n'
        "\n"
        ",,,,,\n"
        "2,AP,140,bad,65,\n"
        "   \n"
        "3,AP,140,worse,65,\n"
    )  # fmt: skip
    assert [row for _, row, _ in places(check(text), "not-a-number")] == [5, 7]
    assert [row for _, row, _ in places(check("\n\n" + text), "not-a-number")] == [7, 9]


def test_a_quotation_mark_that_is_not_closed_is_found_where_it_opens(check: Check, summary: Summary) -> None:
    rows = [f"{at},AP,140,60,65" for at in range(400)]
    rows[300] = '300,AP,140,60,"65'
    (finding,) = check(summary(*rows)).findings
    assert (finding.rule, finding.row) == ("unreadable-row", 302)


@pytest.mark.parametrize(
    "text",
    [
        "patient_id;placement, of pads\n1;AP\n2;AL\n",
        "patient_id,placement; of pads\n1,AP\n2,AL\n",
        'patient_id,placement,"note; long; text"\n1,AP,"a;b"\n2,AL,\n',
    ],
)
def test_a_separator_is_the_one_that_explains_the_rows(check: Check, text: str) -> None:
    assert "patient_id" not in [f.column for f in check(text).findings]


def test_very_long_cells_take_no_long_time(check: Check, summary: Summary) -> None:
    for cell in ("x" * 100_000, "jan" * 40_000, "1 " * 50_000, "Aa" * 50_000, "a." * 50_000):
        begin = time.process_time()
        check(summary(f"1,AP,140,60,{cell}", note=cell))
        assert time.process_time() - begin < 5


def test_the_rows_of_a_study_are_known(check: Check, summary: Summary) -> None:
    study = check(summary("1,AP,140,60,65", "", "2,AP,140,60,65")).study
    assert study is not None
    assert study.attempt_source_rows.tolist() == [2, 4]


def test_ragged_rows_are_found_and_empty_cells_at_the_end_do_not_matter(
    check: Check, summary: Summary, places: Places
) -> None:
    result = check(summary("1,AP,140,60,65", "2,AP,140,60", "3,AP,140,60,65,,", "4,AP,140,60,65,x"))
    assert places(result, "ragged-row") == [("attempts.csv", 3, None), ("attempts.csv", 5, None)]
    assert result.rows == {"attempts": 2}


def test_column_names_are_matched_without_case_spaces_and_marks(check: Check) -> None:
    text = "Patient ID;PLACEMENT;Max-Output (mA);Highest no capture mA;lowest_capture_ma\n1;AP;140;60;65\n"
    result = check(text)
    assert not result.findings
    assert result.n_patients == 1


def test_two_columns_of_one_name(check: Check, summary: Summary, places: Places) -> None:
    result = check(summary("1,AP,140,60,65", Placement="AL"))
    assert places(result, "duplicate-column") == [("attempts.csv", None, "placement")]
    assert "B, F" in result.findings[0].message


def test_missing_columns_are_named(check: Check, places: Places) -> None:
    result = check("patient_id,lowest_capture_ma\n1,65\n")
    assert places(result, "missing-column") == [
        ("attempts.csv", None, "placement"),
        ("attempts.csv", None, "max_output_ma"),
    ]


def test_unknown_columns_are_one_warning(check: Check, summary: Summary) -> None:
    result = check(summary("1,AP,140,60,65", **{f"note {at}": "x" for at in range(12)}))
    (finding,) = result.findings
    assert (finding.rule, finding.severity, finding.occurrences) == ("unknown-columns", "warning", 12)
    assert '"note 9" and 2 more' in finding.message
    assert result.study is not None


def test_ten_thousand_columns(check: Check, summary: Summary) -> None:
    result = check(summary("1,AP,140,60,65", **{f"note {at}": "x" for at in range(10_000)}))
    assert [f.rule for f in result.findings] == ["unknown-columns"]
    assert result.study is not None


def test_columns_without_a_name_matter_only_when_they_hold_something(check: Check) -> None:
    names = ",".join(NAMES)
    assert not check(f"{names},,\n1,AP,140,60,65,,\n").findings
    (finding,) = check(f"{names},,\n1,AP,140,60,65,,x\n").findings
    assert "column G (without a name)" in finding.message


@pytest.mark.parametrize(
    ("cell", "rule"),
    [("2000000000", "above-ceiling"), ("1e400", "not-finite"), ("nan", "not-finite"), ("inf", "not-finite"),
     ("Infinity", "not-finite"), ("#DIV/0!", "not-a-number"), ("=1+1", "formula"),
     ('"=HYPERLINK(""http://x"",""y"")"', "formula"), ("<script>alert(1)</script>", "not-a-number"), ("-5",
     "out-of-range")],
)  # fmt: skip
def test_an_absurd_number_has_one_finding(check: Check, summary: Summary, cell: str, rule: str) -> None:
    result = check(summary(f"1,AP,140,60,{cell}"))
    assert [(f.rule, f.row, f.column) for f in result.findings] == [(rule, 2, "lowest_capture_ma")]


@pytest.mark.parametrize("cell", ["=1+1", "+1+1", "@SUM(A1)"])
def test_a_formula_is_no_code_and_no_word(check: Check, summary: Summary, rules: Rules, cell: str) -> None:
    assert rules(check(summary(f"{cell},AP,140,60,65"))) == ["formula"]
    assert rules(check(summary(f"P1,{cell},140,60,65"))) == ["unknown-word"]


@pytest.mark.parametrize("cell", ["<script>", "a\tb", "x" * 65, "-1", "'a", "a;b"])
def test_codes_have_a_plain_form(check: Check, summary: Summary, rules: Rules, cell: str) -> None:
    assert rules(check(summary(f"{cell},AP,140,60,65"))) == ["identifier-form"]


def test_a_folder_is_searched_for_tables(tmp_path: Path) -> None:
    (tmp_path / "ATTEMPTS.CSV").write_text(table(","))
    (tmp_path / "notes.csv").write_text("nothing")
    (tmp_path / "~$attempts.xlsx").write_text("lock")
    study = read_study(tmp_path)
    assert study.sources == ("ATTEMPTS.CSV",)
    (tmp_path / "attempts.txt").write_text(table(";"))
    with pytest.raises(StudyError, match="2 files for the table attempts"):
        read_study(tmp_path)


def test_a_folder_without_attempts(tmp_path: Path) -> None:
    (tmp_path / "steps.csv").write_text("attempt_id,current_ma\n1,60\n")
    assert [f.rule for f in check_study(tmp_path).findings] == ["no-attempts-file"]


def test_a_path_that_does_not_exist_is_wrong_usage(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError, match="does not exist"):
        check_study(tmp_path / "nothing.csv")
    with pytest.raises(FileNotFoundError, match="mapping file"):
        check_study(tmp_path, tmp_path / "nothing.toml")


def test_a_file_that_cannot_be_opened_is_a_finding(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "attempts.csv"
    file.write_text(table(","))

    def refuse(_: object) -> bytes:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("pathlib.Path.read_bytes", refuse)
    assert [f.rule for f in check_study(file).findings] == ["unreadable-file"]


def test_the_error_lists_every_problem_on_its_line(tmp_path: Path) -> None:
    file = tmp_path / "attempts.csv"
    file.write_text(table(",", rows=[["1", "AP", "140", "a", "65"], ["2", "AP", "140", "60", "b"]]))
    with pytest.raises(StudyError) as caught:
        read_study(file)
    lines = str(caught.value).splitlines()
    assert len(lines) == 2
    assert lines[0].startswith('attempts.csv, row 2, column highest_no_capture_ma: "a" is not a number')
    assert len(caught.value.findings) == 2


def workbook(path: Path, **sheets: list[list[Any]]) -> Path:
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, rows in sheets.items():
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(row)
    book.save(path)
    return path


def test_the_first_sheet_of_a_workbook_is_the_attempts(tmp_path: Path) -> None:
    file = workbook(tmp_path / "x.xlsx", Data=[NAMES, [1, "AP", 140, 62.5, 65.0], [], [2, "AL", 140, 140, None]])
    study = read_study(file)
    assert study.attempts["patient_id"].tolist() == ["1", "2"]
    assert study.attempts["highest_no_capture_ma"].tolist() == [62.5, 140.0]
    assert study.attempt_source_rows.tolist() == [2, 4]


def test_a_workbook_can_be_a_whole_study(tmp_path: Path) -> None:
    file = workbook(
        tmp_path / "x.xlsx",
        Notes=[["nothing"]],
        Steps=[["attempt_id", "current_ma", "electrical_capture"], ["a", 60, True], ["a", 55, False]],
        Attempts=[["attempt_id", *NAMES[:3]], ["a", 1, "AP", 140]],
        Patients=[["patient_id", "age_years"], [1, 70]],
    )
    study = read_study(file)
    assert study.steps["electrical_capture"].tolist() == [True, False]
    assert study.patients["age_years"].tolist() == [70.0]
    (tmp_path / "folder").mkdir()
    file.rename(tmp_path / "folder" / "attempts.xlsx")
    assert len(read_study(tmp_path / "folder").steps) == 2
    (tmp_path / "folder" / "steps.csv").write_text("attempt_id,current_ma\na,60\n")
    assert "table-twice" in [f.rule for f in check_study(tmp_path / "folder").findings]


def test_a_workbook_is_never_calculated(tmp_path: Path) -> None:
    rows = [NAMES, [1, "AP", 140, 60, "=60+5"], [2, "AP", 140, 60, dt.datetime(2020, 1, 2, tzinfo=None)]]  # noqa: DTZ001
    result = check_study(workbook(tmp_path / "x.xlsx", Sheet=rows))
    assert [(f.rule, f.row, f.value) for f in result.findings] == [
        ("formula", 2, "="),
        ("not-a-number", 3, None),
    ]


def test_cells_beside_the_table_are_ragged_rows(tmp_path: Path) -> None:
    file = workbook(tmp_path / "x.xlsx", Sheet=[NAMES, [1, "AP", 140, 60, 65, "beside"], [2, "AP", 140, 60, 65]])
    assert [(f.rule, f.row) for f in check_study(file).findings] == [("ragged-row", 2)]


def test_an_empty_workbook_and_an_archive_that_is_none(tmp_path: Path) -> None:
    assert [f.rule for f in check_study(workbook(tmp_path / "x.xlsx", Sheet=[])).findings] == ["empty-file"]
    other = tmp_path / "attempts.csv"
    with zipfile.ZipFile(other, "w") as archive:
        archive.writestr("readme.txt", "x")
    assert [f.rule for f in check_study(other).findings] == ["unreadable-workbook"]


def test_an_archive_that_would_fill_the_memory_is_not_unpacked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("capstat.attempts.workbook._LARGEST_UNPACKED", 100)
    file = workbook(tmp_path / "x.xlsx", Sheet=[NAMES])
    assert [f.rule for f in check_study(file).findings] == ["too-large"]


def test_parquet_keeps_its_types(tmp_path: Path) -> None:
    frame = pd.DataFrame(
        {
            "patient_id": [1, 2],
            "placement": pd.Categorical(["AP", "AL"]),
            "max_output_ma": [140, 140],
            "highest_no_capture_ma": [60.5, 140.0],
            "lowest_capture_ma": [65.0, None],
            "arrest": [True, None],
            "age_years": [70, 95],
            "when": [dt.date(2020, 1, 1), None],
            "list": [[1, 2], None],
            "raw": [b"x", None],
        }
    )
    frame.to_parquet(tmp_path / "attempts.parquet")
    study = read_study(tmp_path)
    assert study.attempts["patient_id"].tolist() == ["1", "2"]
    assert study.attempts["arrest"].tolist() == [True, pd.NA]
    assert study.patients["age_years"].tolist() == [70.0, 90.0]
    assert [f.rule for f in study.findings] == ["personal-column", "unknown-columns", "age-grouped"]
    frame.assign(max_output_ma=[float("inf"), 140.0], placement=[["AP"], None]).to_parquet(
        tmp_path / "attempts.parquet"
    )
    found = [(f.rule, f.row, f.column) for f in check_study(tmp_path).findings if f.severity == "error"]
    assert found == [
        ("unknown-word", 2, "placement"), ("not-finite", 2, "max_output_ma"), ("missing-value", 3,
        "placement"),
    ]  # fmt: skip


def test_the_fingerprint_is_of_the_contents(tmp_path: Path) -> None:
    one, other = tmp_path / "one.csv", tmp_path / "other.csv"
    one.write_text(table(","))
    other.write_text(table(","))
    mapping = tmp_path / "m.toml"
    mapping.write_text("")
    assert read_study(one).fingerprint == read_study(other).fingerprint
    assert read_study(one).fingerprint != read_study(one, mapping).fingerprint
    other.write_text(table(";"))
    assert read_study(one).fingerprint != read_study(other).fingerprint
