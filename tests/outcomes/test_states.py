"""Where paced patients are at each minute, against counting patient by patient and against rules worked out by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capstat.attempts import study_from_frames
from capstat.outcomes.episodes import Awaited, Origin, derive_episodes
from capstat.outcomes.states import STATES, occupation
from capstat.results import UsageError
from capstat.thresholds import MECHANICAL_CAPTURE

NOT, YES, LOST, ALIVE, DEAD, HANDED = range(6)


def episodes_of(courses, origin=Origin.PACING, sustained_s=None, **attempt):
    """Each course: (pacing ended at, why, [(from, to, lost)]) in seconds, all from the first pulse at ``start``."""
    start = attempt.pop("start", 0.0)
    rows, periods, patients = [], [], []
    for i, (end, why, own, *outcome) in enumerate(courses):
        rows.append(
            {
                "attempt_id": f"A{i}",
                "patient_id": f"P{i}",
                "placement": "anterior-lateral",
                "max_output_ma": 140,
                "pacing_start_s": start,
                "arrival_s": 0.0,
                "pacing_end_s": np.nan if end is None else start + end,
                "pacing_ended": why,
                "capture_criterion": "mechanical",
                "lowest_capture_ma": 80.0 if own else np.nan,
                "highest_no_capture_ma": np.nan if own else 140.0,
                **{name: value[i] for name, value in attempt.items()},
            }
        )
        periods += [(f"A{i}", start + a, start + b, "yes" if lost else "no", "mechanical") for a, b, lost in own]
        until, died = outcome[0] if outcome else (None, None)
        patients.append({"patient_id": f"P{i}", "followed_until_s": until, "died": died})
    table = pd.DataFrame(periods, columns=["attempt_id", "from_s", "to_s", "lost", "capture_criterion"])
    study = study_from_frames(
        pd.DataFrame(rows), patients=pd.DataFrame(patients), periods=table if len(table) else None
    )
    return derive_episodes(study, Awaited(MECHANICAL_CAPTURE, sustained_s), origin)


def shares(episodes, minute, horizon=100.0):
    found = occupation(episodes, horizon)
    return np.round([estimate.value for estimate in found.shares(minute)], 9).tolist()


WHYS = {
    "own-rhythm": ALIVE,
    "other-therapy": ALIVE,
    "abandoned": ALIVE,
    "circulation-lost": DEAD,
    "handed-over": HANDED,
}


def invented(seed, n):
    rng = np.random.default_rng(seed)
    courses = []
    for _ in range(n):
        end = int(rng.integers(20, 400))
        cuts = np.unique(rng.integers(0, end + 1, 2 * rng.integers(0, 4)))
        own = []
        for a, b in zip(cuts[::2], cuts[1::2], strict=False):
            own.append((int(a), int(b), b < end or rng.random() < 0.3))
        why = "abandoned" if not own else str(rng.choice(list(WHYS)))
        courses.append((end, why, own))
    return courses


@settings(max_examples=8, deadline=None)
@given(seed=st.integers(0, 10_000), n=st.integers(2, 14))
def test_with_every_end_known_it_is_a_count_of_patients(seed, n):
    courses = invented(seed, n)
    if not any(own for _, _, own in courses):
        courses[0] = (50, "own-rhythm", [(10, 50, False)])
    found = occupation(episodes_of(courses), 10.0)
    for second in (5, 33, 120, 301, 500):
        where = []
        for end, why, own in courses:
            inside = any(a <= second < b for a, b, _ in own)
            begun = own and own[0][0] <= second
            where.append(WHYS[why] if second >= end else YES if inside else LOST if begun else NOT)
        expected = np.bincount(where, minlength=6) / n
        got = np.array([estimate.value for estimate in found.shares(second / 60)]) / 100
        np.testing.assert_allclose(got, expected, atol=1e-9)
    assert found.at_risk[:, 0].tolist() == [n, 0, 0]


def test_capture_with_the_first_pulse_comes_just_after_it():
    episodes = episodes_of([(60, "own-rhythm", [(0, 60, False)])])
    assert shares(episodes, 0) == [100, 0, 0, 0, 0, 0]
    assert shares(episodes, 0.1) == [0, 100, 0, 0, 0, 0]
    assert shares(episodes, 1.0) == [0, 0, 0, 100, 0, 0]


@pytest.mark.parametrize(
    ("course", "minute", "state"),
    [
        ((120, "own-rhythm", [(30, 90, True)]), 1.75, LOST),
        ((120, "own-rhythm", [(30, 90, True)]), 2.0, ALIVE),
        ((120, "died", [(30, 120, True)]), 2.0, DEAD),  # lost as pacing ended: no time in between
        ((120, "abandoned", []), 2.0, ALIVE),
        ((120, "abandoned", [], (120.4, "yes")), 2.0, DEAD),  # death within a second of the end
        ((120, "abandoned", [], (500, "yes")), 2.0, ALIVE),
        ((120, "handed-over", [(30, 120, False)]), 2.0, HANDED),
        ((120, "handed-over", []), 2.0, HANDED),
        ((120, "unknown", [(30, 120, False)], (120, "yes")), 2.0, DEAD),
        ((120, "unknown", [(30, 60, True)]), 1.5, LOST),
        ((None, "unknown", [(30, 60, True)]), 1.0, LOST),  # the loss is the last thing known
        ((120, "own-rhythm", [(30, 60, True), (60.5, 120, False)]), 1.0, LOST),  # a gap of half a second
        ((120, "own-rhythm", [(30, 60, False), (80, 120, False)]), 1.1, LOST),  # another period followed
    ],
)
def test_rules_for_one_patient(course, minute, state):
    other = (30, "own-rhythm", [(1, 30, False)])  # so that the study keeps periods
    got = shares(episodes_of([course, other]), minute)
    expected = [0.0] * 6
    expected[state] += 50
    expected[ALIVE if minute >= 0.5 else YES] += 50
    assert got == expected


def test_without_periods_captured_patients_stay_captured():
    captured = [(120, "own-rhythm", []), (None, "unknown", []), (200, "died", [])]
    episodes = episodes_of(
        captured, first_capture_s=[30, 30, None], lowest_capture_ma=[80, 80, None],
        highest_no_capture_ma=[None, None, 140],
    )  # fmt: skip
    found = occupation(episodes, 10)
    assert any("keeps no periods" in note for note in found.notes)
    assert any("1 patients with a time of capture have no end of pacing" in note for note in found.notes)
    assert shares(episodes, 1.0) == pytest.approx([100 / 3, 200 / 3, 0, 0, 0, 0])
    # the second is followed to 30 s only; what the first did stands for both
    assert shares(episodes, 2.0) == pytest.approx([100 / 3, 0, 0, 200 / 3, 0, 0])


def test_a_captured_patient_without_periods_in_a_study_that_keeps_them_is_followed_to_capture():
    courses = [(120, "own-rhythm", [(30, 90, True)]), (120, "own-rhythm", [])]
    episodes = episodes_of(
        courses, first_capture_s=[30, 40], lowest_capture_ma=[80, 80], highest_no_capture_ma=[None, None]
    )
    assert shares(episodes, 0.75) == [0, 100, 0, 0, 0, 0]
    assert shares(episodes, 1.6) == [0, 0, 100, 0, 0, 0]
    assert any("1 patients with a time of capture have no period" in note for note in occupation(episodes, 3).notes)


def test_overlapping_attempts_are_one_course():
    attempts = pd.DataFrame(
        {
            "attempt_id": ["A", "B"],
            "patient_id": ["P", "P"],
            "attempt_order": [1, 2],
            "placement": ["anterior-lateral", "anterior-posterior"],
            "max_output_ma": 140,
            "pacing_start_s": [0, 59.5],
            "pacing_end_s": [60, 180],
            "pacing_ended": ["pads-moved", "own-rhythm"],
            "lowest_capture_ma": [80, 80],
            "highest_no_capture_ma": [60, 60],
        }
    )
    periods = pd.DataFrame(
        {
            "attempt_id": ["A", "B", "B"],
            "from_s": [20, 59.5, 120],
            "to_s": [60, 100, 180],
            "lost": ["no", "yes", "no"],
            "capture_criterion": "mechanical",
        }
    )
    episodes = derive_episodes(study_from_frames(attempts, periods=periods), Awaited(MECHANICAL_CAPTURE))
    states = [int(np.argmax(shares(episodes, second / 60))) for second in (10, 40, 59.7, 99, 110, 150, 181)]
    assert states == [NOT, YES, YES, YES, LOST, YES, ALIVE]


def test_late_entry_counts_only_those_who_are_observed():
    # time from arrival: first pulses at 100 s and 300 s; by 250 s only the first is observed, and is captured
    courses = [(500, "own-rhythm", [(50, 500, False)]), (500, "own-rhythm", [(50, 500, False)])]
    episodes = episodes_of(courses, Origin.ARRIVAL, start=100.0)
    assert shares(episodes, 2.0) == [100, 0, 0, 0, 0, 0]
    assert shares(episodes, 2.5) == [0, 100, 0, 0, 0, 0]
    found = occupation(episodes, 5)
    assert found.origin == "arrival"
    assert any("from their first pulse on" in note for note in found.notes)
    assert found.at_risk[:, 0].tolist() == [0, 0, 0]


def test_an_early_risk_set_that_empties_is_told():
    courses = [(500, "own-rhythm", [(50, 500, False)]), (500, "own-rhythm", [(50, 500, False)])]
    one, two = (episodes_of(courses, Origin.ARRIVAL, start=start) for start in (100.0, 400.0))
    entry, latest = two.entry_s.copy(), two.latest_s.copy()
    entry[0], latest[0] = one.entry_s[0], one.latest_s[0]
    found = occupation(replace(two, entry_s=entry, latest_s=latest, earliest_s=latest, periods=one.periods), 15)
    assert any("1 patients were first paced after 2.5 min" in note for note in found.notes)


def test_sentence_has_whole_numbers_that_sum_to_100():
    # three sevenths, two sevenths, ... : 42.86, 28.57, 14.29, 14.29 -> 43, 29, 14, 14 by largest remainder
    courses = [
        *[(600, "own-rhythm", [(10, 600, False)])] * 3,
        *[(600, "own-rhythm", [(10, 60, True)])] * 2,
        (60, "died", [(10, 60, False)]),
        (60, "other-therapy", [(10, 60, False)]),
    ]
    found = occupation(episodes_of(courses), 10)
    assert found.sentence(5) == (
        "5 minutes after the first pulse, of 100 paced patients: 43 captured; 29 capture lost; 14 ended, alive; "
        "14 circulation lost or dead."
    )
    assert found.sentence(1).startswith("1 minute after")


def test_thirds_are_shared_out_in_the_order_of_the_states():
    courses = [(600, "own-rhythm", [(10, 600, False)]), (600, "own-rhythm", [(10, 60, True)]), (60, "died", [])]
    assert "34 captured; 33 capture lost; 33 circulation lost" in occupation(episodes_of(courses), 10).sentence(5)


def test_the_curve_ends_with_the_last_patient_and_the_horizon_binds():
    episodes = episodes_of([(90, "unknown", [(30, 90, False)])])
    found = occupation(episodes, 60)
    assert found.horizon_min == 1.5
    assert any("Nobody was observed beyond 1.5 min" in note for note in found.notes)
    with pytest.raises(UsageError, match=r"between 0 and 1\.5; it is 2"):
        found.shares(2)
    with pytest.raises(UsageError, match="more than 0"):
        occupation(episodes, 0)


def test_everything_has_limits_and_a_reason_for_none():
    found = occupation(episodes_of(invented(3, 12)), 5)
    for minute in (0, 1, 2, 5):
        for estimate in found.shares(minute):
            assert 0 <= estimate.lower <= estimate.value + 1e-9
            assert estimate.value <= estimate.upper + 1e-9 <= 100 + 1e-8
            assert estimate.n == 12
    assert found.states == STATES
    np.testing.assert_allclose(found.probability.sum(axis=0), 1, atol=1e-9)


def test_zero_paced_minutes():
    assert shares(episodes_of([(0, "died", []), (30, "own-rhythm", [(1, 30, False)])]), 0.1) == [0, 50, 0, 0, 50, 0]
