"""Misjudged captures of the invented registry: rates as declared, records without contradictions, thresholds kept."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from capstat.attempts import read_study, study_from_frames
from capstat.protocol import RampPolicy
from capstat.synthetic import (
    JUDGEMENT_TRUTH,
    SIGN_TRUTH,
    Thresholds,
    first_claims,
    simulate_registry,
    simulate_steps,
)
from capstat.thresholds import ELECTRICAL_CAPTURE, MECHANICAL_CAPTURE, derive_thresholds

SHIPPED_SEED = 20261125
# two-sided tail beyond which a simulated share is taken to disagree with its parameter
RARE = 1e-4


def study_of(synthetic):
    return study_from_frames(synthetic.attempts, synthetic.steps, synthetic.patients)


def share_agrees(hits, probability):
    """Exact binomial test (scipy) of a simulated share."""
    hits = np.asarray(hits, dtype=bool)
    assert hits.size > 200
    return stats.binomtest(int(hits.sum()), hits.size, probability).pvalue > RARE


@pytest.fixture(scope="module")
def large():
    synthetic = simulate_registry(n_patients=6_000, seed=11)
    steps = synthetic.steps.merge(synthetic.attempts[["attempt_id", "study_month"]], on="attempt_id")
    return synthetic, steps


def one(electrical, mechanical, policy, claim, **others):
    truth = Thresholds(np.array([electrical]), np.array([mechanical]), np.array([np.inf]), np.array([False]))
    steps = simulate_steps(truth, [policy], ["A"], first_claim_ma=np.array([claim]), **others)
    letters = {"yes": "y", "no": "n", "": "-"}
    return (
        steps["current_ma"].tolist(),
        "".join(steps["electrical_capture"].map(letters)),
        "".join(steps["mechanical_capture"].map(letters)),
    )


COARSE = RampPolicy(40, 10, 140, 2.0, 5.0)


def test_false_claim_by_hand():
    """Claimed at 50, true from 72 (electrical) and 74: the ramp goes on to 80, a margin, then down to 70."""
    assert one(72.0, 74.0, COARSE, 50.0) == ([40, 50, 60, 70, 80, 90, 75, 70], "nyyyyyyy", "-nnnyyyn")


def test_missed_setting_by_hand():
    """57 is missed at 60 and claimed at 70; 65 is judged for the first time, 60 is read as before."""
    assert one(52.0, 57.0, COARSE, 70.0) == ([40, 50, 60, 70, 80, 65, 60], "nnnyyyn", "---yyy-")


def test_a_right_claim_changes_nothing():
    """Below the first claim the step-down is read as it is: 55 captures electrically (52), not mechanically (57)."""
    assert one(52.0, 57.0, COARSE, 60.0) == ([40, 50, 60, 70, 55], "nnyyy", "--yyn")


def test_never_captured_and_never_claimed_by_hand():
    policy = RampPolicy(40, 10, 60, 2.0, None)
    assert one(np.inf, np.inf, policy, np.inf) == ([40, 50, 60], "nnn", "---")
    assert one(np.inf, np.inf, policy, 50.0) == ([40, 50, 60], "nyy", "-nn")
    assert one(45.0, 45.0, policy, np.inf) == ([40, 50, 60], "nnn", "---")


def test_ramps_that_stop_at_the_claim_by_hand():
    assert one(72.0, 74.0, COARSE, 50.0, stop_at_claim=True) == ([40, 50], "ny", "-n")
    assert one(52.0, 57.0, COARSE, 70.0, stop_at_claim=True) == ([40, 50, 60, 70], "nnny", "---y")
    truth = Thresholds(np.array([52.0]), np.array([77.0]), np.array([np.inf]), np.array([True]))
    assert simulate_steps(truth, [COARSE], ["A"], stop_at_claim=True)["current_ma"].tolist() == [40, 50, 60]


@given(
    st.floats(20, 160),
    st.floats(1.0, 1.3),
    st.integers(0, 11),
    st.sampled_from([None, 2.5, 4.0, 5.0]),
    st.floats(30, 150),
)
@settings(max_examples=150, deadline=None)
def test_records_do_not_contradict_themselves(electrical, ratio, position, down, stop):
    """Whatever is claimed: readings rise with the current, mechanical capture is true and looked at where claimed."""
    policy = RampPolicy(40, 10, 140, 2.0, down)
    claim = (*policy.rising_settings(), np.inf)[position]
    mechanical = electrical * ratio
    truth = Thresholds(np.array([electrical]), np.array([mechanical]), np.array([stop]), np.array([False]))
    steps = simulate_steps(truth, [policy], ["A"], first_claim_ma=np.array([claim]))
    current, read = steps["current_ma"], steps["electrical_capture"] == "yes"
    assert not read.any() or current[read].min() > current[~read].max() or read.all()
    assert ((steps["mechanical_capture"] != "") == read).all()
    assert ((steps["mechanical_capture"] == "yes") == (read & (current >= mechanical))).all()


def test_claims_without_error_are_the_first_captures():
    """Without errors the first claim is the first rising setting at or above the threshold (numpy's searchsorted)."""
    rng = np.random.default_rng(3)
    electrical = rng.uniform(30, 160, 300)
    policy = RampPolicy(40, 5, 140, 1.0)
    perfect = replace(JUDGEMENT_TRUTH, sensitivity=1.0, false_claim_60_ma=0.0)
    claims = first_claims(electrical, [policy] * 300, np.ones(300, dtype=int), truth=perfect, seed=1)
    grid = np.array([*policy.rising_settings(), np.inf])
    np.testing.assert_array_equal(claims, grid[np.searchsorted(grid, electrical)])


@pytest.mark.parametrize(
    ("current", "month", "probability"),
    [(60.0, 12, 0.02), (60.0, 13, 0.0080972), (140.0, 1, 0.0918027), (140.0, 24, 0.0388616), (30.0, 1, 0.0110762)],
)
def test_false_claims_grow_with_the_current_and_fall_after_training(current, month, probability):
    """One setting that never captures; probabilities by hand, 60 mA: 0.4 * 0.02 / 0.98 = 0.0081633 as odds."""
    policy, n = RampPolicy(current, 5, current, 1.0), 40_000
    claims = first_claims(np.full(n, np.inf), [policy] * n, np.full(n, month), seed=2)
    assert share_agrees(np.isfinite(claims), probability)


def test_same_seed_same_claims():
    def draw(seed):
        return first_claims(np.full(50, 80.0), [COARSE] * 50, np.full(50, 3), seed=seed).tolist()

    assert draw(4) == draw(4)
    assert draw(4) != draw(5)


def until_first_claim(steps):
    """Rising settings up to and with the first that was read as captured."""
    claimed = (steps["electrical_capture"] == "yes").astype(int)
    return steps[claimed.groupby(steps["attempt_id"]).cumsum() - claimed == 0]


def test_screen_is_as_good_as_declared(large):
    """Sensitivity by an exact binomial test; false claims against the declared formula written out again here."""
    steps = until_first_claim(large[1][large[1]["adjudicated_capture"] != ""])
    claimed = steps["electrical_capture"] == "yes"
    true = steps["adjudicated_capture"] == "yes"
    assert share_agrees(claimed[true], 0.97)
    for trained in (False, True):
        untrue = ~true & ((steps["study_month"] >= 13) == trained)
        odds = 0.02 / 0.98 * np.exp(0.20 * (steps["current_ma"][untrue] - 60) / 10) * (0.4 if trained else 1.0)
        probability = odds / (1 + odds)
        error = np.sqrt((probability * (1 - probability)).sum())
        assert probability.sum() > 30
        assert abs(claimed[untrue].sum() - probability.sum()) < 4 * error


def test_false_first_claims_are_as_many_as_planned(large):
    """The scenario is for 15 to 25 % before the training, and for fewer after it; counted again where reviewed."""
    written = large[0].truth["judgement"]["first_claims_of_electrical_capture"]
    before, after = written["before training"], written["after training"]
    assert 0.15 < before["share_false"] < 0.25
    assert after["share_false"] < 0.6 * before["share_false"]
    assert before["first_claims"] + after["first_claims"] == (
        large[0].steps.query("electrical_capture == 'yes'")["attempt_id"].nunique()
    )
    reviewed = large[1].query("adjudicated_capture != '' and electrical_capture == 'yes'").drop_duplicates("attempt_id")
    for period, members in ((before, reviewed["study_month"] < 13), (after, reviewed["study_month"] >= 13)):
        assert share_agrees(reviewed["adjudicated_capture"][members] == "no", period["share_false"])


def test_months_belong_to_patients(large):
    attempts = large[0].attempts
    assert (attempts.groupby("patient_id")["study_month"].nunique() == 1).all()
    assert attempts["patient_id"].duplicated().any()
    months = attempts.drop_duplicates("patient_id")["study_month"]
    assert set(months) == set(range(1, 25))
    assert stats.chisquare(months.value_counts()).pvalue > RARE


def test_reviews_are_as_declared(large):
    attempts = (
        large[1]
        .groupby("attempt_id")
        .agg(first=("adjudicated_capture", "min"), second=("second_review_capture", "min"))
    )
    assert share_agrees(attempts["first"] != "", 0.25)
    assert share_agrees(attempts["second"][attempts["first"] != ""] != "", 0.6)
    assert (attempts["second"][attempts["first"] == ""] == "").all()
    twice = large[1][large[1]["second_review_capture"] != ""]
    assert (twice["adjudicated_capture"] != "").all()
    assert share_agrees(twice["second_review_capture"] != twice["adjudicated_capture"], 0.04)


@pytest.mark.parametrize(
    ("sign", "looked_for", "sensitivity", "specificity"),
    [
        ("femoral_pulse", 0.80, 0.93, 0.70),
        ("carotid_pulse", 0.30, 0.95, 0.45),
        ("oximetry_waveform", 0.75, 0.85, 0.92),
    ],
)
def test_signs_are_as_accurate_as_declared(large, sign, looked_for, sensitivity, specificity):
    """Mechanical capture is recorded without error, so it is the truth here."""
    steps = large[1]
    read = steps["electrical_capture"] == "yes"
    assert (steps[sign][~read] == "").all()
    assert share_agrees(steps[sign][read] != "", looked_for)
    for mechanical, probability in (("yes", sensitivity), ("no", 1 - specificity)):
        at = (steps["mechanical_capture"] == mechanical) & (steps[sign] != "")
        assert share_agrees(steps[sign][at] == "yes", probability)


def test_false_pulses_go_together(large):
    """Without capture both pulses are false with probability 0.25 + 0.75 (0.05 / 0.75) (0.30 / 0.75) = 0.27, not 0.165."""
    steps = large[1]
    both = steps[(steps["femoral_pulse"] != "") & (steps["carotid_pulse"] != "")]
    felt = (both["femoral_pulse"] == "yes") & (both["carotid_pulse"] == "yes")
    without = both["mechanical_capture"] == "no"
    assert share_agrees(felt[without], 0.27)
    assert not share_agrees(felt[without], 0.30 * 0.55)
    assert share_agrees(felt[~without], 0.93 * 0.95)


@pytest.mark.parametrize(
    ("sign", "looked_for", "captured", "not_captured"),
    [("etco2_rise_mmhg", 0.40, (9, 4), (1, 3)), ("systolic_mmhg", 0.30, (95, 15), (68, 15))],
)
def test_readings_are_as_declared(large, sign, looked_for, captured, not_captured):
    """Mean by its z test, SD within 4 standard errors; rounding to whole mmHg adds a variance of 1/12."""
    steps = large[1]
    read = steps["electrical_capture"] == "yes"
    assert steps[sign][~read].isna().all()
    assert share_agrees(steps[sign][read].notna(), looked_for)
    for mechanical, (mean, sd) in (("yes", captured), ("no", not_captured)):
        values = steps[sign][steps["mechanical_capture"] == mechanical].dropna().to_numpy()
        assert values.size > 500
        assert (values == np.round(values)).all()
        rounded = np.sqrt(sd**2 + 1 / 12)
        assert abs(values.mean() - mean) < 4 * rounded / np.sqrt(values.size)
        assert abs(values.std(ddof=1) - rounded) < 4 * rounded / np.sqrt(2 * values.size)


def test_ultrasound_is_sought_where_there_is_doubt(large):
    steps = large[1][large[1]["electrical_capture"] == "yes"]
    looked = steps["ultrasound"] != ""
    doubt = steps["femoral_pulse"] == "no"
    assert share_agrees(looked[doubt], 0.45)
    assert share_agrees(looked[~doubt], 0.12)
    assert (steps["ultrasound"][looked] == steps["mechanical_capture"][looked]).all()
    assert (large[1]["ultrasound"][large[1]["electrical_capture"] != "yes"] == "").all()


def test_twitches_explain_false_pulses():
    with pytest.raises(ValueError, match="no pulse is false less often"):
        replace(SIGN_TRUTH, twitch=0.35)


def test_shipped_mechanical_thresholds_are_true_but_for_missed_screens(shipped):
    """Beside the same registry with a perfect screen: nothing else differs, and a miss costs one rising setting."""
    perfect = simulate_registry(
        seed=SHIPPED_SEED, judgement=replace(JUDGEMENT_TRUTH, sensitivity=1.0, false_claim_60_ma=0.0)
    )
    true = derive_thresholds(study_of(perfect), capture=MECHANICAL_CAPTURE)
    got = derive_thresholds(read_study(shipped / "registry"), capture=MECHANICAL_CAPTURE)
    assert got.patient.tolist() == true.patient.tolist()
    missed = (got.lower_ma != true.lower_ma) | (got.upper_ma != true.upper_ma)
    # 3 % of the settings at which both kinds of capture begin are missed
    assert 0 < missed.sum() < 0.04 * missed.size
    assert (got.lower_ma[missed] >= true.upper_ma[missed]).all()
    step = got.covariates["step_ma"].to_numpy(dtype=float)
    assert (got.upper_ma[missed] <= true.upper_ma[missed] + step[missed]).all()


def test_false_claims_alone_leave_mechanical_thresholds_alone():
    only_false = replace(JUDGEMENT_TRUTH, sensitivity=1.0, false_claim_60_ma=0.2)
    none = replace(only_false, false_claim_60_ma=0.0)
    got, true = (
        derive_thresholds(
            study_of(simulate_registry(n_patients=300, seed=8, judgement=judgement)), capture=MECHANICAL_CAPTURE
        )
        for judgement in (only_false, none)
    )
    np.testing.assert_array_equal(got.lower_ma, true.lower_ma)
    np.testing.assert_array_equal(got.upper_ma, true.upper_ma)


def test_thresholds_of_claims_are_too_low():
    """Simulated truth: false claims pull electrical thresholds down, never up; misses push some up."""
    only_false = replace(JUDGEMENT_TRUTH, sensitivity=1.0)
    none = replace(only_false, false_claim_60_ma=0.0)
    got, true = (
        derive_thresholds(
            study_of(simulate_registry(n_patients=600, seed=8, judgement=judgement)), capture=ELECTRICAL_CAPTURE
        )
        for judgement in (only_false, none)
    )
    assert (got.upper_ma <= true.upper_ma).all()
    assert np.mean(got.upper_ma < true.upper_ma) > 0.08


def test_shipped_registry_has_few_warnings(shipped):
    """Only movement artefacts remain: electrical capture lost once, in about one ramp in fifty."""
    study = read_study(shipped / "registry")
    assert {(finding.severity, finding.rule, finding.column) for finding in study.findings} == {
        ("warning", "not-monotone", "electrical_capture")
    }
    assert len(study.findings) <= 10


def test_electrical_truth_is_the_mechanical_one_at_lower_currents(large):
    """A curve at 1.05 times the current (population written for mechanical capture) by interpolation (numpy)."""
    truth = large[0].truth
    for name, questions in truth["population_electrical"].items():
        for question, curve in questions.items():
            mechanical = truth["population"][name][question]
            for share, current in curve["capture_currents_ma"].items():
                assert current == pytest.approx(mechanical["capture_currents_ma"][share] / 1.05, abs=0.06)
            assert curve["share_captured"]["80 mA"] > mechanical["share_captured"]["80 mA"]


def test_truth_names_its_sources(large):
    judgement = large[0].truth["judgement"]
    for part in ("screen", "signs"):
        assert judgement[part]["sources"]
    assert "doi:10.1080/10903127.2024.2321287" in str(judgement["screen"]["sources"])
    assert judgement["screen"]["sensitivity"] == 0.97
