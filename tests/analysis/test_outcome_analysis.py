"""Which estimators are called, and what is said where a part cannot be had."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from capstat.analysis import AnalysisOptions, OutcomeQuestion, analyse_outcomes
from capstat.attempts import study_from_frames
from capstat.outcomes import Origin
from capstat.results import NotEstimableError, UsageError
from capstat.synthetic import simulate_registry
from capstat.thresholds import ELECTRICAL_CAPTURE, MECHANICAL_CAPTURE

PADS = ("anterior-posterior", "anterior-lateral")
QUICK = OutcomeQuestion(declared="survived_to_discharge", replicates=100)


@pytest.fixture(scope="module")
def study():
    made = simulate_registry(n_patients=150, seed=3)
    return study_from_frames(made.attempts, made.steps, made.patients, periods=made.periods)


@pytest.fixture(scope="module")
def found(study):
    return analyse_outcomes(study, AnalysisOptions(), QUICK, MECHANICAL_CAPTURE, pair=PADS)


def test_the_declared_outcome_comes_first_and_alone_is_declared(found):
    assert [one.role for one in found.outcomes] == ["declared", *["exploratory"] * (len(found.outcomes) - 1)]
    assert found.outcomes[0].outcome == "survived_to_discharge"
    assert not found.randomised


def test_everything_points_the_same_way(found):
    direction = " minus ".join(PADS)
    for wait in found.waits:
        assert wait.groups[0].label == PADS[0]
        assert {difference.direction for difference in wait.differences} == {direction}
    assert found.kept.rate_ratio.direction == " against ".join(PADS)
    assert found.outcomes[0].direction == direction


def test_turned_around_differences_change_their_sign(study, found):
    turned = analyse_outcomes(study, AnalysisOptions(), QUICK, MECHANICAL_CAPTURE, pair=PADS[::-1])
    for one, other in zip(found.waits[-1].differences, turned.waits[-1].differences, strict=True):
        assert one.value == pytest.approx(-other.value, abs=1e-9)
    assert found.outcomes[0].risks.difference.value == pytest.approx(-turned.outcomes[0].risks.difference.value)
    assert found.kept.rate_ratio.value == pytest.approx(1 / turned.kept.rate_ratio.value, rel=1e-6)


def test_the_same_seed_gives_the_same_numbers(study, found):
    again = analyse_outcomes(study, AnalysisOptions(), QUICK, MECHANICAL_CAPTURE, pair=PADS)
    assert again.standardised.differences == found.standardised.differences
    assert again.immortal.rows == found.immortal.rows


def test_first_and_sustained_capture_are_both_awaited(found):
    assert [wait.awaited for wait in found.waits] == [
        "first electrical capture", "first mechanical capture", "mechanical capture sustained for 60 s",
    ]  # fmt: skip


def test_an_electrical_question_awaits_no_mechanical_capture(study):
    got = analyse_outcomes(study, AnalysisOptions(), QUICK, ELECTRICAL_CAPTURE, pair=PADS)
    assert [wait.awaited for wait in got.waits] == ["first electrical capture"]
    assert any("needs periods" in why for _, why in got.reasons)


def test_groups_other_than_placement(study):
    got = analyse_outcomes(
        study, AnalysisOptions(), OutcomeQuestion(by="arrest", replicates=100), MECHANICAL_CAPTURE, pair=(None, None)
    )
    assert (got.first, got.minus) == ("yes", "no")
    assert "arrest" not in got.confounders
    assert not got.randomised


def test_one_group_alone_is_described_and_not_compared(study):
    got = analyse_outcomes(study, AnalysisOptions(), QUICK, MECHANICAL_CAPTURE, pair=("anterior-posterior", "other"))
    assert ("comparison", "No patient has 'other' in placement.") in got.reasons
    assert got.outcomes == ()
    assert got.waits[-1].everybody.n == 150
    assert got.states is not None


def test_a_study_without_times_and_outcomes_is_not_followed():
    frame = pd.DataFrame(
        {"patient_id": ["a", "b"], "placement": "AP", "max_output_ma": 140.0, "highest_no_capture_ma": 60.0,
         "lowest_capture_ma": 65.0}
    )  # fmt: skip
    assert analyse_outcomes(study_from_frames(frame), AnalysisOptions(), QUICK, MECHANICAL_CAPTURE, pair=PADS) is None
    timed = frame.assign(pacing_start_s=[0.0, 0.0], capture_criterion="electrical")
    with pytest.raises(NotEstimableError, match="No patient has a time"):
        analyse_outcomes(study_from_frames(timed), AnalysisOptions(), QUICK, MECHANICAL_CAPTURE, pair=PADS)


def test_outcomes_are_compared_among_everybody_also_without_times(study, found):
    made = simulate_registry(n_patients=150, seed=3)
    untimed = made.attempts.drop(
        columns=["onset_s", "arrival_s", "pads_on_s", "pacing_start_s", "pacing_end_s", "pacing_ended"]
    )
    bare = study_from_frames(untimed, made.steps.drop(columns="time_s"), made.patients)
    got = analyse_outcomes(bare, AnalysisOptions(), QUICK, MECHANICAL_CAPTURE, pair=PADS)
    assert got.waits == ()
    assert got.immortal is None
    assert [one.risks for one in got.outcomes] == [one.risks for one in found.outcomes]
    half = made.attempts.assign(pacing_start_s=made.attempts["pacing_start_s"].where(made.attempts.index % 2 == 0))
    some = study_from_frames(half, made.steps.drop(columns="time_s"), made.patients, periods=made.periods)
    got = analyse_outcomes(some, AnalysisOptions(), QUICK, MECHANICAL_CAPTURE, pair=PADS)
    assert got.waits[-1].everybody.n < 150
    assert [one.risks for one in got.outcomes] == [one.risks for one in found.outcomes]


def test_without_confounders_nothing_is_standardised(study):
    got = analyse_outcomes(study, AnalysisOptions(adjust_for=()), QUICK, MECHANICAL_CAPTURE, pair=PADS)
    assert got.standardised is None
    assert ("standardised time to capture", "There is no confounder to standardise over.") in got.reasons


def test_a_confounder_settled_later_is_refused(study):
    with pytest.raises(UsageError, match="not known before the pads"):
        analyse_outcomes(study, AnalysisOptions(adjust_for=("sedation",)), QUICK, MECHANICAL_CAPTURE, pair=PADS)


def test_randomised_only_where_every_compared_patient_was():
    made = simulate_registry(n_patients=60, seed=2)
    attempts = made.attempts.assign(assignment="randomised")
    everybody = study_from_frames(attempts, made.steps, made.patients, periods=made.periods)
    assert analyse_outcomes(everybody, AnalysisOptions(), QUICK, MECHANICAL_CAPTURE, pair=PADS).randomised
    attempts.loc[0, "assignment"] = "chosen"
    but_one = study_from_frames(attempts, made.steps, made.patients, periods=made.periods)
    assert not analyse_outcomes(but_one, AnalysisOptions(), QUICK, MECHANICAL_CAPTURE, pair=PADS).randomised


@pytest.mark.parametrize(
    ("choice", "words"),
    [
        ({"minutes": ()}, "Times at which to tell"),
        ({"minutes": (0.0,)}, "Times at which to tell"),
        ({"within_min": (-1.0,)}, "Landmarks are"),
        ({"within_min": ()}, "Landmarks are"),
        ({"horizon_min": 0.0}, "horizon lies above 0"),
        ({"horizon_min": 10.0}, "must lie after the last landmark"),
        ({"sustained_s": 0.0}, "Capture lasts above 0 s"),
        ({"declared": "lived"}, "no outcome 'lived'; accepted are survived_to_arrival"),
        ({"replicates": 10}, "At least 100 resamples"),
    ],
)
def test_what_cannot_be_asked_is_refused(choice, words):
    with pytest.raises(UsageError, match=words):
        OutcomeQuestion(**choice)


def test_all_problems_of_a_question_are_told_at_once():
    with pytest.raises(UsageError) as told:
        OutcomeQuestion(declared="lived", replicates=1, origin=Origin.ARRIVAL)
    assert "lived" in str(told.value)
    assert "resamples" in str(told.value)


def test_origin_before_the_first_pulse_delays_entry(study):
    got = analyse_outcomes(
        study, AnalysisOptions(), OutcomeQuestion(origin=Origin.ARRIVAL, replicates=100), MECHANICAL_CAPTURE, pair=PADS
    )
    assert got.waits[-1].origin == "arrival"
    assert np.isfinite(got.waits[-1].everybody.captured_by[-1].upper)
