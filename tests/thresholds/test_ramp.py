"""What one ramp says about one threshold: every case by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from capstat.analysis import capture_definitions_for
from capstat.attempts import study_from_frames
from capstat.placement import first_attempt_of_each_patient
from capstat.thresholds import (
    ADJUDICATED_CAPTURE,
    AS_RECORDED_CAPTURE,
    ELECTRICAL_CAPTURE,
    MECHANICAL_CAPTURE,
    Ending,
    NonMonotoneRule,
    derive_thresholds,
)

INF = np.inf


def study_of(
    ramps: list[list[tuple[float, str]]],
    *,
    maximum: float = 140.0,
    column: str = "electrical_capture",
    **more,
):
    """A study of single attempts; a ramp is a list of (current, yes/no/blank)."""
    attempts = pd.DataFrame(
        {
            "attempt_id": [f"A{i}" for i in range(len(ramps))],
            "patient_id": [f"P{i}" for i in range(len(ramps))],
            "placement": "anterior-posterior",
            "max_output_ma": maximum,
            **more,
        }
    )
    steps = pd.DataFrame(
        [
            {"attempt_id": f"A{i}", "step_order": k + 1, "current_ma": current, column: seen}
            for i, ramp in enumerate(ramps)
            for k, (current, seen) in enumerate(ramp)
        ]
    )
    return study_from_frames(attempts, steps)


def bounds(study, capture=ELECTRICAL_CAPTURE, rule=NonMonotoneRule.SUSTAINED):
    thresholds = derive_thresholds(study, capture=capture, rule=rule)
    return list(zip(thresholds.lower_ma.tolist(), thresholds.upper_ma.tolist(), strict=True))


CASES = {
    "rising": ([(40, "no"), (50, "no"), (60, "yes")], (50, 60)),
    "first setting": ([(40, "yes")], (0, 40)),
    "maximum": ([(130, "no"), (140, "no")], (140, INF)),
    "stopped early": ([(40, "no"), (50, "no")], (50, INF)),
    "step-down narrows": ([(50, "no"), (60, "yes"), (58, "yes"), (56, "yes"), (54, "no")], (54, 56)),
    "margin step": ([(50, "no"), (60, "yes"), (70, "yes")], (50, 60)),
    "from above": ([(100, "yes"), (90, "yes"), (80, "no")], (80, 90)),
    "unassessed step widens": ([(40, "no"), (50, ""), (60, "yes")], (40, 60)),
    "capture then loss above": ([(50, "no"), (60, "yes"), (70, "no"), (80, "yes")], (70, 80)),
    "loss at the same current": ([(50, "no"), (60, "yes"), (60, "no"), (70, "yes")], (60, 70)),
    "lost for good": ([(50, "no"), (60, "yes"), (70, "no")], (70, INF)),
}


@pytest.mark.parametrize("name", CASES)
def test_sustained_capture(name):
    ramp, expected = CASES[name]
    assert bounds(study_of([ramp])) == [expected]


def test_first_capture_rule_ignores_what_came_later():
    ramp = [(50, "no"), (60, "yes"), (70, "no"), (80, "yes")]
    assert bounds(study_of([ramp]), rule=NonMonotoneRule.FIRST) == [(50, 60)]
    down = [(100, "no"), (60, "no"), (80, "yes")]
    assert bounds(study_of([down]), rule=NonMonotoneRule.FIRST) == [(60, 80)]
    never = [(100, "no"), (140, "no")]
    assert bounds(study_of([never]), rule=NonMonotoneRule.FIRST) == [(140, INF)]


def test_contradicting_ramps_are_counted_and_listed():
    study = study_of([CASES[name][0] for name in ("rising", "capture then loss above", "maximum", "lost for good")])
    derivation = derive_thresholds(study, capture=ELECTRICAL_CAPTURE).derivation
    assert derivation.non_monotone_rows == (3, 5)  # the header is row 1
    assert derivation.from_steps == 4


def test_why_the_search_ended():
    study = study_of([CASES[name][0] for name in ("rising", "maximum", "stopped early")])
    thresholds = derive_thresholds(study, capture=ELECTRICAL_CAPTURE)
    assert list(thresholds.ending) == [Ending.CAPTURED, Ending.MAXIMUM_REACHED, Ending.STOPPED_EARLY]


def test_no_electrical_capture_settles_mechanical_capture():
    attempts = pd.DataFrame(
        {
            "attempt_id": ["A"],
            "patient_id": ["P"],
            "placement": ["anterior-posterior"],
            "max_output_ma": [140],
        }
    )
    steps = pd.DataFrame(
        {
            "attempt_id": "A",
            "current_ma": [40, 50, 60, 70],
            "electrical_capture": ["no", "no", "yes", "yes"],
            "mechanical_capture": ["", "", "no", "yes"],
        }
    )
    study = study_from_frames(attempts, steps)
    assert bounds(study, ELECTRICAL_CAPTURE) == [(50, 60)]
    assert bounds(study, MECHANICAL_CAPTURE) == [(60, 70)]
    adjudicated = derive_thresholds(study, capture=ADJUDICATED_CAPTURE)
    assert len(adjudicated) == 0
    assert adjudicated.derivation.not_assessed == 1


def summary_study(**columns):
    return study_from_frames(
        pd.DataFrame(
            {
                "patient_id": ["P1", "P2", "P3"],
                "placement": "anterior-lateral",
                "max_output_ma": 140,
                "highest_no_capture_ma": [60, np.nan, 140],
                "lowest_capture_ma": [65, 40, np.nan],
                **columns,
            }
        )
    )


def test_summary_columns():
    expected = [(60, 65), (0, 40), (140, INF)]
    assert bounds(summary_study(capture_criterion="mechanical"), MECHANICAL_CAPTURE) == expected
    assert bounds(summary_study(), AS_RECORDED_CAPTURE) == expected
    # a criterion that was not stated is not taken for mechanical capture
    assert bounds(summary_study(), MECHANICAL_CAPTURE) == []
    assert bounds(summary_study(capture_criterion="electrical"), MECHANICAL_CAPTURE) == []


def test_steps_win_over_contradicting_summary_columns_and_the_conflict_is_counted():
    study = study_of(
        [[(50, "no"), (60, "yes")], [(50, "no"), (60, "yes")]],
        highest_no_capture_ma=[50, 80], lowest_capture_ma=[60, 90], capture_criterion="electrical",
    )  # fmt: skip
    thresholds = derive_thresholds(study, capture=ELECTRICAL_CAPTURE)
    assert thresholds.lower_ma.tolist() == [50, 50]
    assert thresholds.derivation.disagreeing == 1


@given(st.integers(21, 1990), st.sampled_from([1.0, 2.0, 5.0, 10.0]))
def test_every_ramp_brackets_its_threshold(tenths, step):
    """A simulated ramp of any true threshold: the interval holds it, and is one step wide."""
    true = tenths / 10
    currents = np.arange(20, 140.0001, step)
    ramp = [(float(c), "yes" if c >= true else "no") for c in currents]
    ((low, high),) = bounds(study_of([ramp]))
    assert low < true <= high
    assert high in (INF, 20.0) or high - low == pytest.approx(step)


def two_kinds(ramps):
    """A study of single attempts; a ramp is a list of (current, electrical, mechanical)."""
    attempts = pd.DataFrame(
        {
            "attempt_id": [f"A{i}" for i in range(len(ramps))], "patient_id": [f"P{i}" for i in range(len(ramps))],
            "placement": "anterior-posterior", "max_output_ma": 70,
        }
    )  # fmt: skip
    rows = [
        {"attempt_id": f"A{i}", "step_order": k, "current_ma": c, "electrical_capture": e, "mechanical_capture": m}
        for i, ramp in enumerate(ramps)
        for k, (c, e, m) in enumerate(ramp)
    ]
    return study_from_frames(attempts, pd.DataFrame(rows))


UNLOOKED = [(50, "no", ""), (60, "yes", "")]
LOOKED = [(50, "no", ""), (60, "yes", "no"), (70, "yes", "yes")]
NEVER = [(60, "no", ""), (70, "no", "")]


def test_mechanical_capture_that_nobody_looked_at_is_not_a_failure():
    """An attempt that captured electrically and was never felt for a pulse says nothing about mechanical capture."""
    thresholds = derive_thresholds(two_kinds([UNLOOKED, LOOKED, NEVER]), capture=MECHANICAL_CAPTURE)
    assert list(zip(thresholds.lower_ma, thresholds.upper_ma, strict=True)) == [(60, 70), (70, INF)]
    assert thresholds.derivation.not_assessed == 1


def test_a_study_of_electrical_capture_has_no_mechanical_thresholds():
    study = two_kinds([UNLOOKED, UNLOOKED, NEVER])
    assert len(derive_thresholds(study, capture=MECHANICAL_CAPTURE)) == 0
    assert bounds(study) == [(50, 60), (50, 60), (70, INF)]
    assert [capture.name for capture in capture_definitions_for(study)] == ["electrical"]


def test_summary_columns_narrow_sparse_steps():
    """One step row and full summary columns: both sides are known from the two together."""
    study = study_of([[(75, "yes")]], highest_no_capture_ma=60, lowest_capture_ma=65, capture_criterion="electrical")
    assert bounds(study) == [(60, 65)]
    assert derive_thresholds(study, capture=ELECTRICAL_CAPTURE).derivation.disagreeing == 0


def test_first_attempt_is_first_among_all():
    """P1's first attempt was recorded by another criterion; the second, tried after it, does not take its place."""
    study = study_from_frames(
        pd.DataFrame(
            {
                "patient_id": ["P1", "P1", "P2"], "placement": ["AL", "AP", "AP"], "attempt_order": [1, 2, 1],
                "max_output_ma": 140, "highest_no_capture_ma": [140, 60, 70], "lowest_capture_ma": [np.nan, 65, 75],
                "capture_criterion": ["electrical", "mechanical", "mechanical"],
            }
        )
    )  # fmt: skip
    thresholds = derive_thresholds(study, capture=MECHANICAL_CAPTURE)
    assert thresholds.covariates["first_attempt"].tolist() == [False, True]
    assert first_attempt_of_each_patient(thresholds).upper_ma.tolist() == [75]
