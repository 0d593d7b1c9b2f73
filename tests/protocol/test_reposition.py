"""Reposition or go on: closed forms, a million invented patients, times by hand, and what is left out or refused."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from capstat.protocol.paired_law import MarginalLaw, PairedLaw
from capstat.protocol.reposition import assumed_range, reposition_or_go_on
from capstat.protocol.reposition_times import RampTiming
from capstat.results import NotEstimableError, UsageError
from capstat.synthetic.scenario import CROSSOVER_TRUTH

INF = np.inf
AP, AL = "anterior-posterior", "anterior-lateral"
CURRENTS = np.arange(40.0, 141.0, 10.0)
SPREAD = float(np.hypot(CROSSOVER_TRUTH.between_sd, CROSSOVER_TRUTH.within_sd))
MEDIANS = CROSSOVER_TRUTH.median_anterior_lateral_ma * np.array([CROSSOVER_TRUTH.ratio_ap_to_al, 1.0])


def law(medians=MEDIANS, sds=(SPREAD, SPREAD), rho=0.82, capturable=1.0, draws=0, wobble=0.05, **others) -> PairedLaw:
    noise = np.vstack((np.zeros(5), np.random.default_rng(1).normal(0, wobble, (draws, 5))))
    return PairedLaw(
        (AP, AL), np.log(medians) + noise[:, :2], np.array(sds) * np.exp(noise[:, 2:4]),
        np.tanh(np.arctanh(rho) + noise[:, 4]), np.full(draws + 1, capturable), "invented", **others,
    )  # fmt: skip


def share(current, k: int):
    return stats.norm.cdf((np.log(current) - np.log(MEDIANS[k])) / SPREAD)


def test_without_correlation_the_past_says_nothing_of_the_other_placement():
    got = reposition_or_go_on(law(rho=0.0), AL, CURRENTS, 140.0, 130.0)
    np.testing.assert_allclose(got.captured_there.lower, share(130.0, 0), atol=1e-12)
    np.testing.assert_allclose(got.captured_there_at_same.lower, share(CURRENTS, 0), atol=1e-12)
    on = (share(140.0, 1) - share(CURRENTS, 1)) / (1 - share(CURRENTS, 1))
    np.testing.assert_allclose(got.captured_here.lower, on, atol=1e-12)
    np.testing.assert_allclose(got.difference.lower, share(130.0, 0) - on, atol=1e-12)
    np.testing.assert_allclose(got.reached.lower, 1 - share(CURRENTS, 1), atol=1e-12)
    # where the two shares are equal, by another root finder
    crossing = reposition_or_go_on(law(rho=0.0), AL, CURRENTS, 140.0, 95.0).crossing
    expected = optimize.brentq(
        lambda c: (share(140.0, 1) - share(c, 1)) / (1 - share(c, 1)) - share(95.0, 0), 1.0, 139.0
    )
    assert crossing.value == pytest.approx(expected, rel=1e-8)


def test_with_proportional_thresholds_both_are_known_from_one():
    """Correlation near 1 and one spread: T there = ratio * T here, so P(there by h | T here > c) is a plain share."""
    ratio = CROSSOVER_TRUTH.ratio_ap_to_al
    got = reposition_or_go_on(law(rho=1 - 1e-12), AL, CURRENTS, 140.0, 90.0)
    survived = 1 - share(CURRENTS, 1)
    expected = np.maximum(share(90.0 / ratio, 1) - share(CURRENTS, 1), 0) / survived
    np.testing.assert_allclose(got.captured_there.lower, expected, atol=1e-5)
    np.testing.assert_allclose(
        got.captured_there_at_same.lower, (share(CURRENTS / ratio, 1) - share(CURRENTS, 1)) / survived, atol=1e-5
    )
    # 90 mA there does what 125 mA do here: going on to 140 mA is better, until there is no current left
    assert got.difference.lower[0] < 0
    assert got.crossing.value is None
    assert got.crossing.reason == (
        "hardly anybody whom anterior-lateral does not capture is captured by anterior-posterior"
    )


@pytest.mark.parametrize(("here", "capturable"), [(AL, 1.0), (AP, 1.0), (AL, 0.9)])
def test_a_million_invented_patients(here, capturable):
    """The crossover's truth; every share within 4.5 standard errors, times too."""
    rng = np.random.default_rng(8)
    n = 1_000_000
    effect = rng.normal(0, CROSSOVER_TRUTH.between_sd, n)[:, None]
    t = MEDIANS * np.exp(effect + rng.normal(0, CROSSOVER_TRUTH.within_sd, (n, 2)))
    t[rng.random(n) >= capturable] = INF
    one, two = t.T if here == AP else t.T[::-1]
    rho = CROSSOVER_TRUTH.between_sd**2 / SPREAD**2
    timing = RampTiming(5.0, 2.0, 20.0, 50.0)
    got = reposition_or_go_on(law(rho=rho, capturable=capturable), here, CURRENTS, 140.0, 130.0, timing=timing)
    for k, current in enumerate(CURRENTS):
        left = one > current
        m = int(left.sum())
        # a patient's time by either choice, setting by setting
        settings_on = np.append(np.arange(current + 5, 140, 5), 140.0)
        on = np.append(2.0 * np.arange(settings_on.size), INF)[np.searchsorted(settings_on, one[left])]
        settings_there = np.arange(50.0, 131, 5)
        moved = np.append(20 + 2.0 * np.arange(settings_there.size), INF)[np.searchsorted(settings_there, two[left])]
        pairs = [
            (got.captured_here, one[left] <= 140),
            (got.captured_there, two[left] <= 130),
            (got.captured_there_at_same, two[left] <= current),
            *zip(got.times.here_within, [on <= w for w in timing.within_s], strict=True),
            *zip(got.times.there_within, [moved <= w for w in timing.within_s], strict=True),
        ]
        for curve, captured in pairs:
            expected = curve.lower[k]
            error = 4.5 * np.sqrt(max(expected * (1 - expected), 1e-6) / m)
            assert abs(captured.mean() - expected) < error, (curve.label, current)
        for curve, times in ((got.times.here_mean, on), (got.times.there_mean, moved)):
            if current in curve.x:
                seen = times[np.isfinite(times)]
                error = 4.5 * max(seen.std(), 1e-9) / np.sqrt(seen.size) + 1e-9
                assert abs(seen.mean() - curve.lower[curve.x == current][0]) < error, (curve.label, current)
        assert abs(left.mean() - got.reached.lower[k]) < 4.5 * np.sqrt(0.25 / n)


