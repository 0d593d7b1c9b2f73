"""What messages repeat from the data: what is on the list of harmless things, and nothing else."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capstat.attempts import render_findings
from capstat.attempts.ages import plain_age
from capstat.attempts.echo import cell_to_show, file_to_show, name_to_show, number_in_words, number_to_show
from capstat.attempts.fields import field_named
from capstat.attempts.findings import Withheld
from capstat.attempts.vocabulary import PLACEMENT, RHYTHM

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from capstat.attempts import CheckResult

    Check = Callable[..., CheckResult]
    Summary = Callable[..., str]

CURRENT = field_named("attempts", "lowest_capture_ma")
WORDS = field_named("attempts", "placement")
AGE = field_named("patients", "age_years")


def everything(result: CheckResult) -> str:
    return render_findings(result.findings, limit=10_000) + repr(result.findings)


@pytest.mark.parametrize(
    "text",
    ["80 mA", "80mA", "1200", "-5", "62,5", "1,200", "1.234,5", "80 J", "nan", "inf", "#DIV/0!", "1e400", "x", "NC", "abc",
     "no capture", "Left side", "%", "--"],
)  # fmt: skip
def test_harmless_cells_of_a_number_are_shown(text: str) -> None:
    assert cell_to_show(text, CURRENT) == text


@pytest.mark.parametrize(
    "text",
    ["1948", "2005", "1948.0", "1,948", "1.948", "1948,0", "1850 mA", "19480502", "120548", "0795550199", "795550199",
     "079.5550199", "12.05.48", "12/05/48", "1/1/11", "Zebulon", "zebulon", "ZEBULON", "Quackenbush", "Kim", "Łukasz",
     "Łukasz Żółty", "Иван Петров", "山田", "山田太郎", "<script>", "a@b.ch", "12 mA Zebulon", "93y", "93 years", "Zebulon left"],
)  # fmt: skip
def test_other_cells_are_described(text: str) -> None:
    for field in (CURRENT, WORDS):
        shown = cell_to_show(text, field)
        assert shown == Withheld(f"a text of {len(text)} characters")


@pytest.mark.parametrize("text", ["93", "30", "1234", "12.05", "4812"])
def test_numbers_among_words_are_not_shown(text: str) -> None:
    assert isinstance(cell_to_show(text, WORDS), Withheld)
    assert cell_to_show("2", WORDS) == "2"


@pytest.mark.parametrize("text", ['=HYPERLINK("http://x?n=Zebulon","y")', "=Zebulon", "@SUM(Zebulon)", "+=Zebulon"])
def test_formulas_are_cut_to_their_sign(text: str) -> None:
    assert cell_to_show(text, CURRENT) == f"{text[0]}…"
    assert cell_to_show("=", CURRENT) == "="


@pytest.mark.parametrize("text", ["93", "67", "x", "nan", "93 years", "yes"])
def test_nothing_of_an_age_and_nothing_of_a_code_is_shown(text: str) -> None:
    assert cell_to_show(text, AGE) == Withheld("the cell")
    assert isinstance(cell_to_show(text, field_named("attempts", "patient_id")), Withheld)


def test_numbers_that_may_be_years_phones_or_ages_are_not_shown() -> None:
    assert number_to_show(250.0, CURRENT) == "250"
    for number in (1948.0, 120548.0, 795550199.0, 1e15, float("inf")):
        assert number_to_show(number, CURRENT) == Withheld("the number")
    assert number_to_show(93.0, AGE) == Withheld("the age")
    seconds = field_named("attempts", "pacing_start_s")
    assert (number_in_words(12.5, seconds, " s"), number_in_words(120548.0, seconds, " s")) == ("12.5 s", "not shown")


@given(st.text(max_size=50))
def test_what_is_shown_is_the_cell_itself_or_its_sign(text: str) -> None:
    shown = cell_to_show(text, CURRENT)
    assert isinstance(shown, Withheld) or shown == text.strip() or shown[0] == text.strip()[0]


SECRETS = ("quackenbush", "zebulon", "0795550199", "795550199", "1948", "120548", "7955501", "93", "97", "95")
ROWS = (
    "1,Quackenbush,0795550199,1948,120548,93y,Zebulon",
    "2,zebulon,1948,19480502,7955501,97+,93",
    '3,Zebulon Quackenbush,795550199,120548 mA,"=HYPERLINK(""Zebulon"")",ca. 93,12.05.1948',
    "4,QUACKENBUSH,1e948,zebulon,0795550199,>95,Zebulon Q",
)


def test_no_planted_secret_is_in_any_message(check: Check) -> None:
    header = "patient_id,placement,max_output_ma,highest_no_capture_ma,lowest_capture_ma,age_years,rhythm\n"
    result = check(header + "\n".join(ROWS) + "\n")
    assert len(result.findings) > 15
    text = everything(result).casefold()
    for secret in SECRETS:
        assert secret not in text.replace("above 89", "")


def test_times_that_may_be_dates_are_not_in_the_middle_of_a_sentence(check: Check, summary: Summary) -> None:
    result = check(summary(pacing_start_s="120548", pacing_end_s="110548"))
    assert [f.rule for f in result.findings] == ["time-order"]
    assert "0548" not in everything(result)


def test_a_cell_that_is_withheld_is_named_by_its_length(check: Check, summary: Summary) -> None:
    (finding,) = check(summary("1,Quackenbush,140,60,65")).findings
    assert finding.value is None
    assert finding.sentence().startswith(
        "attempts.csv, row 2, column placement: a text of 11 characters is not understood."
    )


@pytest.mark.parametrize(
    ("text", "word"),
    [("anterior-posteriour", "anterior-posterior"), ("anterior latteral", "anterior-lateral"), ("sideways", None),
     ("posterior-lateral", None), ("front", None), ("anterior", None), ("anterior left", None), ("", None), ("x" * 10_000, None)],
)  # fmt: skip
def test_only_a_likely_word_is_suggested(text: str, word: str | None) -> None:
    assert PLACEMENT.closest(text) == word


def test_a_suggestion_stands_in_the_message(check: Check, summary: Summary) -> None:
    (finding,) = check(summary(rhythm="sinus bradicardia")).findings
    assert "(did you mean sinus-bradycardia?)" in finding.sentence()
    assert "bradicardia" not in finding.sentence()
    assert RHYTHM.closest("bradicardia") == "sinus-bradycardia"


# -- ages ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "age"),
    [("67y", "67"), ("67 years", "67"), ("67 yrs.", "67"), ("67 Jahre", "67"), ("67 ans", "67"), ("67 y/o", "67"),
     ("67 years old", "67"), ("67,5", "67.5"), ("93+", "93"), (">93", "93"), ("≥ 93", "93"), ("93 or older", "93"),
     ("93 years", "93"), (">89", "90"), (">90 y", "90"), ("89+", "89+"), (">70", ">70"), ("ca. 93", "ca. 93")],
)  # fmt: skip
def test_ages_with_units_and_limits(text: str, age: str) -> None:
    assert plain_age(text) == age


@pytest.mark.parametrize("age", ["93", "93+", ">93", "93y", "93 years", "93 Jahre", "≥93"])
def test_an_age_above_89_is_grouped_and_never_repeated(check: Check, summary: Summary, age: str) -> None:
    result = check(summary(age_years=age))
    assert [f.rule for f in result.findings] == ["age-grouped"]
    assert result.study is not None
    assert result.study.patients["age_years"].tolist() == [90.0]
    assert "93" not in everything(result)


@pytest.mark.parametrize("age", ["17655", "20548", "120548", "19480502", "1948", "17655.5"])
def test_a_number_that_stands_for_a_birth_date_is_no_age(check: Check, summary: Summary, age: str) -> None:
    result = check(summary(age_years=age))
    assert [(f.rule, f.severity) for f in result.findings] == [("age-is-date", "error")]
    assert age not in everything(result)


# -- names of files, sheets, columns and settings ------------------------------------------------------------


@pytest.mark.parametrize(
    "name",
    ["Zebulon Quackenbush.csv", "quackenbush_zebulon.xlsx", "QuackenbushZebulon.csv", "born 1948-05-02.csv",
     "0795550199.csv", "zeb@example.org.csv", "QUACKENBUSH, Zebulon.csv"],
)  # fmt: skip
def test_file_names_that_may_point_to_somebody(name: str) -> None:
    assert file_to_show(name, "the attempts file") == "the attempts file"


@pytest.mark.parametrize("name", ["attempts.csv", "pacing_export_v2.csv", "Registry Data.xlsx", "export.csv", "x"])
def test_file_names_that_are_shown(name: str) -> None:
    assert file_to_show(name, "the attempts file") == name


def test_a_file_named_after_somebody_is_called_by_its_table(tmp_path: Path, summary: Summary) -> None:
    from capstat.attempts import check_study, read_study

    file, mapping = tmp_path / "Zebulon Quackenbush.csv", tmp_path / "Quackenbush Zebulon.toml"
    file.write_text(summary("1,XX,140,60,65"))
    mapping.write_text('[attempts.columns]\nstep_ma = "Zebulon Quackenbush"\n')
    result = check_study(file, mapping)
    assert {f.file for f in result.findings} == {"the attempts file", "the mapping file"}
    assert "ebulon" not in everything(result)
    file.write_text(summary())
    assert read_study(file).sources == ("the attempts file",)


def test_files_of_a_folder_are_not_named_after_somebody(tmp_path: Path, summary: Summary) -> None:
    from capstat.attempts import check_study

    folder = tmp_path / "Zebulon Quackenbush"
    folder.mkdir()
    (folder / "Quackenbush, Zebulon.csv").write_text("x")
    (folder / "Zebulon Quackenbush.csv").write_text(summary("1,XX,140,60,65"))
    mapping = tmp_path / "m.toml"
    for named in ("Zebulon Quackenbush.csv", "Zebulon Nowhere.csv"):
        mapping.write_text(f'[attempts]\nfile = "{named}"\n')
        assert "ebulon" not in everything(check_study(folder, mapping))
    assert "ebulon" not in everything(check_study(folder))


@pytest.mark.parametrize(
    "mapping",
    [
        '[attempts]\n"Zebulon Quackenbush" = 3',
        '["Zebulon Quackenbush"]\nx = 3',
        '[attempts.columns]\n"Zebulon Quackenbush" = "x"',
        '[attempts.columns]\nrhythm = "Zebulon Quackenbush"',
        '[attempts]\nignore = ["Zebulon Quackenbush"]',
        '[attempts.columns]\n"Zebulon Quackenbush" = "x"\n"Zebulon Quackenbush" = "y"',
        '["Zebulon Quackenbush"]\n["Zebulon Quackenbush"]',
        'x = "Zebulon Quackenbush',
        '[attempts.constants]\nrhythm = "Zebulon Quackenbush"',
        '[attempts.recode.rhythm]\n"Zebulon Quackenbush" = "Zebulon"',
    ],
)
def test_a_mapping_is_not_repeated_where_it_names_somebody(check: Check, summary: Summary, mapping: str) -> None:
    result = check(summary(), mapping=mapping)
    assert result.findings
    assert "ebulon" not in everything(result)


def test_a_mapping_that_is_no_toml_says_where(check: Check, summary: Summary) -> None:
    (finding,) = check(summary(), mapping="[attempts]\nx = y\n").findings
    assert "line 2, column 5" in finding.message


def test_a_header_that_reads_like_a_name_is_called_by_its_letter(check: Check, summary: Summary) -> None:
    result = check(summary(**{"Zebulon Quackenbush": "ok"}))
    assert [f.rule for f in result.findings] == ["unknown-columns"]
    assert "column F" in result.findings[0].message
    assert "ebulon" not in everything(result)
    mapped = check(
        summary("1,AP,140,60,65", **{"Zebulon Quackenbush": "??x"}),
        mapping='[attempts.columns]\nrhythm = "Zebulon Quackenbush"\n',
    )
    assert [f.rule for f in mapped.findings] == ["unknown-word"]
    assert "ebulon" not in everything(mapped)


def test_names_that_are_shown() -> None:
    assert name_to_show("Pad site") == "Pad site"
    assert name_to_show("Time Stamp") == "Time Stamp"
    assert name_to_show("Nachname") is None
