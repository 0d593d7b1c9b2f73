"""Reading ramps as judgements: a small study by hand, and the rules of a ramp."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capstat.attempts import study_from_frames
from capstat.capture.judged_ramps import JudgedRamps, join_ramps, read_judged_ramps
from capstat.results import NotEstimableError, UsageError
from capstat.thresholds import AS_RECORDED_CAPTURE, ELECTRICAL_CAPTURE, MECHANICAL_CAPTURE

INF = np.inf


def study_of(ramps, columns, *, placement="anterior-posterior", patients=None):
    """A ramp is a list of (current, values of the columns), in the order tested."""
    attempts = pd.DataFrame(
        {
            "attempt_id": [f"A{i}" for i in range(len(ramps))],
            "patient_id": patients or [f"P{i}" for i in range(len(ramps))],
            "placement": placement,
            "max_output_ma": 140.0,
        }
    )
    rows = [
        {"attempt_id": f"A{i}", "step_order": k + 1, "current_ma": step[0], **dict(zip(columns, step[1:], strict=True))}
        for i, ramp in enumerate(ramps)
        for k, step in enumerate(ramp)
    ]
    return study_from_frames(attempts, pd.DataFrame(rows))


def steps_of(ramps, number):
    own = ramps.ramp == number
    return list(
        zip(ramps.current_ma[own].tolist(), ramps.claimed[own].tolist(), ramps.truth[own].tolist(), strict=True)
    )


@pytest.mark.parametrize("reference", ["ultrasound", "adjudicated_capture"])
def test_a_small_study_by_hand(reference):
    study = study_of(
        [
            [(50, "no", "no"), (60, "", "no"), (70, "yes", "no"), (80, "yes", "yes")],
            [(50, "no", ""), (60, "no", "yes"), (70, "yes", "yes")],
            [(50, "", "yes"), (60, "", "")],
            [(90, "no", ""), (80, "no", ""), (100, "yes", "")],
        ],
        ["electrical_capture", reference],
        patients=["P0", "P1", "P1", "P0"],
    )
    ramps = read_judged_ramps(study, claim=ELECTRICAL_CAPTURE, reference=reference)
    # blank judgements are no judgements; what is judged after the first claim is left out; no judgement, no ramp
    assert len(ramps) == 3
    assert steps_of(ramps, 0) == [(50, False, 0), (70, True, 0)]
    assert steps_of(ramps, 1) == [(50, False, -1), (60, False, 1), (70, True, 1)]
    # the order is the order tested, also where the current was turned down
    assert steps_of(ramps, 2) == [(90, False, -1), (80, False, -1), (100, True, -1)]
    # the reference's interval uses all that it saw, also beyond the first claim and where nothing was judged
    assert ramps.lower_ma.tolist() == [70, 0, 0]
    assert ramps.upper_ma.tolist() == [80, 60, INF]
    assert ramps.attempt_row.tolist() == [0, 1, 3]
    assert (ramps.n_patients, ramps.n_reviewed) == (2, 2)
    assert ramps.patient[0] == ramps.patient[2] != ramps.patient[1]
    assert (ramps.claim, ramps.reference) == ("electrical", reference)
    claimed = ramps.as_claimed()
    assert claimed.lower_ma.tolist() == [50, 60, 90]
    assert claimed.upper_ma.tolist() == [70, 70, 100]


def test_steps_listed_out_of_order_are_read_in_the_order_tested():
    study = study_of([[(60, "no", ""), (70, "yes", "yes"), (80, "yes", "yes")]], ["electrical_capture", "ultrasound"])
    shuffled = study_from_frames(study.attempts, study.steps.iloc[[2, 0, 1]])
    ramps = read_judged_ramps(shuffled, claim=ELECTRICAL_CAPTURE, reference="ultrasound")
    assert steps_of(ramps, 0) == [(60, False, -1), (70, True, 1)]


def test_no_electrical_capture_settles_mechanical_capture():
    study = study_of(
        [[(60, "no", "", ""), (70, "yes", "no", ""), (80, "yes", "yes", "yes")], [(60, "no", "", ""), (70, "yes", "", "")]],
        ["electrical_capture", "mechanical_capture", "ultrasound"],
    )  # fmt: skip
    ramps = read_judged_ramps(study, claim=MECHANICAL_CAPTURE, reference="ultrasound")
    # in the second attempt mechanical capture was never looked at, so electrical loss says nothing of it
    assert len(ramps) == 1
    assert steps_of(ramps, 0) == [(60, False, -1), (70, False, -1), (80, True, 1)]


def test_a_step_down_after_the_first_claim_does_not_count():
    study = study_of(
        [[(60, "no", "no"), (70, "yes", "yes"), (65, "no", "no"), (70, "yes", "yes")]],
        ["electrical_capture", "adjudicated_capture"],
    )
    ramps = read_judged_ramps(study, claim=ELECTRICAL_CAPTURE, reference="adjudicated_capture")
    assert steps_of(ramps, 0) == [(60, False, 0), (70, True, 1)]
    # but what the reference saw there narrows the interval
    assert (ramps.lower_ma[0], ramps.upper_ma[0]) == (65, 70)


def test_what_cannot_be_read_is_refused():
    study = study_of([[(60, "no", "")], [(60, "", "yes")]], ["electrical_capture", "ultrasound"])
    with pytest.raises(UsageError, match="two different columns"):
        read_judged_ramps(study, claim=ELECTRICAL_CAPTURE, reference="electrical_capture")
    with pytest.raises(UsageError, match="two different columns"):
        read_judged_ramps(study, claim=AS_RECORDED_CAPTURE, reference="ultrasound")
    for column in ("current_ma", "no_such_column"):
        with pytest.raises(UsageError, match=f"'{column}'.*yes and no"):
            read_judged_ramps(study, claim=ELECTRICAL_CAPTURE, reference=column)
    with pytest.raises(NotEstimableError, match="mechanical"):
        read_judged_ramps(study, claim=MECHANICAL_CAPTURE, reference="ultrasound")


STEP = st.tuples(st.sampled_from([40.0, 50.0, 60.0, 70.0]), st.booleans(), st.sampled_from([-1, 0, 1]))
RAMPS = st.lists(st.lists(STEP, min_size=1, max_size=5), min_size=1, max_size=6)


def made(ramps, **more):
    flat = [(i, *step) for i, ramp in enumerate(ramps) for step in ramp]
    return JudgedRamps.from_arrays(*zip(*flat, strict=True), **more)


def ended(ramp):
    """Up to the first claim; up to the first refusal where it begins with a claim and steps down."""
    down = len(ramp) > 1 and ramp[0][1] and ramp[1][0] < ramp[0][0]
    ends = [k for k, step in enumerate(ramp) if step[1] != down]
    return ramp[: ends[0] + 1] if ends else ramp


def test_a_ramp_that_steps_down_ends_with_its_first_refusal():
    """140 and 120 mA believed, 100 not, 80 never counted: a threshold above 100 and up to 120 as claimed."""
    found = made([[(140.0, True, -1), (120.0, True, -1), (100.0, False, -1), (80.0, True, -1)]])
    assert found.current_ma.tolist() == [140.0, 120.0, 100.0]
    claimed = found.as_claimed()
    assert (claimed.lower_ma[0], claimed.upper_ma[0]) == (100.0, 120.0)


@given(RAMPS)
@settings(max_examples=80, deadline=None)
def test_ramps_end_with_their_first_claim_and_intervals_hold_what_the_reference_saw(ramps):
    """Reference: the rule in words, with Python lists."""
    found = made(ramps)
    for i, ramp in enumerate(ramps):
        assert steps_of(found, i) == ended(ramp)
        low = max((c for c, _, t in ramp if t == 0), default=0.0)
        assert found.lower_ma[i] == low
        assert found.upper_ma[i] == min((c for c, _, t in ramp if t == 1 and c > low), default=INF)


@given(RAMPS, st.data())
@settings(max_examples=40, deadline=None)
def test_subsets_joined_again_are_the_same_ramps(ramps, data):
    found = made(ramps, patient=[i // 2 for i in range(len(ramps))])
    keep = np.array(data.draw(st.lists(st.booleans(), min_size=len(ramps), max_size=len(ramps))))
    parts = [part for part in (found.subset(keep), found.subset(~keep)) if len(part)]
    joined = join_ramps(parts)
    order = np.concatenate([np.flatnonzero(keep), np.flatnonzero(~keep)])
    assert [steps_of(joined, k) for k in range(len(ramps))] == [steps_of(found, int(i)) for i in order]
    for name in ("lower_ma", "upper_ma", "patient", "attempt_row"):
        np.testing.assert_array_equal(getattr(joined, name), getattr(found, name)[order])


def test_without_reference_only_judgements_are_left():
    found = made([[(40.0, False, 0), (50.0, True, 1)]]).without_reference()
    assert steps_of(found, 0) == [(40, False, -1), (50, True, -1)]
    assert (found.lower_ma[0], found.upper_ma[0], found.n_reviewed) == (0, INF, 0)


@pytest.mark.parametrize("ramp", [[0, 2], [1, 1], [0, 1, 0]])
def test_ramps_out_of_order_are_refused(ramp):
    with pytest.raises(ValueError, match="numbered from 0"):
        JudgedRamps.from_arrays(ramp, np.full(len(ramp), 50.0), np.zeros(len(ramp), dtype=bool))


@pytest.mark.parametrize("current", [0.0, -5.0, np.nan, INF])
def test_a_setting_without_a_current_is_refused(current):
    with pytest.raises(ValueError, match="above 0 mA"):
        JudgedRamps.from_arrays([0], [current], [True])