def test_times_by_hand():
    """Spreads so small that every patient needs 100 mA here and 72 mA there."""
    timing = RampTiming(10.0, 5.0, 30.0, 60.0, within_s=(10.0, 15.0, 35.0, 40.0))
    got = reposition_or_go_on(
        law(medians=(72, 100), sds=(1e-3, 1e-3), rho=0.5), AL, [50.0, 80.0, 95.0], 140.0, 140.0, timing=timing
    )
    times = got.times
    # from 50 mA: 60 at 0 s, ..., 100 mA in half of the patients at 20 s and 110 in the others at 25 s
    np.testing.assert_allclose(times.here_mean.lower, [22.5, 7.5, 0.0], atol=1e-9)
    # 60 mA at 30 s, 70 at 35 s, 80 at 40 s
    np.testing.assert_allclose(times.there_mean.lower, [40.0, 40.0, 40.0], atol=1e-9)
    np.testing.assert_allclose([c.lower[0] for c in times.here_within], [0, 0, 1, 1], atol=1e-9)
    np.testing.assert_allclose([c.lower[1] for c in times.here_within], [1, 1, 1, 1], atol=1e-9)
    np.testing.assert_allclose([c.lower[0] for c in times.there_within], [0, 0, 0, 1], atol=1e-9)
    np.testing.assert_allclose([c.lower[1] for c in times.difference_within], [-1, -1, -1, 0], atol=1e-9)
    assert times.timing is timing


