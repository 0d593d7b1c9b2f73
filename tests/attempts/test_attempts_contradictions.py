"""Every contradiction between cells, rows and tables has a finding, and only where it should."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from collections.abc import Callable

    from capstat.attempts import CheckResult

    Check = Callable[..., CheckResult]
    Summary = Callable[..., str]
    Places = Callable[[CheckResult, str], list[tuple[str, int | None, str | None]]]
    Rules = Callable[[CheckResult], list[str]]

FILE = "attempts.csv"


def with_steps(
    check: Check,
    *steps: str,
    columns: str = "current_ma,electrical_capture,mechanical_capture",
    attempt: str = "",
) -> CheckResult:
    """Check one attempt ``a`` (maximum 140 mA, ramp from 40 by 10 mA) with the given steps."""
    attempts = (
        "attempt_id,patient_id,placement,max_output_ma,start_ma,step_ma,ended\n"
        "a,P1,AP,140,40,10,stopped-pain\n"
        f"{attempt}"
    )  # fmt: skip
    return check(attempts, steps="\n".join([f"attempt_id,{columns}", *(f"a,{step}" for step in steps)]) + "\n")


def test_a_plain_study_has_no_findings(check: Check, summary: Summary) -> None:
    assert not check(summary("1,AP,140,60,65", "2,AL,140,140,", "3,AL,140,,40")).findings
    assert not with_steps(check, "40,no,no", "50,no,no", "60,yes,no", "70,yes,yes", "60,yes,").findings


@pytest.mark.parametrize(
    ("row", "rule", "column"),
    [
        ("1,AP,140,65,60", "summary-order", "lowest_capture_ma"),
        ("1,AP,140,65,65", "summary-order", "lowest_capture_ma"),
        ("1,AP,140,,0", "capture-without-current", "lowest_capture_ma"),
        ("1,AP,140,,", "no-observation", None),
        ("1,AP,140,60,145", "above-device-maximum", "lowest_capture_ma"),
        ("1,AP,140,145,", "above-device-maximum", "highest_no_capture_ma"),
        ("1,AP,360,60,65", "above-ceiling", "max_output_ma"),
        ("1,AP,140,60,250", "above-ceiling", "lowest_capture_ma"),
        (",AP,140,60,65", "missing-value", "patient_id"),
        ("1,NA,140,60,65", "missing-value", "placement"),
        ("1,AP,,60,65", "missing-value", "max_output_ma"),
        ("1,front,140,60,65", "unknown-word", "placement"),
    ],
)
def test_an_error_in_one_row(
    *, check: Check, summary: Summary, places: Places, row: str, rule: str, column: str | None
) -> None:
    result = check(summary("9,AP,140,60,65", row))
    assert places(result, rule) == [(FILE, 3, column)]
    assert [f.severity for f in result.findings if f.rule == rule] == ["error"]
    assert result.study is None


@pytest.mark.parametrize(
    ("name", "value", "rule", "severity"),
    [
        ("pulse_width_ms", "60", "above-ceiling", "error"),
        ("pulse_width_ms", "2", "implausible", "warning"),
        ("rate_ppm", "250", "implausible", "warning"),
        ("rate_ppm", "0", "out-of-range", "error"),
        ("attempt_order", "1.5", "not-whole", "error"),
        ("attempt_order", "0", "out-of-range", "error"),
        ("start_ma", "150", "above-device-maximum", "error"),
        ("pacing_start_s", "1700000000", "out-of-range", "error"),
        ("pacing_start_s", "10:32", "not-a-number", "error"),
        ("conscious", "maybe", "unknown-word", "error"),
        ("weight_kg", "260", "looks-like-pounds", "warning"),
        ("height_cm", "5", "out-of-range", "error"),
        ("age_years", "1948-05-02", "age-is-date", "error"),
        ("age_years", "02/05/48", "age-is-date", "error"),
        ("age_years", "1948", "age-is-date", "error"),
        ("age_years", "95", "age-grouped", "warning"),
        ("age_years", "150", "out-of-range", "error"),
    ],
)
def test_a_cell_outside_its_limits(
    *, check: Check, summary: Summary, name: str, value: str, rule: str, severity: str
) -> None:
    result = check(summary("1,AP,140,60,65", **{name: value}))
    assert [(f.rule, f.severity, f.row, f.column) for f in result.findings] == [(rule, severity, 2, name)]


def test_the_ceilings_name_their_source(check: Check, summary: Summary) -> None:
    result = check(summary("1,AP,360,60,65", pulse_width_ms="60"))
    assert all("21 CFR 870.5550" in f.message for f in result.findings)
    assert any("joules" in f.remedy for f in result.findings)


def test_ninety_or_older_is_stored_as_ninety_and_not_repeated(check: Check, summary: Summary) -> None:
    result = check(summary("1,AP,140,60,65", "2,AP,140,60,65", age_years="97"))
    assert result.study is not None
    assert result.study.patients["age_years"].tolist() == [90.0, 90.0]
    assert all("97" not in f.sentence() for f in result.findings)
    assert not check(summary("1,AP,140,60,65", age_years="90+")).findings


def test_a_question_mark_is_not_the_same_as_no_capture(check: Check, summary: Summary, places: Places) -> None:
    result = check(summary("1,AP,140,140,?", "2,AP,140,140,NA"))
    assert places(result, "question-mark") == [(FILE, 2, "lowest_capture_ma")]


def test_a_cell_that_is_not_understood_has_no_second_finding(check: Check, summary: Summary, rules: Rules) -> None:
    assert rules(check(summary("1,AP,140,,x"))) == ["not-a-number"]
    assert rules(check(summary("1,AP,140,60,x", ended="captured"))) == ["not-a-number"]


# -- ramps and their ends ------------------------------------------------------------------------------------


def test_currents_off_the_grid_of_the_ramp(check: Check, summary: Summary, places: Places) -> None:
    result = check(summary("1,AP,140,60,65", "2,AP,140,60,70", "3,AP,145,140,145", start_ma="40", step_ma="10"))
    assert places(result, "off-grid") == [(FILE, 2, "lowest_capture_ma")]
    assert result.study is not None
    steps = with_steps(check, "40,no,", "55,yes,", "140,yes,")
    assert places(steps, "off-grid") == [("steps.csv", 3, "current_ma")]
    # a step-down after capture may be finer than the ramp
    down = with_steps(check, "40,no,", "50,yes,", "47,yes,", "43,no,", "140,yes,")
    assert places(down, "off-grid") == []


def test_why_a_ramp_stopped_below_the_maximum(check: Check, summary: Summary, places: Places) -> None:
    rows = ["1,AP,140,100,", "2,AP,140,140,", "3,AP,140,60,65"]
    result = check(summary(*rows, ended="unknown"))
    assert places(result, "stopped-unexplained") == [(FILE, 2, "ended")]
    assert places(check(summary(*rows, ended="")), "stopped-unexplained") == [(FILE, 2, "ended")]
    assert places(check(summary(*rows)), "stopped-unexplained") == [(FILE, None, "ended")]  # once for the file
    assert not check(summary("1,AP,140,100,", ended="stopped-pain")).findings
    # From 40 mA in steps of 15 mA the last setting is 130 mA: the next one would be 145 mA.
    assert not check(summary("1,AP,140,130,", start_ma="40", step_ma="15")).findings


def test_ended_with_capture_that_nobody_recorded(check: Check, summary: Summary, places: Places) -> None:
    result = check(summary("1,AP,140,140,", "2,AP,140,60,65", ended="captured"))
    assert places(result, "ended-without-capture") == [(FILE, 2, "ended")]
    assert "ended-without-capture" not in [
        f.rule for f in check("attempt_id,patient_id,placement,max_output_ma,ended\na,1,AP,140,captured\n",
                              steps="attempt_id,current_ma,mechanical_capture\na,60,yes\n").findings
    ]  # fmt: skip


def test_ended_at_a_maximum_that_was_not_reached(check: Check, summary: Summary, places: Places) -> None:
    result = check(summary("1,AP,140,100,", "2,AP,140,140,", ended="maximum-reached"))
    assert places(result, "ended-below-maximum") == [(FILE, 2, "ended")]


def test_a_time_of_capture_without_capture(check: Check, summary: Summary, places: Places) -> None:
    result = check(summary("1,AP,140,140,", "2,AP,140,60,65", first_capture_s="20"))
    assert places(result, "capture-time-without-capture") == [(FILE, 2, "first_capture_s")]


@pytest.mark.parametrize(
    ("start", "capture", "end", "column"),
    [("10", "", "5", "pacing_end_s"), ("10", "5", "20", "first_capture_s"), ("", "20", "10", "pacing_end_s")],
)
def test_times_in_the_wrong_order(
    *, check: Check, summary: Summary, places: Places, start: str, capture: str, end: str, column: str
) -> None:
    times = {"pacing_start_s": start, "first_capture_s": capture, "pacing_end_s": end}
    assert places(check(summary("1,AP,140,60,65", **times)), "time-order") == [(FILE, 2, column)]


# -- which row is which --------------------------------------------------------------------------------------


def test_the_same_row_twice(check: Check, summary: Summary) -> None:
    result = check(summary("1,AP,140,60,65", "2,AP,140,60,65", "1,AP,140,60,65"))
    (finding,) = result.findings
    assert (finding.rule, finding.severity, finding.row) == ("duplicate-row", "error", 4)
    assert "row 2" in finding.message


def test_the_same_attempt_twice(check: Check, summary: Summary, rules: Rules) -> None:
    assert rules(check(summary("1,AP,140,60,65", "1,AP,140,70,75", attempt_order="1"))) == ["same-attempt-twice"]
    assert rules(check(summary("1,AP,140,60,65", "1,AL,140,70,75", attempt_order="1"))) == ["same-order-twice"]
    assert rules(check(summary("1,AP,140,60,65", "1,AL,140,70,75"))) == ["order-not-recorded"]


def test_the_same_code_twice(check: Check, summary: Summary, places: Places) -> None:
    result = check(summary("1,AP,140,60,65", "2,AP,140,70,75", attempt_id="secret"))
    assert places(result, "duplicate-attempt-id") == [(FILE, 3, "attempt_id")]
    assert "secret" not in result.findings[0].sentence()


def test_unknown_placement_is_counted_once(check: Check, summary: Summary) -> None:
    (finding,) = check(summary("1,unknown,140,60,65", "2,unknown,140,60,65", "3,AP,140,60,65")).findings
    assert (finding.rule, finding.severity, finding.occurrences) == ("placement-unknown", "warning", 2)


# -- steps ---------------------------------------------------------------------------------------------------


def test_attempts_need_a_code_when_there_are_steps(check: Check, summary: Summary, places: Places) -> None:
    result = check(summary(), steps="attempt_id,current_ma\na,60\n")
    assert places(result, "missing-column") == [(FILE, None, "attempt_id")]


def test_steps_of_an_attempt_nobody_knows(check: Check, places: Places) -> None:
    result = check(
        "attempt_id,patient_id,placement,max_output_ma\na,1,AP,140\n",
        steps="attempt_id,current_ma,electrical_capture\na,60,yes\nzzz,60,yes\n",
    )
    assert places(result, "unknown-attempt") == [("steps.csv", 3, "attempt_id")]
    assert "zzz" not in "".join(f.sentence() for f in result.findings)


def test_an_attempt_without_steps_and_summary(check: Check, places: Places) -> None:
    result = with_steps(check, "60,yes,", attempt="b,P2,AP,140,40,10,\n")
    assert places(result, "no-observation") == [(FILE, 3, None)]


def test_steps_that_cannot_be_read_leave_the_attempts_alone(check: Check, rules: Rules) -> None:
    attempts = "attempt_id,patient_id,placement,max_output_ma\na,1,AP,140\n"
    assert rules(check(attempts, steps=b"\x00\x01")) == ["binary-file"]
    assert rules(check(attempts, steps="what,is\nthis,now\n")) == ["no-header"]


def test_steps_at_which_nobody_looked(check: Check, rules: Rules) -> None:
    assert rules(with_steps(check, "60,,", "70,,")) == ["capture-not-assessed"]


def test_a_step_above_the_device(check: Check, places: Places) -> None:
    result = with_steps(check, "60,no,", "150,yes,")
    assert places(result, "above-device-maximum") == [("steps.csv", 3, "current_ma")]
    assert places(with_steps(check, "60,no,", "250,,"), "above-ceiling") == [("steps.csv", 3, "current_ma")]


def test_mechanical_capture_needs_electrical_capture(check: Check, places: Places) -> None:
    result = with_steps(check, "60,no,yes", "70,,yes")
    assert places(result, "mechanical-without-electrical") == [("steps.csv", 2, "mechanical_capture")]


@pytest.mark.parametrize("column", ["electrical_capture", "mechanical_capture", "adjudicated_capture"])
@pytest.mark.parametrize("current", ["0", ""])
def test_capture_needs_a_current(check: Check, places: Places, column: str, current: str) -> None:
    result = with_steps(check, f"{current},yes", "60,yes", columns=f"current_ma,{column}")
    assert places(result, "capture-without-current") == [("steps.csv", 2, column)]


@pytest.mark.parametrize(
    ("steps", "rows"),
    [
        (["60,no,", "70,yes,", "80,no,", "90,no,"], [4]),  # one finding for the ramp
        (["60,yes,", "60,no,"], [3]),  # the same current both ways
        (["60,no,", "70,yes,", "60,no,"], []),  # a step down after capture
        (["80,yes,", "70,yes,", "60,no,"], []),
        (["60,yes,no", "70,yes,no"], []),  # kinds of capture are not mixed
    ],
)
def test_ramps_that_are_not_monotone(check: Check, places: Places, steps: list[str], rows: list[int]) -> None:
    result = with_steps(check, *steps)
    assert [row for _, row, _ in places(result, "not-monotone")] == rows
    assert result.study is not None


def test_ramps_are_not_mixed(check: Check, rules: Rules) -> None:
    result = check(
        "attempt_id,patient_id,placement,max_output_ma\na,1,AP,140\nb,2,AP,140\n",
        steps="attempt_id,current_ma,electrical_capture\na,60,yes\nb,70,no\nb,80,yes\na,50,no\n",
    )
    assert rules(result) == []


def test_times_of_steps_run_forwards(check: Check, places: Places) -> None:
    columns = "current_ma,time_s,electrical_capture"
    result = with_steps(check, "60,10,no", "70,,no", "80,5,no", "90,5,yes", columns=columns)
    assert places(result, "time-backwards") == [("steps.csv", 4, "time_s")]
    # The order column decides, not the order of the rows.
    ordered = with_steps(check, "2,70,10,yes", "1,60,5,no", columns=f"step_order,{columns}")
    assert not ordered.findings


def test_steps_in_the_order_of_their_numbers(check: Check) -> None:
    result = with_steps(check, "3,70", "1,60", "2,50", columns="step_order,current_ma")
    assert result.study is not None
    assert result.study.steps["current_ma"].tolist() == [60.0, 50.0, 70.0]


def test_steps_without_number_keep_the_order_of_the_file(check: Check) -> None:
    result = with_steps(check, "60,no,", "70,no,", "65,yes,")
    assert result.study is not None
    assert result.study.steps["step_order"].tolist() == [1.0, 2.0, 3.0]


def test_numbers_for_all_settings_of_an_attempt_or_for_none(check: Check, places: Places) -> None:
    result = with_steps(check, "1,60", ",70", columns="step_order,current_ma")
    assert places(result, "missing-step-order") == [("steps.csv", 3, "step_order")]


def test_the_same_place_in_a_ramp_twice(check: Check, places: Places) -> None:
    result = with_steps(check, "1,60", "1,70", columns="step_order,current_ma")
    assert places(result, "duplicate-step-order") == [("steps.csv", 3, "step_order")]


def test_the_same_step_twice(check: Check, rules: Rules, places: Places) -> None:
    placed = with_steps(check, "1,60", "1,60", columns="step_order,current_ma")
    assert places(placed, "duplicate-row") == [("steps.csv", 3, None)]
    assert "duplicate-step-order" not in rules(placed)
    timed = with_steps(check, "5,60", "5,60", columns="time_s,current_ma")
    assert places(timed, "duplicate-row") == [("steps.csv", 3, None)]
    # Without a place in the ramp, two settings at one current are possible.
    free = with_steps(check, "60,no,", "60,no,")
    assert places(free, "repeated-row") == [("steps.csv", 3, None)]
    assert free.study is not None


@pytest.mark.parametrize(("yes", "no", "warned"), [(20, 0, True), (19, 0, False), (20, 1, False)])
def test_signs_noted_only_when_positive(check: Check, places: Places, yes: int, no: int, *, warned: bool) -> None:
    steps = [f"{at},60,yes" for at in range(yes)] + [f"{yes + at},60,no" for at in range(no)]
    result = with_steps(check, *steps, columns="step_order,current_ma,femoral_pulse")
    assert (places(result, "never-no") == [("steps.csv", None, "femoral_pulse")]) is warned


def test_mechanical_capture_needs_no_no_where_electrical_capture_has_it(check: Check, places: Places) -> None:
    failed = [f"{at},60,no," for at in range(20)]
    captured = [f"{20 + at},70,yes,yes" for at in range(20)]
    columns = "step_order,current_ma,electrical_capture,mechanical_capture"
    assert places(with_steps(check, *failed, *captured, columns=columns), "never-no") == []
    alone = with_steps(check, *captured, columns=columns)
    assert ("steps.csv", None, "mechanical_capture") in places(alone, "never-no")


def test_everybody_may_be_sedated(check: Check, summary: Summary, places: Places) -> None:
    rows = [f"{at},AP,140,60,65" for at in range(25)]
    assert places(check(summary(*rows, sedation="yes")), "never-no") == []


# -- patients ------------------------------------------------------------------------------------------------


def test_two_records_of_one_patient(check: Check, summary: Summary) -> None:
    result = check(summary(), patients="patient_id,sex,weight_kg\nP1,F,70\nP1,F,70\nP1,F,\n")
    assert [(f.rule, f.severity, f.row) for f in result.findings] == [
        ("patient-records-differ", "error", 4), ("patient-record-repeated", "warning", 3),
    ]  # fmt: skip


def test_patients_beside_the_attempts(check: Check, places: Places) -> None:
    header = "patient_id,placement,max_output_ma,lowest_capture_ma,sex,weight_kg\n"
    result = check(header + "1,AP,140,60,F,\n1,AL,140,70,,80\n2,AP,140,60,M,90\n")
    assert [f.rule for f in result.findings] == ["order-not-recorded"]
    assert result.study is not None
    assert result.study.patients["weight_kg"].tolist() == [80.0, 90.0]
    assert result.study.patients["sex"].tolist() == ["female", "male"]
    result = check(header + "1,AP,140,60,F,80\n1,AL,140,70,M,81\n1,AL,140,90,F,80\n")
    assert places(result, "patient-records-differ") == [(FILE, 3, "sex"), (FILE, 3, "weight_kg")]


def test_a_table_of_patients_and_columns_beside_the_attempts(check: Check, summary: Summary, places: Places) -> None:
    patients = "patient_id,sex,weight_kg\nP1,F,70\n"
    assert not check(summary(height_cm="170", sex="F"), patients=patients).findings
    result = check(summary(sex="M"), patients=patients)
    assert places(result, "patient-records-differ") == [(FILE, 2, "sex")]
    assert "patients.csv, row 2" in result.findings[0].message


def test_patients_and_attempts_that_do_not_meet(check: Check, summary: Summary, places: Places) -> None:
    result = check(summary("P1,AP,140,60,65", "P3,AP,140,60,65"), patients="patient_id,sex\nP1,F\nP2,F\n")
    assert places(result, "patient-without-attempts") == [("patients.csv", 3, "patient_id")]
    assert places(result, "no-patient-record") == [(FILE, 3, "patient_id")]


def patients_table(*rows: tuple[float, float]) -> str:
    lines = [f"P{at},{height},{weight}" for at, (height, weight) in enumerate(rows)]
    return "\n".join(["patient_id,height_cm,weight_kg", *lines]) + "\n"


def attempts_of(count: int) -> list[str]:
    return [f"P{at},AP,140,60,65" for at in range(count)]


@pytest.mark.parametrize(
    ("size", "rule", "column"),
    [
        ((170.0, 260.0), "looks-like-pounds", "weight_kg"),  # above 250 kg
        ((170.0, 187.0), "looks-like-pounds", "weight_kg"),  # an index of 65 becomes 29
        ((67.0, 85.0), "looks-like-inches", "height_cm"),
    ],
)
def test_a_body_size_in_another_unit(
    *, check: Check, summary: Summary, places: Places, size: tuple[float, float], rule: str, column: str
) -> None:
    result = check(summary(*attempts_of(2)), patients=patients_table((170.0, 80.0), size))
    assert places(result, rule) == [("patients.csv", 3, column)]
    assert result.study is not None


def test_a_whole_column_in_pounds_or_metres(check: Check, summary: Summary, places: Places) -> None:
    pounds = check(summary(*attempts_of(6)), patients=patients_table(*[(175.0, 170.0)] * 6))
    assert places(pounds, "looks-like-pounds") == [("patients.csv", None, "weight_kg")]
    metres = check(summary(*attempts_of(3)), patients=patients_table((1.7, 70), (1.8, 80), (1.6, 60)))
    assert places(metres, "looks-like-metres") == [("patients.csv", None, "height_cm")]
    assert metres.study is None


@pytest.mark.parametrize("values", [("360", "200", "200"), ("300", "360", "150"), ("1500", "1600", "1700")])
def test_a_column_of_joules_or_volts(check: Check, summary: Summary, places: Places, values: tuple[str, ...]) -> None:
    rows = [f"{at},AP,{value},60,65" for at, value in enumerate(values)]
    result = check(summary(*rows))
    assert places(result, "looks-like-joules") == [(FILE, None, "max_output_ma")]
    assert "joules" in result.findings[0].sentence()
    assert "volts" in result.findings[0].sentence()


def test_two_hundred_is_a_current(check: Check, summary: Summary) -> None:
    assert not check(summary(*[f"{at},AP,200,60,65" for at in range(3)])).findings


def test_a_current_under_the_name_of_an_energy(check: Check, summary: Summary) -> None:
    text = summary("1,AP,140,60,65").replace("lowest_capture_ma", "Pacing energy (J)")
    mapping = '[attempts.columns]\nlowest_capture_ma = "Pacing energy (J)"\n'
    assert [(f.rule, f.severity, f.column) for f in check(text, mapping=mapping).findings] == [
        ("header-of-energy", "warning", "lowest_capture_ma")
    ]


def test_tables_without_rows_beside_good_attempts(check: Check, summary: Summary) -> None:
    result = check(summary(attempt_id="a"), steps="attempt_id,current_ma\n", patients="patient_id\n")
    assert [(f.rule, f.severity, f.file) for f in result.findings] == [
        ("no-rows", "warning", "steps.csv"), ("no-rows", "warning", "patients.csv"),
    ]  # fmt: skip
