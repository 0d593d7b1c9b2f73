"""From episodes to courses: units, intervals, order of times, and who is left out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from capstat.attempts import study_from_frames
from capstat.outcomes.episodes import Awaited, Origin, derive_episodes
from capstat.outcomes.immortal_course import SurvivalCourse, confounder_columns, survival_course
from capstat.results import NotEstimableError, UsageError
from capstat.thresholds import ELECTRICAL_CAPTURE


def episodes(origin=Origin.PACING, **patient_columns):
    """Captured at 60 s; between 10 and 20 s; never; between 80 and 100 s, last seen at 90 s; without follow-up."""
    names = [f"P{i}" for i in range(5)]
    attempts = pd.DataFrame(
        {
            "attempt_id": [f"A{i}" for i in range(5)], "patient_id": names, "placement": "anterolateral", "max_output_ma": 140.0,
            "arrival_s": -60.0, "pacing_start_s": 0.0, "pacing_end_s": [300.0, 300.0, 240.0, None, 120.0],
            "first_capture_s": [60.0, None, None, None, None],
            "highest_no_capture_ma": [None, None, 80.0, None, 80.0], "lowest_capture_ma": [80.0, None, None, None, None],
            "capture_criterion": ["electrical", None, "electrical", None, "electrical"],
            "arrest": ["yes", "no", "no", "yes", "no"],
        }
    )  # fmt: skip
    steps = pd.DataFrame(
        {"attempt_id": ["A1"] * 3 + ["A3"] * 3, "step_order": [1, 2, 3] * 2, "current_ma": [60.0, 70.0, 80.0] * 2,
         "time_s": [0.0, 10.0, 20.0, 0.0, 80.0, 100.0], "electrical_capture": ["no", "yes", "yes"] * 2}
    )  # fmt: skip
    patients = pd.DataFrame(
        {"patient_id": names, "followed_until_s": [600.0, 1200.0, 240.0, 90.0, None],
         "died": ["yes", "no", "yes", "no", None], **patient_columns}
    )  # fmt: skip
    return derive_episodes(study_from_frames(attempts, steps, patients), Awaited(ELECTRICAL_CAPTURE), origin)


def test_minutes_intervals_and_late_captures():
    got = survival_course(episodes(), ["arrest"])
    assert list(got.patient) == ["P0", "P1", "P2", "P3"]
    # the interval of P1 is (10, 20] s and counts from its later end on
    np.testing.assert_allclose(got.captured_min, [1, 20 / 60, np.nan, np.nan])
    np.testing.assert_allclose(got.until_min, [10, 20, 4, 1.5])
    np.testing.assert_array_equal(got.died, [True, False, True, False])
    assert not got.delayed
    assert dict(got.left_out) == {"no time of death or last contact (followed_until_s)": 1}
    assert any("2 captures are only known to lie between two times" in note for note in got.notes)
    assert any("1 captures later than death or last contact" in note for note in got.notes)
    columns = confounder_columns(got)
    assert columns.names == ("arrest",)
    np.testing.assert_array_equal(columns.matrix[:, 0], [1, 0, 0, 1])


def test_late_entry_from_arrival():
    got = survival_course(episodes(Origin.ARRIVAL))
    assert got.delayed
    np.testing.assert_allclose(got.entry_min, 1.0)
    np.testing.assert_allclose(got.captured_min, [2, 80 / 60, np.nan, np.nan])
    np.testing.assert_array_equal(got.risk_from, got.entry_min)
    assert confounder_columns(got).matrix.shape == (4, 0)


def test_patients_without_a_confounder_are_counted():
    got = survival_course(episodes(age_years=[70, None, 60, 50, 40]), ["age_years", "arrest"])
    assert list(got.patient) == ["P0", "P2", "P3"]
    assert dict(got.left_out)["not known: age_years or arrest"] == 1


def test_what_is_settled_later_is_no_confounder():
    found = episodes(positive_pressure_ventilation=["yes", "no", "yes", "no", "no"])
    for name in ("positive_pressure_ventilation", "survived_to_discharge", "lowest_capture_ma"):
        with pytest.raises(UsageError, match=f"'{name}' is not known before"):
            survival_course(found, [name])
    with pytest.raises(UsageError, match="no covariate 'size'"):
        survival_course(found, ["size"])


def test_nobody_followed():
    with pytest.raises(NotEstimableError, match=r"followed_until_s\): 5"):
        survival_course(replace(episodes(), followed_until_s=np.full(5, np.nan)))


def test_text_confounders_become_levels():
    table = pd.DataFrame({"rhythm": ["a", "a", "b", "c"], "alike": ["x"] * 4, "age": [1.0, 2.0, 3.0, 4.0]})
    no = np.full(4, np.nan)
    got = SurvivalCourse(
        no, np.ones(4), np.zeros(4, dtype=bool), np.zeros(4), table, np.array(list("pqrs"), dtype=object)
    )
    columns = confounder_columns(got)
    assert columns.names == ("rhythm: b", "rhythm: c", "age")
    assert columns.notes == ("alike is alike in all 4 patients and is not adjusted for",)
    np.testing.assert_array_equal(columns.matrix[:, 0], [0, 0, 1, 0])
    # among the first two the level is the same
    assert confounder_columns(got, np.array([True, True, False, False])).names == ("age",)
    np.testing.assert_allclose(columns.standardised().std(axis=0), 1)
