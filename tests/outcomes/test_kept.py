"""Capture kept or lost: against R (survey, survival), counting patient by patient, and courses with known rates."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from capstat.attempts import study_from_frames
from capstat.outcomes.episodes import Awaited, derive_episodes
from capstat.outcomes.kept import capture_kept
from capstat.outcomes.kept_minutes import share_of_minutes, shares_of_patients
from capstat.results import NotEstimableError, UsageError
from capstat.thresholds import MECHANICAL_CAPTURE

LEVEL = 0.95


def episodes_of(courses, sustained_s=None, **columns):
    """Each course: (end of pacing, why, [(from, to, lost)], placement), in seconds since the first pulse."""
    rows, periods = [], []
    for i, (end, why, own, *placement) in enumerate(courses):
        rows.append(
            {
                "attempt_id": f"A{i}",
                "patient_id": f"P{i}",
                "placement": placement[0] if placement else "anterior-lateral",
                "max_output_ma": 140,
                "pacing_start_s": 0.0,
                "pacing_end_s": end,
                "pacing_ended": why,
                "capture_criterion": "mechanical",
                "lowest_capture_ma": 80.0 if own else np.nan,
                "highest_no_capture_ma": np.nan if own else 140.0,
                **{name: value[i] for name, value in columns.items()},
            }
        )
        periods += [(f"A{i}", a, b, "yes" if lost else "no", "mechanical") for a, b, lost in own]
    table = pd.DataFrame(periods, columns=["attempt_id", "from_s", "to_s", "lost", "capture_criterion"])
    study = study_from_frames(pd.DataFrame(rows), periods=table if periods else None)
    return derive_episodes(study, Awaited(MECHANICAL_CAPTURE, sustained_s))


def simulated(seed, n, ratio=1.5, spread=0.5, mean_kept_s=600.0, handed_over=True):
    """Exponential stays; people differ in their rate of loss (gamma); anterior-posterior loses ``ratio`` as often."""
    rng = np.random.default_rng(seed)
    courses = []
    for i in range(n):
        placement = "anterior-posterior" if i % 2 else "anterior-lateral"
        rate = rng.gamma(1 / spread, spread) * (ratio if i % 2 else 1.0) / mean_kept_s
        end, t, own = rng.exponential(1500) + 1, rng.exponential(60), []
        while t < end:
            loss = t + max(rng.exponential(1 / rate), 1e-3)
            own.append((t, min(loss, end), loss < end))
            t = loss + rng.exponential(60)
        whys = ["own-rhythm", "died", "handed-over"] if handed_over else ["own-rhythm", "died"]
        courses.append((end, str(rng.choice(whys)), own, placement))
    return courses


@pytest.mark.reference
def test_ratio_of_minutes_as_the_survey_package(reference):
    case = reference("r19")
    part, whole = np.array(case.data["ratio"], dtype=float).T
    got = share_of_minutes(whole, part, LEVEL)
    # the standard error shows in Wilson's limits: p (1 - p)/n is the squared half width where they are symmetric
    t, z = stats.t.ppf(0.975, part.size - 1), stats.norm.ppf(0.975)
    share, lower, upper = got.value / 100, got.lower / 100, got.upper / 100
    size = z**2 * (1 - lower - upper) / (lower + upper - 2 * share)
    se = np.sqrt(share * (1 - share) / size) * z / t
    case.check("ratio.survey", [share, se])


@settings(max_examples=6, deadline=None)
@given(seed=st.integers(0, 10_000), n=st.integers(3, 30))
def test_with_every_end_known_it_is_counted(seed, n):
    courses = simulated(seed, n, mean_kept_s=200, handed_over=False)
    if not any(own for _, _, own, _ in courses):
        return
    group = capture_kept(episodes_of(courses)).everybody
    kept = [own for _, _, own, _ in courses if own]
    assert group.n_paced == n
    assert group.n_captured == len(kept)
    assert group.losses == sum(lost for own in kept for _, _, lost in own)
    assert group.n_lost == sum(own[0][2] for own in kept)
    for minutes, share, mean in zip((5, 10, 30), group.lost_within, group.mean_losses_within, strict=True):
        since = [[(b - own[0][0], lost) for _, b, lost in own] for own in kept]
        first = [own[0][1] and own[0][0] <= 60 * minutes for own in since]
        count = [sum(lost and b <= 60 * minutes for b, lost in own) for own in since]
        assert share.value == pytest.approx(100 * np.mean(first), abs=1e-7)
        assert mean.value == pytest.approx(np.mean(count), abs=1e-9)
        for estimate in (share, mean):
            assert estimate.lower - 1e-9 <= estimate.value <= estimate.upper + 1e-9
    lost = [own for own in kept if own[0][2]]
    if lost:
        assert group.regained.value == pytest.approx(100 * np.mean([len(own) > 1 for own in lost]), abs=1e-7)
    captured = sum(b - a for own in kept for a, b, _ in own)
    assert group.share_of_minutes.value == pytest.approx(100 * captured / sum(c[0] for c in courses), abs=1e-7)
    own_shares = [sum(b - a for a, b, _ in own) / end * 100 for end, _, own, _ in courses]
    assert group.shares_of_patients[1].value == pytest.approx(np.median(own_shares), abs=1e-7)


def test_known_rates_are_recovered():
    # without differences between people both clocks give the ratio of the rates
    courses = simulated(7, 500, ratio=1.5, spread=1e-4, handed_over=False)
    got = capture_kept(episodes_of(courses))
    assert got.rate_ratio.direction == "anterior-posterior against anterior-lateral"
    for ratio in (got.rate_ratio, got.gap_ratio):
        assert ratio.lower < 1.5 < ratio.upper
        assert ratio.upper / ratio.lower < 1.5
        assert ratio.p_value < 0.001
    # first losses compete with ends at 1500 s: closed form for exponential times
    for group, rate in zip(got.groups, (1 / 600, 1.5 / 600), strict=True):
        total = rate + 1 / 1500
        truth = [rate / total * (1 - np.exp(-total * 60 * minutes)) for minutes in (5, 10, 30)]
        for share, true in zip(group.lost_within, truth, strict=True):
            assert share.lower < 100 * true < share.upper
    # back at a mean of 60 s, against ends at 1500 s
    regained = (1 / 60) / (1 / 60 + 1 / 1500)
    assert got.everybody.regained.lower < 100 * regained < got.everybody.regained.upper
    assert (
        got.everybody.time_to_regain.lower
        < np.log(1 / (1 - 0.5 / regained)) / (1 / 60 + 1 / 1500) / 60
        < got.everybody.time_to_regain.upper
    )


def test_median_limits_are_the_sign_test():
    values = np.arange(1.0, 13.0)
    # ranks 3 and 10 of 12 (published tables of the sign test): 96.1 %
    lower, median, upper = shares_of_patients(np.full(12, 100.0), values, LEVEL)
    assert (median.value, median.lower, median.upper) == (6.5, 3.0, 10.0)
    assert lower.value == pytest.approx(3.75)
    assert upper.value == pytest.approx(9.25)
    (_, one, _) = shares_of_patients(np.array([4.0]), np.array([1.0]), LEVEL)
    assert (one.value, one.lower, one.upper) == (25.0, 0.0, 100.0)


def test_nobody_lost_and_everybody_lost_at_once():
    nobody = capture_kept(episodes_of([(600, "own-rhythm", [(10, 600, False)])] * 12))
    assert nobody.everybody.lost_within[0].value == 0
    # Clopper and Pearson for 0 of 12 (published tables): 26.5 %
    assert nobody.everybody.lost_within[0].upper == pytest.approx(26.46, abs=0.01)
    assert nobody.everybody.regained.reason == "nobody lost capture"
    assert nobody.rate_ratio.value is None
    share = nobody.everybody.share_of_minutes
    assert share.value == pytest.approx(100 * 590 / 600)
    at_once = capture_kept(episodes_of([(600, "own-rhythm", [(10, 10.5, True)])] * 12))
    assert [share.value for share in at_once.everybody.lost_within] == [100] * 3
    assert at_once.everybody.regained.value == 0
    assert at_once.everybody.time_to_regain.value is None
    assert [mean.value for mean in at_once.everybody.mean_losses_within] == [1.0] * 3


def test_one_patient():
    got = capture_kept(episodes_of([(600, "handed-over", [(10, 60, True), (60.4, 600, False)])]))
    assert (got.everybody.n_lost, got.everybody.losses) == (1, 1)
    assert got.everybody.regained.value == 100
    assert got.everybody.time_to_regain.value == pytest.approx(0.4 / 60)
    assert any("1 gaps between periods are shorter than 1 s" in note for note in got.notes)
    assert got.everybody.lost_within[2].reason == "" or got.everybody.lost_within[2].value is None
    assert any("13.8 %" in note for note in got.notes)


def test_a_loss_at_the_end_of_pacing_counts_and_nothing_follows_it():
    got = capture_kept(episodes_of([(600, "died", [(10, 600, True)])] * 2 + [(900, "died", [(10, 900, False)])]))
    assert got.everybody.losses == 2
    assert got.everybody.mean_losses_within[1].value == pytest.approx(2 / 3)
    assert got.everybody.regained.value == 0
    assert any("2 losses are recorded at the moment when pacing ended" in note for note in got.notes)


def test_handover_is_no_end_that_competes():
    # one of two is handed over after 100 s with capture; the other loses it at 200 s: 100 %, not 50 %
    handed = [(110, "handed-over", [(10, 110, False)]), (610, "own-rhythm", [(10, 210, True)])]
    assert capture_kept(episodes_of(handed)).everybody.lost_within[0].value == 100
    own = [(110, "own-rhythm", [(10, 110, False)]), (610, "own-rhythm", [(10, 210, True)])]
    assert capture_kept(episodes_of(own)).everybody.lost_within[0].value == 50


def test_sustained_capture_is_followed_from_when_it_had_lasted():
    courses = [(600, "own-rhythm", [(10, 40, True), (100, 400, True)]), (600, "own-rhythm", [(10, 30, True)])]
    got = capture_kept(episodes_of(courses, sustained_s=60.0))
    assert got.awaited == "mechanical capture sustained for 60 s"
    assert got.everybody.n_captured == 1
    # sustained at 160 s, lost at 400 s: 4 minutes
    assert got.everybody.first_loss.x.tolist() == pytest.approx([0, 4])


def test_minutes_need_a_known_end_and_zero_minutes_have_no_share():
    courses = [
        (600, "own-rhythm", [(0, 300, True)]),
        (np.nan, "unknown", [(0, 100, True)]),
        (0, "died", []),
        (600, "own-rhythm", [(0, 200, False)]),  # the record ends before pacing does
    ]
    got = capture_kept(episodes_of(courses)).everybody
    assert got.share_of_minutes.value == pytest.approx(50)
    assert got.share_of_minutes.notes[1].startswith("2 patients without a known end")
    assert got.shares_of_patients[1].n == 1
    nothing = share_of_minutes(np.zeros(3), np.zeros(3), LEVEL)
    assert nothing.value is None
    assert "no paced minutes" in nothing.reason


def test_groups():
    courses = simulated(2, 30)
    episodes = episodes_of(courses, setting=["prehospital", "emergency-department", None] * 10)
    by_setting = capture_kept(episodes, by="setting")
    assert [group.name for group in by_setting.groups] == ["emergency-department", "prehospital"]
    assert sum(group.n_paced for group in by_setting.groups) == 20
    assert any("10 patients have no recorded value of setting" in note for note in by_setting.notes)
    with pytest.raises(UsageError, match="no column 'nothing'"):
        capture_kept(episodes, by="nothing")
    with pytest.raises(UsageError, match="known only after pacing began"):
        capture_kept(episodes, by="pacing_ended")
    with pytest.raises(UsageError, match="holds numbers"):
        capture_kept(episodes, by="max_output_ma")
    with pytest.raises(UsageError, match="1 recorded value;"):
        capture_kept(episodes_of(courses, setting=["prehospital"] * 30), by="setting")


def test_a_group_without_captures_or_losses_says_so():
    courses = [(600, "own-rhythm", [(10, 300, True)], "anterior-lateral")] * 6
    got = capture_kept(episodes_of([*courses, (600, "abandoned", [], "anterior-posterior")]))
    empty = got.groups[1]
    assert (empty.n_paced, empty.n_captured) == (1, 0)
    assert empty.lost_within[0].reason == "no patient of this group was captured with recorded periods"
    assert empty.share_of_minutes.value == 0
    assert got.rate_ratio.reason == "captured patients with two values of placement are needed"
    kept = capture_kept(episodes_of([*courses, (600, "own-rhythm", [(10, 600, False)], "anterior-posterior")]))
    assert kept.rate_ratio.reason == "no loss of capture was seen in the second group"


def test_without_periods_there_is_nothing_to_say():
    episodes = episodes_of(
        [(600, "own-rhythm", [])] * 2, first_capture_s=[10, 20], lowest_capture_ma=[80, 80],
        highest_no_capture_ma=[None, None],
    )  # fmt: skip
    with pytest.raises(NotEstimableError, match="needs periods with such capture"):
        capture_kept(episodes)


@pytest.mark.slow
@pytest.mark.parametrize(("n", "repeats"), [(12, 300), (60, 200)])
def test_intervals_of_the_rate_ratio_hold(n, repeats):
    # people differ (gamma, variance 0.5) and the placements do not, so that the ratio is 1
    found = [capture_kept(episodes_of(simulated(1000 + seed, n, ratio=1.0))).rate_ratio for seed in range(repeats)]
    held = [ratio.lower <= 1 <= ratio.upper for ratio in found if ratio.value is not None]
    assert np.mean(held) > 0.95 - 3 * np.sqrt(0.95 * 0.05 / len(held))
