"""Column names that are no field: what is asked, what is shown, and what is not checked then."""

from __future__ import annotations

import tomllib
from typing import TYPE_CHECKING

import pytest

from capstat.attempts import StudyError, read_study, render_findings
from capstat.attempts.fields import TABLES
from capstat.attempts.headers import looks_like_data, mapping_example, near_misses

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from capstat.attempts import CheckResult

    Check = Callable[..., CheckResult]
    Summary = Callable[..., str]
    Places = Callable[[CheckResult, str], list[tuple[str, int | None, str | None]]]
    Rules = Callable[[CheckResult], list[str]]

ALL_FIELDS = TABLES["attempts"] + TABLES["patients"][1:]
LOCAL = "patient_id;Pad site;max_output;highest_no_capture;lowest_capture_ma;Remarks\n"


@pytest.mark.parametrize(
    ("header", "field"),
    [
        ("highest_no_capture", "highest_no_capture_ma"),
        ("Highest No Capture", "highest_no_capture_ma"),
        ("lowest_capture", "lowest_capture_ma"),
        ("max_output", "max_output_ma"),
        ("max_outptu_ma", "max_output_ma"),
        ("Device max output", "max_output_ma"),
        ("placment", "placement"),
        ("Pad placement", "placement"),
        ("patient", "patient_id"),
        ("weight", "weight_kg"),
        ("rate", "rate_ppm"),
        ("hight_cm", "height_cm"),
        # the opposite, another unit, or another thing
        ("highest_capture_ma", None),
        ("lowest_no_capture_ma", None),
        ("height_m", None),
        ("weight_lb", None),
        ("pulse_width_us", None),
        ("last_capture_s", None),
        ("sedation drug", None),
        ("Remarks", None),
        ("%", None),
    ],
)
def test_names_that_are_nearly_a_field(header: str, field: str | None) -> None:
    assert near_misses([header], ALL_FIELDS) == ({} if field is None else {field: header})


def test_the_nearest_name_is_offered_and_each_name_once() -> None:
    assert near_misses(["wieght", "weight"], ALL_FIELDS) == {"weight_kg": "weight"}


@pytest.mark.parametrize("row", [["P1", "AP", "140"], ["x", "140 mA"], ["1948-05-02"], ["a", "62,5"], ["a.b@c.org"]])
def test_first_rows_that_are_data(row: list[str]) -> None:
    assert looks_like_data(row)


@pytest.mark.parametrize("row", [["Case", "Pad site"], ["AP", "AL"], ["", "12-lead"], ["I max (mA)"], []])
def test_first_rows_that_are_names(row: list[str]) -> None:
    assert not looks_like_data(row)


def test_the_example_is_a_mapping_file() -> None:
    wanted = [field for field in ALL_FIELDS if field.name in ("placement", "max_output_ma")]
    example = mapping_example("attempts", wanted, {"placement": 'Pad "site"\x1b\\'}, "")
    assert len(example.splitlines()) == 4
    columns = tomllib.loads(example)["attempts"]["columns"]
    assert columns == {"placement": 'Pad "site" \\', "max_output_ma": "..."}
    assert "# in own.toml" in mapping_example("attempts", wanted, {}, "own.toml")


def test_missing_columns_come_with_the_names_there_are_and_how_to_map_them(check: Check, places: Places) -> None:
    result = check(LOCAL + "1;AP;140;65;60;x\n1;AP;140;65;60;x\n")
    assert places(result, "missing-column") == [
        ("attempts.csv", None, "placement"),
        ("attempts.csv", None, "max_output_ma"),
        ("attempts.csv", None, "highest_no_capture_ma"),
    ]
    placement, output, summary = result.findings
    assert "It holds: where the pads were." in placement.remedy
    assert 'The file has "max_output"; did you mean max_output_ma?' in output.remedy
    assert '"patient_id", "Pad site", "max_output", "highest_no_capture", "lowest_capture_ma", "Remarks".' in (
        summary.remedy
    )
    assert "mapping file" in summary.remedy
    assert summary.example.splitlines()[1:] == [
        "[attempts.columns]",
        'placement = "..."  # where the pads were',
        'max_output_ma = "max_output"',
        'highest_no_capture_ma = "highest_no_capture"',
    ]
    assert not placement.example


def test_the_example_as_given_makes_the_file_readable(check: Check) -> None:
    text = LOCAL.replace("Pad site", "placment") + "1;AP;140;60;65;x\n"
    example = check(text).findings[-1].example
    assert check(text, mapping=example).study is not None


def test_rows_are_not_checked_while_a_column_is_missing(check: Check, summary: Summary, rules: Rules) -> None:
    bad_rows = ["1,AP,900,65,60", "1,AP,900,65,60", "?,side,x,,"]
    for name in ("patient_id", "placement", "max_output_ma"):
        text = summary(*bad_rows).replace(name, "Other", 1)
        assert rules(check(text)) == ["missing-column"]
    both = summary(*bad_rows).replace("highest_no_capture_ma,lowest_capture_ma", "failed,took")
    assert rules(check(both)) == ["missing-column"] * 2
    mapped = '[attempts.columns]\nplacement = "Pads"\n'
    assert rules(check(summary(*bad_rows), mapping=mapped)) == ["mapping-column-missing", "unknown-columns"]


