"""First claims of attempts beside the reference, counted by hand on a small study."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capstat.attempts import study_from_frames
from capstat.capture.claim_groups import group_claims, judged_versus_not
from capstat.capture.claims import read_claims
from capstat.results import NotEstimableError, UsageError


def study(**columns):
    """Four attempts of three patients: claims at 60 (false), 80 (upheld), 90 (not judged), and none."""
    attempts = pd.DataFrame({
        "attempt_id": ["a", "b", "c", "d"], "patient_id": ["p", "q", "p", "r"],
        "placement": ["anterior-lateral", "anterior-posterior", "unknown", "anterior-posterior"],
        "max_output_ma": 140, "study_month": [1, 2, None, 3], "setting": ["prehospital", None, "intensive-care", None],
        "arrest": ["yes", "no", None, "no"],
    })  # fmt: skip
    steps = pd.DataFrame({
        "attempt_id": ["a", "a", "a", "b", "b", "c", "c", "d"],
        "current_ma": [50, 60, 70, 70, 80, 90, 100, 140],
        "electrical_capture": ["no", "yes", "yes", None, "yes", "yes", "yes", "no"],
        "adjudicated_capture": ["no", "no", "yes", "no", "yes", None, "yes", "no"],
    })  # fmt: skip
    patients = pd.DataFrame({"patient_id": ["p", "q"], "height_cm": [200, 160], "weight_kg": [100, 76.8]})
    return study_from_frames(attempts, steps.assign(**columns), patients)


def test_the_first_claim_of_each_attempt_by_hand():
    claims = read_claims(study())
    np.testing.assert_array_equal(claims.attempt_row, [0, 1, 2])
    np.testing.assert_array_equal(claims.current_ma, [60, 80, 90])
    # the reference upholds a later setting of the first and third attempt, which says nothing about the claim
    np.testing.assert_array_equal(claims.upheld, [0, 1, np.nan])
    np.testing.assert_array_equal(claims.patient == claims.patient[0], [True, False, True])
    assert claims.placement.tolist() == ["anterior-lateral", "anterior-posterior", "unknown"]
    assert claims.setting.tolist() == ["prehospital", "unknown", "intensive-care"]
    np.testing.assert_array_equal(claims.study_month, [1, 2, np.nan])
    np.testing.assert_allclose(claims.body_mass_index, [25, 30, 25])
    np.testing.assert_array_equal(claims.arrest, [1, 0, np.nan])
    assert (claims.with_steps, claims.assessed, claims.claimed, claims.judged, claims.false) == (4, 4, 3, 2, 1)
    assert claims.patients(claims.is_judged) == 2
    assert claims.repeats(np.array([True, False, True]))
    assert not claims.repeats(claims.is_judged)


def test_the_order_of_the_settings_and_not_the_current_decides_which_claim_is_first():
    falling = study(step_order=[3, 2, 1, 2, 1, 1, 2, 1])
    np.testing.assert_array_equal(read_claims(falling).current_ma, [70, 80, 90])
    np.testing.assert_array_equal(read_claims(falling).upheld, [1, 1, np.nan])


def test_an_attempt_whose_claim_column_is_empty_was_not_assessed():
    claims = read_claims(study(electrical_capture=["no", "yes", "yes", None, None, "yes", "yes", None]))
    assert (claims.with_steps, claims.assessed, claims.claimed) == (4, 2, 2)


def test_groups_with_edges_in_their_bands():
    claims = read_claims(study())
    labels, group = group_claims(claims, "current")
    assert labels == ("up to 60 mA", "above 60 up to 80 mA", "above 80 up to 100 mA")
    assert group.tolist() == [0, 1, 2]
    labels, group = group_claims(claims, "body mass index")
    assert [labels[g] for g in group] == ["25 to below 30 kg/m²", "30 kg/m² and above", "25 to below 30 kg/m²"]
    for grouping in ("placement", "setting", "cardiac arrest"):
        labels, group = group_claims(claims, grouping)
        assert labels[-1] == "not recorded"
        assert (group == len(labels) - 1).sum() == 1
    labels, group = group_claims(claims, "cardiac arrest")
    assert [labels[g] for g in group] == ["in cardiac arrest", "not in cardiac arrest", "not recorded"]
    with pytest.raises(UsageError, match="grouped by 'rhythm'; accepted are: current, placement"):
        group_claims(claims, "rhythm")


def test_judged_claims_are_described_beside_the_others():
    found = judged_versus_not(read_claims(study()))
    assert (found.claims, found.judged, found.median_judged_ma, found.median_not_judged_ma) == (3, 2, 70, 90)
    assert found.sentence.startswith("The reference judged 2 of 3 claimed captures; if")
    by_current = {row.label: (row.claims, row.judged) for row in found.rows if row.grouping == "current"}
    assert by_current == {"up to 60 mA": (1, 1), "above 60 up to 80 mA": (1, 1), "above 80 up to 100 mA": (1, 0)}
    everything = judged_versus_not(read_claims(study(adjudicated_capture="yes")))
    assert everything.median_not_judged_ma is None
    assert everything.sentence.endswith("which is all of them.")


@pytest.mark.parametrize(
    ("claim", "reference", "message"),
    [
        ("current_ma", "ultrasound", "'current_ma' cannot be the claim; accepted are: electrical_capture, "),
        (
            "electrical_capture",
            "femoral_pulse",
            "'femoral_pulse' cannot be the reference; accepted are: adjudicated_cap",
        ),
        ("ultrasound", "ultrasound", "'ultrasound' cannot be both"),
    ],
)
def test_wrong_choices_are_refused(claim, reference, message):
    with pytest.raises(UsageError, match=message):
        read_claims(study(), claim, reference)


def test_without_claims_or_judgements_nothing_can_be_had():
    with pytest.raises(NotEstimableError, match="'electrical_capture' of the steps never says yes"):
        read_claims(study(electrical_capture="no"))
    with pytest.raises(
        NotEstimableError, match="No claimed capture was judged by the reference: 'adjudicated_capture'"
    ):
        read_claims(study(adjudicated_capture=["no", None, "yes", "no", None, None, "yes", "no"]))
    with pytest.raises(NotEstimableError, match="never says yes"):
        read_claims(study_from_frames(pd.DataFrame({"patient_id": ["p"], "placement": ["other"], "max_output_ma": [140.0],
                                                    "lowest_capture_ma": [70.0]})))  # fmt: skip


@given(
    data=st.lists(
        st.tuples(st.integers(0, 3), st.sampled_from(["yes", "no", None]), st.sampled_from(["yes", "no", None])),
        min_size=1,
        max_size=16,
    )
)
@settings(max_examples=30, deadline=None)
def test_claims_agree_with_a_loop_over_attempts(data):
    """Reference: the definition in the brief, written as a plain loop."""
    attempts = pd.DataFrame({"attempt_id": [f"a{i}" for i in range(4)], "patient_id": [f"p{i % 3}" for i in range(4)],
                             "placement": "other", "max_output_ma": 200.0})  # fmt: skip
    steps = pd.DataFrame(data, columns=["attempt_id", "mechanical_capture", "ultrasound"])
    steps = steps.assign(attempt_id=[f"a{i}" for i in steps["attempt_id"]])
    # every attempt needs a setting with a judgement to be a study at all
    start = pd.DataFrame({"attempt_id": attempts["attempt_id"], "mechanical_capture": "no", "ultrasound": "no"})
    steps = pd.concat((start, steps), ignore_index=True)
    steps = steps.assign(current_ma=np.arange(40, 40 + len(steps)), step_order=np.arange(1, len(steps) + 1))
    expected = []
    for code in attempts["attempt_id"]:
        for row in steps[steps["attempt_id"] == code].itertuples():
            if row.mechanical_capture == "yes":
                expected.append((row.current_ma, {"yes": 1.0, "no": 0.0}.get(row.ultrasound, -1.0)))
                break
    try:
        claims = read_claims(study_from_frames(attempts, steps), "mechanical_capture", "ultrasound")
    except NotEstimableError:
        assert all(upheld < 0 for _, upheld in expected)
        return
    assert list(zip(claims.current_ma, np.nan_to_num(claims.upheld, nan=-1.0), strict=True)) == expected