def test_the_last_step_is_short_and_the_highest_current_is_always_tried():
    timing = RampTiming(50.0, 5.0, 0.0, 200.0, within_s=(4.0, 5.0))
    got = reposition_or_go_on(law(), AL, [60.0], 140.0, 200.0, timing=timing)
    survived = 1 - share(60.0, 1)
    np.testing.assert_allclose(
        [c.lower[0] for c in got.times.here_within],
        [(share(110.0, 1) - share(60.0, 1)) / survived, (share(140.0, 1) - share(60.0, 1)) / survived],
        atol=1e-12,
    )
    # restart at the highest current: one setting only
    np.testing.assert_allclose(got.times.there_within[0].lower, got.captured_there.lower, atol=1e-12)


@settings(max_examples=40, deadline=None)
@given(
    medians=st.tuples(st.floats(50, 160), st.floats(50, 160)),
    sds=st.tuples(st.floats(0.1, 0.6), st.floats(0.1, 0.6)),
    rho=st.floats(-0.99, 0.9999),
    capturable=st.floats(0.2, 1),
    highest=st.tuples(st.floats(100, 200), st.floats(100, 200)),
)
def test_properties(medians, sds, rho, capturable, highest):
    timing = RampTiming(10.0, 2.0, 20.0, 30.0)
    one = law(medians, sds, rho, capturable, draws=20)
    got = reposition_or_go_on(one, AP, np.linspace(30, 100, 8), *highest, timing=timing)
    for curve in (got.captured_here, got.captured_there, got.captured_there_at_same, got.reached, *got.times.here_within,
                  *got.times.there_within):  # fmt: skip
        for values in (curve.lower, curve.band_lower, curve.band_upper):
            assert np.all((values >= -1e-9) & (values <= 1 + 1e-9))
        assert np.all(curve.band_lower <= curve.band_upper)
    # what is captured within a time grows with the time, and ends at or below what is captured at all
    for within, final in ((got.times.here_within, got.captured_here), (got.times.there_within, got.captured_there)):
        ladder = np.array([curve.lower for curve in within] + [final.lower])
        assert np.all(np.diff(ladder, axis=0) > -1e-9)
    # the sign of the difference changes at most once, from below to above
    signs = np.sign(np.round(got.difference.lower, 9))
    assert np.all(np.diff(signs[signs != 0]) >= 0)
    if got.crossing.value is not None:
        above = got.difference.x > got.crossing.value * (1 + 1e-6)
        assert np.all(got.difference.lower[above] > -1e-9)
        below = got.difference.x < got.crossing.value * (1 - 1e-6)
        assert np.all(got.difference.lower[below] < 1e-9)


def test_crossing_with_limits_and_the_other_way_round():
    one = law(rho=0.82, draws=400)
    got = reposition_or_go_on(one, AP, CURRENTS, 140.0, 140.0)
    assert got.crossing.lower < got.crossing.value < got.crossing.upper <= 140
    # at the crossing both choices are as likely
    at = reposition_or_go_on(one, AP, [got.crossing.value], 140.0, 140.0)
    assert at.difference.lower[0] == pytest.approx(0.0, abs=1e-9)
    other = reposition_or_go_on(one, AL, CURRENTS, 140.0, 140.0).crossing
    assert other.value is None
    assert other.reason == "moving is at least as likely to capture at every current, also before the first setting"
    assert (other.lower, other.upper) == (0.0, 0.0)
    assert "a limit of 0 mA means that moving is at least as likely to capture from the start" in other.notes


