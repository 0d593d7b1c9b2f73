"""Values that are possible and still look wrong: units, starts, times and codes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from collections.abc import Callable

    from capstat.attempts import CheckResult

    Check = Callable[..., CheckResult]
    Summary = Callable[..., str]
    Places = Callable[[CheckResult, str], list[tuple[str, int | None, str | None]]]

FILE = "attempts.csv"


def body(check: Check, summary: Summary, columns: str, *sizes: str) -> CheckResult:
    rows = [f"P{at},AP,140,60,65" for at in range(len(sizes))]
    lines = [f"P{at},{size}" for at, size in enumerate(sizes)]
    return check(summary(*rows), patients="\n".join([f"patient_id,{columns}", *lines]) + "\n")


def test_heights_in_inches_without_weight(check: Check, summary: Summary, places: Places) -> None:
    result = body(check, summary, "height_cm", "65", "66", "70", "71", "62")
    assert places(result, "looks-like-inches") == [("patients.csv", None, "height_cm")]
    assert result.study is not None
    adult = body(check, summary, "height_cm,age_years", "68,70", "170,70")
    assert places(adult, "looks-like-inches") == [("patients.csv", 2, "height_cm")]
    assert not body(check, summary, "height_cm,age_years", "68,0.5", "70,0.7").findings


def test_pounds_and_inches_at_once(check: Check, summary: Summary, places: Places) -> None:
    result = body(check, summary, "height_cm,weight_kg", "70,180", "171,75")
    assert places(result, "looks-like-pounds") == [("patients.csv", 2, "weight_kg")]
    assert places(result, "looks-like-inches") == [("patients.csv", 2, "height_cm")]
    everybody = body(check, summary, "height_cm,weight_kg", *["70,180"] * 6)
    assert places(everybody, "looks-like-pounds") == [("patients.csv", None, "weight_kg")]
    assert places(everybody, "looks-like-inches") == [("patients.csv", None, "height_cm")]


@pytest.mark.parametrize(
    ("currents", "warned"),
    [
        ((120, 150, 200), True),
        ((200,) * 5, True),
        ((200, 200, 200), False),
        ((120, 150, 160), False),
        ((120, 150), False),
    ],
)
def test_thresholds_that_are_all_energies_of_shocks(
    *, check: Check, summary: Summary, places: Places, currents: tuple[int, ...], warned: bool
) -> None:
    result = check(summary(*[f"{at},AP,200,60,{current}" for at, current in enumerate(currents)]))
    assert places(result, "looks-like-joules") == ([(FILE, None, "lowest_capture_ma")] if warned else [])
    assert result.study is not None


def test_a_ramp_that_began_above_what_failed(check: Check, summary: Summary, places: Places) -> None:
    result = check(summary("1,AP,140,60,65", "2,AP,140,,65", "3,AP,140,80,85", start_ma="70"))
    assert places(result, "start-above-no-capture") == [(FILE, 2, "start_ma")]
    assert result.study is not None


def test_a_first_capture_before_its_step(check: Check, places: Places) -> None:
    attempts = "attempt_id,patient_id,placement,max_output_ma,first_capture_s\n"
    steps = "attempt_id,current_ma,time_s,electrical_capture,mechanical_capture\n"
    result = check(
        attempts + "a,1,AP,140,9\nb,2,AP,140,10\nc,3,AP,140,12\n",
        steps=steps + "".join(f"{code},50,5,no,no\n{code},60,10,yes,no\n{code},70,20,yes,yes\n" for code in "abc"),
    )
    assert places(result, "capture-before-its-step") == [(FILE, 2, "first_capture_s")]
    assert result.study is not None


def test_attempts_that_differ_only_in_their_code(check: Check, places: Places) -> None:
    header = "attempt_id,patient_id,placement,max_output_ma,highest_no_capture_ma,lowest_capture_ma,attempt_order\n"
    same = check(header + "a,1,AP,140,60,65,\nb,1,AP,140,60,65,\nc,1,AP,140,70,75,\nd,2,AP,140,60,65,\n")
    assert places(same, "same-but-for-code") == [(FILE, 3, None)]
    assert same.study is not None
    numbered = check(header + "a,1,AP,140,60,65,1\nb,1,AP,140,60,65,2\n")
    assert places(numbered, "same-but-for-code") == []


def test_attempts_with_other_steps_are_others(check: Check, places: Places) -> None:
    attempts = "attempt_id,patient_id,placement,max_output_ma\na,1,AP,140\nb,1,AP,140\nc,1,AP,140\n"
    steps = "attempt_id,current_ma,electrical_capture\na,60,no\na,70,yes\nb,60,no\nb,80,yes\nc,60,no\nc,70,yes\n"
    assert places(check(attempts, steps=steps), "same-but-for-code") == [(FILE, 4, None)]


@pytest.mark.parametrize(("one", "other"), [("p1", "P1"), ("P 1", "P1"), ("12", "12.0"), ("äb", "ÄB")])
def test_codes_that_nearly_coincide(check: Check, summary: Summary, places: Places, one: str, other: str) -> None:
    patients = f"patient_id,sex\n{other},F\n{one},F\n"
    result = check(summary(f"{one},AP,140,60,65", f"{one},AL,140,60,65", f"{other},AP,140,70,75"), patients=patients)
    assert places(result, "similar-codes") == [(FILE, 4, "patient_id"), ("patients.csv", 3, "patient_id")]
    assert all(code not in f.message for f in result.findings for code in (f'"{one}"', f'"{other}"'))
    assert result.study is not None


def test_codes_that_do_not(check: Check, summary: Summary, places: Places) -> None:
    result = check(summary("P1,AP,140,60,65", "P10,AP,140,60,65", "1.5,AP,140,60,65", "15,AP,140,60,65"))
    assert places(result, "similar-codes") == []
