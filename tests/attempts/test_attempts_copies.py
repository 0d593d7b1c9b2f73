"""Rows that repeat one another, and attempts in no recorded order."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest

from capstat.attempts import StudyError, study_from_frames

if TYPE_CHECKING:
    from collections.abc import Callable

    from capstat.attempts import CheckResult

    Check = Callable[..., CheckResult]
    Summary = Callable[..., str]
    Places = Callable[[CheckResult, str], list[tuple[str, int | None, str | None]]]
    Rules = Callable[[CheckResult], list[str]]

FILE = "attempts.csv"
HEADER = "patient_id,placement,max_output_ma,highest_no_capture_ma,lowest_capture_ma"


def test_rows_that_differ_in_an_unused_column_only_are_no_error(check: Check, places: Places) -> None:
    text = f"{HEADER},Remarks\n1,AP,140,60,65,first\n1,AP,140,60,65,second\n1,AP,140,60,65,first\n"
    result = check(text)
    assert places(result, "duplicate-row") == [(FILE, 4, None)]
    assert "row 2 in every column" in result.findings[0].message
    assert places(result, "repeated-row") == [(FILE, 3, None)]
    assert check(text.rsplit("\n", 2)[0]).study is not None


def test_rows_that_differ_in_a_dropped_personal_column_are_no_error(check: Check, places: Places) -> None:
    result = check(f"{HEADER},Nachname\n1,AP,140,60,65,Muster\n1,AP,140,60,65,Beispiel\n")
    assert places(result, "repeated-row") == [(FILE, 3, None)]
    assert result.study is not None


def test_rows_that_differ_in_the_patient_only_are_no_copies(check: Check, rules: Rules) -> None:
    result = check(f"{HEADER},sex\n1,AP,140,60,65,F\n1,AP,140,60,65,M\n")
    assert "duplicate-row" not in rules(result)
    assert "patient-records-differ" in rules(result)


def test_cells_that_were_not_understood_are_compared_as_they_are(check: Check, rules: Rules) -> None:
    assert rules(check(f"{HEADER}\n1,AP,140,60,x\n1,AP,140,60,y\n")).count("not-a-number") == 2
    assert "duplicate-row" not in rules(check(f"{HEADER}\n1,AP,140,60,x\n1,AP,140,60,y\n"))
    assert "repeated-row" not in rules(check(f"{HEADER}\n1,AP,140,60,x\n1,AP,140,60,y\n"))
    assert "duplicate-row" in rules(check(f"{HEADER}\n1,AP,140,60,x\n1,AP,140,60,x\n"))


def test_a_repeated_code_or_number_is_still_an_error(check: Check, rules: Rules) -> None:
    for column, rule in (("attempt_id", "duplicate-attempt-id"), ("attempt_order", "same-attempt-twice")):
        found = rules(check(f"{HEADER},{column},Remarks\n1,AP,140,60,65,1,x\n1,AP,140,60,65,1,y\n"))
        assert rule in found
        assert "repeated-row" not in found


def test_frames_are_compared_in_every_column_too() -> None:
    frame = pd.DataFrame(
        {"patient_id": "1", "placement": "AP", "max_output_ma": 140.0, "lowest_capture_ma": 60.0, "x": [np.nan, np.nan]}
    )
    with pytest.raises(StudyError, match="row 3: repeats row 2"):
        study_from_frames(frame)
    assert study_from_frames(frame.assign(x=[1.5, np.nan])).n_patients == 1


@pytest.mark.parametrize(("columns", "places_of"), [("step_order,", "1,"), ("time_s,", "5,"), ("", "")])
def test_steps_that_differ_in_an_unused_column_only(check: Check, rules: Rules, columns: str, places_of: str) -> None:
    attempts = "attempt_id,patient_id,placement,max_output_ma\na,1,AP,140\n"
    header = f"attempt_id,{columns}current_ma,electrical_capture,Remarks\n"
    result = check(attempts, steps=f"{header}a,{places_of}60,yes,x\na,{places_of}60,yes,y\n")
    expected = "duplicate-step-order" if columns == "step_order," else "repeated-row"
    assert expected in rules(result)
    assert "duplicate-row" not in rules(result)
    same = check(attempts, steps=f"{header}a,{places_of}60,yes,x\na,{places_of}60,yes,x\n")
    assert ("duplicate-row" in rules(same)) is bool(columns)


def test_attempts_of_a_patient_in_no_recorded_order(check: Check, summary: Summary, rules: Rules) -> None:
    (finding,) = check(summary("1,AP,140,60,65", "1,AL,140,70,75", "2,AP,140,60,65")).findings
    assert (finding.rule, finding.severity, finding.row) == ("order-not-recorded", "warning", None)
    assert "not recorded for 1 patient with" in finding.message
    assert "the first row counts as the first" in finding.message
    header = f"{HEADER},attempt_order\n"
    assert rules(check(f"{header}1,AP,140,60,65,1\n1,AL,140,70,75,\n")) == ["order-not-recorded"]
    assert not check(f"{header}1,AP,140,60,65,2\n1,AL,140,70,75,1\n2,AP,140,60,65,\n").findings
    # said once: a copy, and a number that was not understood, have their own finding
    assert rules(check(f"{header}1,AP,140,60,65,1\n1,AL,140,70,75,x\n")) == ["not-a-number"]
    assert rules(check(f"{HEADER}\n1,AP,140,60,65\n1,AP,140,60,65\n")) == ["duplicate-row"]