def test_limits_are_percentiles_of_the_draws():
    one = law(draws=300)
    got = reposition_or_go_on(one, AL, CURRENTS, 140.0, 130.0, level=0.9)
    rows = []
    for k in range(1, 301):
        own = PairedLaw(
            (AP, AL), one.log_means[[k]], one.log_sds[[k]], one.correlation[[k]], one.capturable[[k]], "row"
        )
        rows.append(reposition_or_go_on(own, AL, CURRENTS, 140.0, 130.0).difference.lower)
    np.testing.assert_allclose(got.difference.band_lower, np.quantile(rows, 0.05, axis=0), atol=1e-12)
    np.testing.assert_allclose(got.difference.band_upper, np.quantile(rows, 0.95, axis=0), atol=1e-12)


def test_without_draws_there_are_no_limits():
    got = reposition_or_go_on(law(), AP, CURRENTS, 140.0, 140.0, timing=RampTiming(5.0, 1.0, 30.0, 40.0))
    np.testing.assert_array_equal(got.difference.band_lower, -1.0)
    np.testing.assert_array_equal(got.captured_here.band_upper, 1.0)
    assert np.all(np.isinf(got.times.here_mean.band_upper))
    assert got.crossing.lower is None
    assert "the law has no draws of its parameters, so the shares have no limits" in got.notes


def test_currents_that_nobody_reaches_are_left_out():
    tight = law(medians=(80, 80), sds=(0.05, 0.05))
    got = reposition_or_go_on(tight, AP, [60.0, 80.0, 90.0, 120.0, 140.0], 140.0, 140.0)
    assert got.left_out_ma == (120.0, 140.0)
    np.testing.assert_array_equal(got.captured_here.x, [60, 80, 90])
    assert any("120, 140 mA" in note for note in got.notes)
    # with 40 patients, a current that fewer than one of them would reach
    few = reposition_or_go_on(law((80, 80), (0.05, 0.05), n_patients=40), AP, [60.0, 80.0, 90.0], 140.0, 140.0)
    assert few.left_out_ma == (90.0,)
    assert few.notes[-1] == (
        "currents that fewer than 2.5 % reach without capture with anterior-posterior placement are left out: 90 mA"
    )
    with pytest.raises(NotEstimableError, match="Hardly anybody reaches any of these currents"):
        reposition_or_go_on(tight, AP, [130.0], 140.0, 140.0)


def test_draws_that_hardly_reach_a_current():
    """One such draw in 40 does not count at that current; one in 10 leaves the current out."""
    medians = np.tile([80.0, 80.0], (41, 1))
    medians[5, 0] = 20.0
    parts = np.full((41, 2), 0.2), np.full(41, 0.5), np.ones(41), "invented"
    one = PairedLaw((AP, AL), np.log(medians), *parts)
    got = reposition_or_go_on(one, AP, [40.0, 110.0], 140.0, 140.0, timing=RampTiming(5.0, 1.0, 30.0, 40.0))
    assert got.left_out_ma == ()
    for curve in (got.captured_here, got.difference, got.times.there_within[1], got.times.here_mean):
        assert curve.x.tolist() == [40.0, 110.0]
        assert np.isfinite([curve.band_lower, curve.band_upper]).all()
    # the other draws are all alike
    assert got.captured_here.band_lower[1] == pytest.approx(got.captured_here.lower[1])
    assert "draws under which hardly anybody reaches a current do not count towards the limits there" in got.notes
    medians[6:9, 0] = 20.0
    more = reposition_or_go_on(PairedLaw((AP, AL), np.log(medians), *parts), AP, [40.0, 110.0], 140.0, 140.0)
    assert more.left_out_ma == (110.0,)


def test_crossing_that_hardly_anybody_reaches():
    """Both placements alike but for the highest current: only the last few go better there."""
    one = law(medians=(80, 80), sds=(0.1, 0.1), rho=0.3, n_patients=40)
    crossing = reposition_or_go_on(one, AP, [60.0, 80.0], 140.0, 90.0).crossing
    assert crossing.value is None
    assert "hardly anybody" in crossing.reason


