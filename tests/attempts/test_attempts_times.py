"""Times, periods with capture and outcomes: every contradiction has a finding, and only where it should."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd
import pytest

from capstat.attempts import read_study, study_from_frames
from capstat.attempts.export import study_to_csv_texts

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from capstat.attempts import CheckResult

    Check = Callable[..., CheckResult]
    Places = Callable[[CheckResult, str], list[tuple[str, int | None, str | None]]]

HEADER = (
    "attempt_id,patient_id,placement,attempt_order,max_output_ma,highest_no_capture_ma,lowest_capture_ma,"
    "onset_s,arrival_s,pads_on_s,pacing_start_s,pacing_end_s,pacing_ended\n"
)
GOOD = "a,P1,AP,1,140,60,65,-900,-600,-30,0,1200,handed over\n"
PERIODS = "attempt_id,from_s,to_s,lost,capture_criterion\n"
PATIENTS = (
    "patient_id,survived_to_arrival,survived_to_admission,survived_to_discharge,survived_30_days,"
    "good_neurological_outcome,followed_until_s,died\n"
)


def timed(check: Check, *rows: str, periods: str = "", patients: str = "") -> CheckResult:
    others = {}
    if periods:
        others["periods"] = PERIODS + periods
    if patients:
        others["patients"] = PATIENTS + patients
    return check(HEADER + "".join(rows or (GOOD,)), **others)


def test_a_course_without_contradictions_has_no_findings(check: Check) -> None:
    periods = "a,20,100,yes,mechanical\na,100,1200,,mechanical\na,10,1200.5,,electrical\n"
    result = timed(check, periods=periods, patients="P1,yes,yes,no,no,no,90000,yes\n")
    assert not result.findings
    assert result.rows["periods"] == 3
    assert result.study is not None
    assert list(result.study.attempts["pacing_ended"]) == ["handed-over"]
    # by attempt, criterion and beginning
    assert list(result.study.periods["from_s"]) == [10.0, 20.0, 100.0]


@pytest.mark.parametrize(
    ("times", "column", "rule"),
    [
        ("-900,-600,-700,0,1200", "pads_on_s", "time-order"),
        ("-900,-600,30,0,1200", "pacing_start_s", "time-order"),
        ("30,-600,-30,0,1200", "pacing_start_s", "time-order"),
        ("-900,60,,0,1200", "arrival_s", "paced-before-arrival"),
    ],
)
def test_times_out_of_order(*, check: Check, places: Places, times: str, column: str, rule: str) -> None:
    result = timed(check, f"a,P1,AP,1,140,60,65,{times},handed over\n")
    assert places(result, rule) == [("attempts.csv", 2, column)]
    assert result.has_errors is (rule == "time-order")


def test_attempts_of_a_patient_share_one_time_zero(check: Check, places: Places) -> None:
    own_zero = timed(check, GOOD, "b,P1,AL,2,140,60,65,,,,0,300,handed over\n")
    assert places(own_zero, "attempts-overlap") == [("attempts.csv", 3, "pacing_start_s")]
    assert not own_zero.has_errors
    assert not timed(check, GOOD, "b,P1,AL,2,140,60,65,,,,1230,1500,handed over\n").findings
    assert not places(timed(check, GOOD, "b,P2,AL,2,140,60,65,,,,0,300,handed over\n"), "attempts-overlap")


@pytest.mark.parametrize(
    ("periods", "rule", "row", "column"),
    [
        ("a,100,100,yes,mechanical\n", "period-order", 2, "to_s"),
        ("a,100,50,yes,mechanical\n", "period-order", 2, "to_s"),
        ("a,10,300,yes,mechanical\na,200,400,,mechanical\n", "periods-overlap", 3, "from_s"),
        ("a,-20,300,yes,mechanical\n", "capture-outside-pacing", 2, "from_s"),
        ("a,20,1300,,mechanical\n", "capture-outside-pacing", 2, "to_s"),
        ("z,20,300,,mechanical\n", "unknown-attempt", 2, "attempt_id"),
        ("a,20,,,mechanical\n", "missing-value", 2, "to_s"),
    ],
)
def test_a_contradiction_of_periods(
    *, check: Check, places: Places, periods: str, rule: str, row: int, column: str
) -> None:
    result = timed(check, periods=periods)
    assert places(result, rule) == [("periods.csv", row, column)]
    assert result.has_errors


def test_periods_of_two_kinds_may_overlap(check: Check) -> None:
    assert not timed(check, periods="a,10,300,yes,mechanical\na,5,400,,electrical\n").findings


@pytest.mark.parametrize(
    ("patients", "column"),
    [
        ("P1,no,yes,no,no,no,2000,yes\n", "survived_to_admission"),
        ("P1,yes,no,yes,,,,\n", "survived_to_discharge"),
        ("P1,yes,yes,no,no,yes,,\n", "good_neurological_outcome"),
        ("P1,no,,,yes,,,\n", "survived_30_days"),
        ("P1,yes,yes,yes,yes,,90000,yes\n", "survived_30_days"),
    ],
)
def test_outcomes_that_cannot_both_be_true(*, check: Check, places: Places, patients: str, column: str) -> None:
    result = timed(check, patients=patients)
    assert places(result, "outcomes-contradict") == [("patients.csv", 2, column)]
    assert result.has_errors


def test_a_death_after_thirty_days_contradicts_nothing(check: Check) -> None:
    assert not timed(check, patients="P1,yes,yes,yes,yes,yes,2600000,yes\n").findings


def test_deaths_have_times_and_pacing_ends_before_them(check: Check, places: Places) -> None:
    timeless = timed(check, patients="P1,yes,yes,no,no,no,,yes\n")
    assert places(timeless, "death-without-time") == [("patients.csv", 2, "died")]
    assert not timeless.has_errors
    early = timed(check, patients="P1,yes,yes,no,no,no,600,yes\n")
    assert places(early, "paced-after-last-contact") == [("attempts.csv", 2, "pacing_end_s")]
    assert early.has_errors


def test_periods_alone_need_the_codes_of_attempts_and_the_summary_columns(check: Check, places: Places) -> None:
    result = check("patient_id,placement,max_output_ma\nP1,AP,140\n", periods=PERIODS + "a,1,2,,\n")
    assert {column for _, _, column in places(result, "missing-column")} >= {"attempt_id"}
    assert result.has_errors


def test_periods_survive_writing_and_reading_and_frames_make_the_same_study(check: Check, tmp_path: Path) -> None:
    study = timed(check, periods="a,20,100,yes,mechanical\na,100,1200,,mechanical\n").study
    assert study is not None
    folder = tmp_path / "again"
    folder.mkdir()
    for name, text in study_to_csv_texts(study).items():
        (folder / name).write_text(text, encoding="utf-8")
    again = read_study(folder)
    pd.testing.assert_frame_equal(again.periods, study.periods)
    by_row = study_from_frames(study.attempts, periods=study.periods)
    pd.testing.assert_frame_equal(by_row.periods, study.periods)