def test_rows_of_other_tables_are_still_checked(check: Check, summary: Summary, rules: Rules) -> None:
    text = summary().replace("placement", "Other")
    result = check(text, steps="attempt_id,current_ma\na,x\n", patients="patient_id,age_years\nP1,x\n")
    assert rules(result) == ["missing-column"] * 2 + ["not-a-number"] * 2


def test_steps_without_a_needed_column_say_nothing_against_the_attempts(check: Check, rules: Rules) -> None:
    attempts = "attempt_id,patient_id,placement,max_output_ma,ended\na,1,AP,140,captured\n"
    assert rules(check(attempts, steps="attempt_id,mA,electrical_capture\na,60,yes\n")) == ["missing-column"]


def test_one_summary_column_is_enough_and_a_misspelt_one_is_an_error(check: Check, rules: Rules) -> None:
    start = "patient_id,placement,max_output_ma,lowest_capture_ma"
    assert check(f"{start}\n1,AP,140,60\n").study is not None
    assert rules(check(f"{start},highest_no_capture\n1,AP,140,60,55\n")) == ["missing-column"]
    ignored = '[attempts]\nignore = ["highest_no_capture"]\n'
    assert check(f"{start},highest_no_capture\n1,AP,140,60,55\n", mapping=ignored).study is not None


def test_a_constant_stands_for_a_missing_column(check: Check, summary: Summary) -> None:
    text = summary("1,AP,140,60,65").replace("max_output_ma", "max_output")
    assert check(text, mapping="[attempts.constants]\nmax_output_ma = 140\n").study is not None


def test_errors_about_names_come_before_all_others(check: Check, summary: Summary, rules: Rules) -> None:
    result = check(summary("1,AP,140,65,60", attempt_id="a"), steps="attempt_id,mA\na,60\n")
    assert rules(result) == ["missing-column", "summary-order"]
    assert result.findings[0].file == "steps.csv"


def test_no_recognised_column_names_those_there_are(check: Check) -> None:
    (finding,) = check("Case;Pad site;max_output\n1;AP;140\n").findings
    assert finding.rule == "no-header"
    assert '"Case", "Pad site", "max_output".' in finding.remedy
    assert "did you mean max_output_ma?" in finding.remedy
    assert 'max_output_ma = "max_output"' in finding.example
    assert 'lowest_capture_ma = "..."' in finding.example
    steps = check("attempt_id,patient_id,placement,max_output_ma\na,1,AP,140\n", steps="x,y\na,60\n").findings[0]
    assert "[steps.columns]" in steps.example


def test_a_first_row_of_data_is_not_shown_as_names(check: Check) -> None:
    (finding,) = check("Ward7X,AP,140\nWard8X,AL,140\n").findings
    assert "looks like data" in finding.remedy
    assert "Ward" not in finding.remedy + finding.example
    # the same when a cell of the first row happens to be the name of a column
    missing = check("Ward7X,arrest,140\nWard8X,arrest,140\n").findings
    assert {f.rule for f in missing} == {"missing-column"}
    assert "Ward" not in "".join(f.remedy + f.example for f in missing)


@pytest.mark.parametrize("start", ["patient_id;Pad site", "Case;Pad site"])
@pytest.mark.parametrize("secret", ["Nachname;Muster", "Remarks;zeb@example.org"])
def test_a_personal_column_is_listed_by_its_letter(check: Check, start: str, secret: str) -> None:
    header, cell = secret.split(";")
    text = render_findings(check(f"{start};{header}\n1;AP;{cell}\n").findings)
    assert '"Pad site", column C.' in text
    assert header not in text
    assert cell not in text


def test_many_columns_are_not_all_listed(check: Check) -> None:
    names = ";".join(f"note {letter}{other}" for letter in "abcdef" for other in "ghijkl")
    (finding,) = check(f"{names}\n{';' * 35}\nx{';' * 35}\n").findings
    assert '"note ag"' in finding.remedy
    assert "and 6 more." in finding.remedy


def test_a_mapped_column_that_is_not_there_names_the_nearest(check: Check, summary: Summary) -> None:
    text = summary("1,AP,140,60,65", **{"Pad site": "AP"})
    near = check(text, mapping='[attempts.columns]\nplacement = "Pads site"\n').findings[0]
    assert 'Did you mean "Pad site"?' in near.remedy
    far = check(text, mapping='[attempts.columns]\nplacement = "Elektroden"\n').findings[0]
    assert '"lowest_capture_ma", "Pad site".' in far.remedy


def test_a_misspelt_optional_column_is_asked_about(check: Check, summary: Summary) -> None:
    (finding,) = check(summary("1,AP,140,60,65", Remarks="x", weight="80")).findings
    assert finding.rule == "unknown-columns"
    assert finding.message == '2 columns are not used: "weight" (did you mean weight_kg?), "Remarks"'
    (finding,) = check(summary("1,AP,140,60,65", Remarks="x")).findings
    assert finding.sentence() == (
        'attempts.csv: 1 column is not used: "Remarks". '
        "Map it to a field or list it under ignore in a mapping file."
    )  # fmt: skip


def test_the_lines_to_copy_are_below_the_sentence(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("patient_id,placement,max_output,lowest_capture_ma\n1,AP,140,60\n")
    with pytest.raises(StudyError) as caught:
        read_study(tmp_path / "a.csv")
    assert str(caught.value).splitlines()[1:] == [
        "    # mapping.toml, used with --mapping mapping.toml",
        "    [attempts.columns]",
        '    max_output_ma = "max_output"',
    ]
    assert "\n      [attempts.columns]\n" in render_findings(caught.value.findings)