def test_assumed_range_is_labelled_and_spans_the_correlations():
    first = MarginalLaw(AP, np.full(3, np.log(75.0)), np.full(3, 0.26), np.ones(3), 100)
    second = MarginalLaw(AL, np.full(3, np.log(92.0)), np.full(3, 0.26), np.ones(3), 150)
    got = assumed_range(first, second, AL, [60.0, 80.0, 100.0], 140.0, 140.0, source="two groups")
    assert [curve.correlation for curve in got] == [0.0, 0.3, 0.6, 0.9]
    assert all(curve.is_assumed for curve in got)
    for curve, words in zip(got, ("0", "0.3", "0.6", "0.9"), strict=True):
        assert (
            f"the correlation of {words} between the two thresholds of a patient is assumed, not observed"
            in curve.notes
        )
        assert curve.crossing.notes[: len(curve.notes)] == curve.notes
    # what no capture so far takes from the other placement grows with the correlation
    assert np.all(np.diff([curve.captured_there.lower for curve in got], axis=0) < 0)
    assert got[0].n_patients == 250
    assert not reposition_or_go_on(law(), AP, [60.0], 140.0, 140.0).is_assumed


def test_what_a_reader_must_know_is_said():
    got = reposition_or_go_on(law(), AP, [60.0], 140.0, 140.0)
    assert any("judgement is taken to have been right" in note for note in got.notes)
    assert any("without pacing while the pads are moved" in note for note in got.notes)
    timed = reposition_or_go_on(law(), AP, [60.0], 140.0, 140.0, timing=RampTiming(5.0, 1.0, 30.0, 40.0))
    assert not any("without pacing while the pads are moved" in note for note in timed.notes)
    assert got.times is None


def test_going_on_from_the_highest_current_captures_nobody():
    got = reposition_or_go_on(law(draws=20), AL, [140.0], 140.0, 140.0, timing=RampTiming(5.0, 1.0, 30.0, 40.0))
    assert got.captured_here.lower[0] == 0
    assert got.times.here_mean is None
    assert got.times.there_mean.x.tolist() == [140.0]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("lateral", [60.0], 140.0, 140.0), "present placement"),
        ((AP, [150.0], 140.0, 140.0), "from 0 to the highest current, 140 mA"),
        ((AP, [np.nan], 140.0, 140.0), "from 0 to the highest"),
        ((AP, [], 140.0, 140.0), "one or more numbers"),
        ((AP, [60.0, 60.0], 140.0, 140.0), "rise from one to the next"),
        ((AP, [60.0], INF, 140.0), "highest_here_ma"),
        ((AP, [60.0], 140.0, 0.0), "highest_there_ma"),
        ((AP, [60.0], 140.0, 140.0, 1.0), "level"),
    ],
)
def test_wrong_choices_are_refused(arguments, said):
    with pytest.raises(UsageError, match=said):
        reposition_or_go_on(law(), *arguments)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"step_ma": 0.0}, "step_ma"), ({"dwell_s": -1.0}, "dwell_s"), ({"restart_ma": np.nan}, "restart_ma"),
        ({"seconds": -1.0}, "seconds"), ({"within_s": (30.0, 0.0)}, "within_s"),
    ],
)  # fmt: skip
def test_impossible_timing_is_refused(changes, said):
    good = {"step_ma": 5.0, "dwell_s": 1.0, "seconds": 30.0, "restart_ma": 40.0}
    RampTiming(**good)
    with pytest.raises(UsageError, match=said):
        RampTiming(**(good | changes))


def test_restart_above_the_highest_is_refused():
    with pytest.raises(UsageError, match=r"restart_ma.*130 mA, not at 140 mA"):
        reposition_or_go_on(law(), AP, [60.0], 140.0, 130.0, timing=RampTiming(5.0, 1.0, 30.0, 140.0))
