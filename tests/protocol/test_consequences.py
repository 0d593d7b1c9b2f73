"""Consequences of a policy: exact fractions by hand, the published ramp, limits, properties, and laws without a model."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats
from statsmodels.stats.proportion import proportion_confint

from capstat.capture import JudgementErrors
from capstat.distributions import GAMMA, LOGLOGISTIC, LOGNORMAL, WEIBULL
from capstat.protocol import Direction, Margin, MarginUnit, RampPolicy
from capstat.protocol.consequences import mean_consequences, policy_consequences
from capstat.protocol.courses import courses_of
from capstat.protocol.search import search_records
from capstat.protocol.threshold_law import ModelLaw, StepLaw
from capstat.results import UsageError

HALF, THIRD, SIXTH = Fraction(1, 2), Fraction(1, 3), Fraction(1, 6)
TEN_PERCENT = Margin(10, MarginUnit.PERCENT)


def points(thresholds, shares):
    """A law on single thresholds, whose consequences can be worked out by hand."""
    at = np.array(thresholds, dtype=float)
    return StepLaw(at, at, np.array([[float(share) for share in shares]]), 6, "by hand", "by hand")


THREE = points([45, 55, np.inf], [HALF, THIRD, SIXTH])


def lognormal(median=85.0, sd=0.26, capturable=1.0):
    return ModelLaw(
        LOGNORMAL, np.log([median]), np.log([[sd]]), np.array([capturable]), 100, "everybody", "lognormal"
    )  # fmt: skip


def exactly(estimate, fraction):
    assert estimate.value == pytest.approx(float(fraction), abs=1e-12)


def test_rising_ramp_by_hand():
    """40, 50, 60 mA, 2 s each, 60 ppm; 45 mA is captured at 50 after 2 s, 55 mA at 60 after 4 s, the rest never (6 s)."""
    policy = RampPolicy(40, 10, 60, 2.0, rate_ppm=60, margin=TEN_PERCENT)
    found = policy_consequences(policy, THREE, discomfort_ma=45)
    exactly(found.not_captured, SIXTH)
    exactly(found.gave_up, SIXTH)
    exactly(found.missed, 0)
    exactly(found.without_output_s, HALF * 2 + THIRD * 4 + SIXTH * 6)
    exactly(found.search_s, HALF * 4 + THIRD * 6 + SIXTH * 6)
    exactly(found.pulses_before_capture, HALF * 2 + THIRD * 4 + SIXTH * 6)
    # above 45 mA: 2 s at 50; 2 s at 50 and 2 s at 60; the same
    exactly(found.pulses_above_discomfort, HALF * 2 + THIRD * 4 + SIXTH * 4)
    exactly(found.any_above_discomfort, 1)
    # 50 mA and 10 % are 55; 60 mA is the maximum, so that nothing can be added
    exactly(found.final_above_discomfort, HALF + THIRD)
    exactly(found.final_ma[0], 55)
    exactly(found.final_ma[1], 60)
    exactly(found.excess_ma, (HALF * (55 - 45) + THIRD * (60 - 55)) / (HALF + THIRD))
    mean_threshold = (HALF * 45 + THIRD * 55) / (HALF + THIRD)
    exactly(found.excess_percent, (HALF * (55 - 45) + THIRD * (60 - 55)) / (HALF + THIRD) / mean_threshold)
    exactly(found.time_to_capture[0], 2)
    assert found.time_to_capture[1].value is None
    assert "not reached" in found.time_to_capture[1].reason
    assert found.curve.x.tolist() == [0.0, 2.0, 4.0]
    np.testing.assert_allclose(found.curve.lower, [0, 1 / 2, 5 / 6])


def test_falling_ramp_by_hand():
    """From 60 down by 10: 55 mA is lost at 50 and found again at 60; 45 mA is lost at 40; one step below capture is lost.

    That one step below the threshold capture is lost is common practice's definition of a threshold, no source.
    """
    policy = RampPolicy(60, 10, 60, 2.0, rate_ppm=60, direction=Direction.FALLING)
    found = policy_consequences(policy, THREE, discomfort_ma=45)
    # 60, 50, 40 (lost), 50; 60, 50 (lost), 60; 60
    exactly(found.search_s, HALF * 8 + THIRD * 6 + SIXTH * 2)
    exactly(found.without_output_s, HALF * 2 + THIRD * 2 + SIXTH * 2)
    exactly(found.time_to_capture[0], 0)
    exactly(found.pulses_above_discomfort, HALF * 6 + THIRD * 6 + SIXTH * 2)
    exactly(found.final_ma[0], 50)
    exactly(found.not_captured, SIXTH)
    records = search_records(policy, never_wrong=True)
    lost = records.setting_ma[records.length == 3][0]
    assert lost.tolist()[:3] == [60, 50, 60]


def test_down_after_capture_and_bisecting_by_hand():
    """Coarse steps of 20, then down by 5 to the loss; and the middle of 40, 50, 60 first."""
    fine = policy_consequences(RampPolicy(40, 20, 60, 2.0, 5.0), THREE, discomfort_ma=45)
    # 45 mA: 40, 60, 55, 50, 45 (the next, 40, has failed); 55 mA: 40, 60, 55, 50 (lost), 55; none: 40, 60
    exactly(fine.search_s, HALF * 10 + THIRD * 10 + SIXTH * 4)
    exactly(fine.excess_ma, 0)
    exactly(fine.without_output_s, HALF * 2 + THIRD * 4 + SIXTH * 4)
    half = policy_consequences(
        RampPolicy(40, 10, 60, 2.0, direction=Direction.BISECTING, hold_s=3.0), THREE, discomfort_ma=45
    )
    # 45 mA: 50 (yes), 40 (no), back at 50 for 3 s; 55 mA: 50 (no), 60 (yes), 1 s more; none: 50, 60
    exactly(half.search_s, HALF * 7 + THIRD * 5 + SIXTH * 4)
    exactly(half.without_output_s, HALF * 2 + THIRD * 2 + SIXTH * 4)
    exactly(half.final_ma[0], 50)


def test_misjudged_by_hand():
    """45 mA only, 40 and 50 mA tried; sensitivity 9/10, a false claim in 1/10 at every current."""
    policy, right = RampPolicy(40, 10, 50, 2.0, rate_ppm=60), Fraction(9, 10)
    law = points([45.0], [1])
    found = policy_consequences(policy, law, discomfort_ma=45, errors=JudgementErrors(0.9, 0.9))
    exactly(found.stopped_at_false_capture, 1 - right)
    exactly(found.left_at_false_capture, 1 - right)
    exactly(found.gave_up, right * (1 - right))
    exactly(found.missed, right * (1 - right))
    exactly(found.not_captured, (1 - right) + right * (1 - right))
    exactly(found.without_output_s, 2)
    exactly(found.search_s, (1 - right) * 2 + right * 4)
    # 10 mA more after the claim mends a false one
    mended = policy_consequences(
        replace(policy, margin=Margin(10, MarginUnit.MILLIAMPERE)), law, discomfort_ma=45,
        errors=JudgementErrors(0.9, 0.9),
    )  # fmt: skip
    exactly(mended.stopped_at_false_capture, 1 - right)
    exactly(mended.left_at_false_capture, 0)
    exactly(mended.not_captured, right * (1 - right))


def test_published_ramp():
    """2022 crossover: 40 mA, +5 mA each second (derived from the published protocol): 10.6 s to 93 mA, 20 s to 140 mA."""
    policy = RampPolicy(40, 5, 140, 1.0, rate_ppm=80)
    courses = courses_of(policy)
    starts = courses.first_capture_s[:-1]
    assert np.interp(93, courses.edges_ma, starts) == pytest.approx(10.6)
    assert starts[courses.edges_ma == 140].item() == 20.0
    found = policy_consequences(policy, points([93.0, 140.0], [0.5, 0.5]), discomfort_ma=70)
    # the setting at or above 93 mA is 95 mA
    assert found.curve.x[np.diff(found.curve.lower, prepend=0) > 0].tolist() == [11.0, 20.0]


def test_captured_within_counts_the_time_itself():
    """45 mA is captured at 50 mA, whose setting begins at 30 s exactly: within 30 s."""
    found = policy_consequences(RampPolicy(40, 10, 60, 30.0), points([45.0, 55.0], [HALF, HALF]), discomfort_ma=70)
    exactly(found.captured_within[0], HALF)
    exactly(found.captured_within[1], 1)


def test_hold_counts_once_at_the_setting_that_is_kept():
    """From 60 mA down, 1 s each, capture to be seen for 10 s: 45 mA is 60, 50, 40 (lost), 50 kept: 3 s and 10 s."""
    policy = RampPolicy(60, 10, 60, 1.0, direction=Direction.FALLING, hold_s=10.0)
    exactly(policy_consequences(policy, points([45.0], [1]), discomfort_ma=70).search_s, 13)


def test_small_steps_tend_to_the_threshold():
    """With steps of 0.1 mA the final current is the threshold: its mean among those captured, by scipy's quadrature."""
    law, policy = lognormal(), RampPolicy(20, 0.1, 200, 1.0)
    found = policy_consequences(policy, law, discomfort_ma=70)
    below = stats.lognorm(0.26, scale=85.0)
    mean = integrate.quad(lambda x: x * below.pdf(x), 20, 200)[0] / (below.cdf(200) - below.cdf(20))
    exactly(replace(found.excess_ma, value=round(found.excess_ma.value, 3)), 0.05)
    final = found.means.final_ma.lower[0] / (1 - found.not_captured.value)
    assert final - mean == pytest.approx(0.05, abs=0.005)


@pytest.mark.parametrize(
    ("family", "ancillary", "law"),
    [
        (LOGNORMAL, [0.26], stats.lognorm(0.26, scale=85)),
        (WEIBULL, [0.2], stats.weibull_min(5, scale=85)),
        (LOGLOGISTIC, [0.15], stats.fisk(1 / 0.15, scale=85)),
    ],
)
def test_mean_excess_against_quadrature(family, ancillary, law):
    """Masses and mean thresholds inside the steps against scipy's distributions and adaptive quadrature."""
    model = ModelLaw(family, np.log([85.0]), np.log([ancillary]), np.array([0.9]), 50, "a", "b")
    edges = np.array([50.0, 70.0, 100.0, 140.0])
    mass = model.pieces(edges).mass[0]
    cdf = 0.9 * law.cdf(edges)
    np.testing.assert_allclose(mass, [cdf[0], *np.diff(cdf), 1 - cdf[-1]], atol=1e-12)
    # nodes inside a step are few: 1e-4 mA of the mean is enough for mA
    expected = [
        0.9 * integrate.quad(lambda x: x * law.pdf(x), a, b)[0] for a, b in [(0, 50), (50, 70), (70, 100), (100, 140)]
    ]
    np.testing.assert_allclose(model.mean_within(edges)[0], expected, atol=2e-3)


def test_without_a_model_only_bounds_are_known():
    """Half of the mass in (40, 60], half beyond 100 mA: a setting of 50 mA splits the first, 120 mA the second."""
    law = StepLaw(np.array([40.0, 100.0]), np.array([60.0, np.inf]), np.array([[0.5, 0.5]]), 10, "a", "b")
    found = policy_consequences(RampPolicy(40, 10, 120, 1.0), law, discomfort_ma=70)
    assert found.not_captured.value is None
    assert found.not_captured.identified == (0.0, 0.5)
    # at 50 mA after 1 s or at 60 mA after 2 s; at 110 or 120 mA after 7 or 8 s, or never within 9 s
    assert found.without_output_s.identified == (0.5 * 1 + 0.5 * 7, 0.5 * 2 + 0.5 * 9)
    assert found.time_to_capture[0].identified == (1.0, 2.0)
    assert "without a model" in found.excess_ma.reason
    on_grid = policy_consequences(RampPolicy(40, 20, 100, 1.0), law, discomfort_ma=70)
    exactly(on_grid.not_captured, HALF)
    exactly(on_grid.without_output_s, HALF * 1 + HALF * 4)


policies = st.builds(
    RampPolicy,
    start_ma=st.sampled_from([30.0, 40.0, 55.0, 100.0]),
    step_ma=st.sampled_from([5.0, 10.0, 15.0, ((40.0, 20.0), (80.0, 5.0))]),
    maximum_ma=st.sampled_from([100.0, 140.0, 143.0]),
    dwell_s=st.sampled_from([1.0, 2.5]),
    direction=st.sampled_from(list(Direction)),
    hold_s=st.sampled_from([0.0, 1.5, 10.0]),
    margin=st.sampled_from([TEN_PERCENT, Margin(0, MarginUnit.STEPS), Margin(2, MarginUnit.STEPS)]),
)


@given(policies, st.floats(50, 120), st.floats(0.05, 0.6), st.floats(0.5, 1), st.sampled_from([None, (0.9, 0.95)]))
@settings(max_examples=60, deadline=None)
def test_properties(policy, median, sd, capturable, wrong):
    """Probabilities of courses add to 1 in each cell, shares add up, times are in order, exposure is the search."""
    errors = None if wrong is None else JudgementErrors(*wrong)
    courses = courses_of(policy, errors)
    np.testing.assert_allclose(np.bincount(courses.cell, courses.probability), 1.0, atol=1e-9)
    np.testing.assert_allclose(courses.exposure_s.sum(axis=1), courses.end_s)
    assert (courses.without_output_s <= courses.end_s + 1e-9).all()
    law = lognormal(median, sd, capturable)
    found = policy_consequences(policy, law, discomfort_ma=70, errors=errors)
    assert 0 <= found.not_captured.value <= 1 + 1e-12
    assert found.not_captured.value == pytest.approx(found.gave_up.value + found.left_at_false_capture.value)
    assert found.missed.value <= found.gave_up.value + 1e-12
    within = [e.value for e in found.captured_within]
    assert within == sorted(within)
    assert found.without_output_s.value <= found.search_s.value + 1e-9
    if errors is None:
        assert found.stopped_at_false_capture.value == found.missed.value == 0
        share = float(capturable * stats.lognorm(sd, scale=median).cdf(policy.maximum_ma))
        assert found.not_captured.value == pytest.approx(1 - share, abs=1e-9)
        assert found.excess_ma.value is None or found.excess_ma.value >= -1e-6


@given(policies, st.floats(60, 120))
@settings(max_examples=30, deadline=None)
def test_never_wrong_is_the_limit_of_rarely_wrong(policy, median):
    law = lognormal(median)
    right = mean_consequences(policy, law, discomfort_ma=70)
    nearly = mean_consequences(policy, law, discomfort_ma=70, errors=JudgementErrors(1 - 1e-9, 1 - 1e-9))
    for name in ("not_captured", "without_output_s", "pulses_before_capture", "pulses_above_discomfort", "final_ma"):
        np.testing.assert_allclose(getattr(nearly, name).lower, getattr(right, name).lower, rtol=1e-5, atol=1e-6)


@given(policies, st.integers(0, 10_000))
@settings(max_examples=40, deadline=None)
def test_step_law_between_its_bounds(policy, seed):
    """Wherever points are put inside the intervals, means lie between the bounds of the intervals."""
    rng = np.random.default_rng(seed)
    lower = np.sort(rng.uniform(20, 150, 5))
    upper = np.append(lower[:-1] + rng.uniform(1, 40, 4), np.inf)
    mass = rng.dirichlet(np.ones(5))[None]
    at = np.append(rng.uniform(lower[:-1], upper[:-1]), rng.choice([np.inf, lower[-1] + 1]))
    bounds = mean_consequences(policy, StepLaw(lower, upper, mass, 5, "", ""), discomfort_ma=70)
    inside = mean_consequences(policy, StepLaw(at, at, mass, 5, "", ""), discomfort_ma=70)
    for name in ("not_captured", "without_output_s", "pulses_above_discomfort", "final_ma"):
        value, both = getattr(inside, name).lower[0], getattr(bounds, name)
        assert both.lower[0] - 1e-9 <= value <= both.upper[0] + 1e-9


def test_draws_carry_the_uncertainty():
    """Limits are percentiles over draws: with medians drawn from a normal law, those of the closed form."""
    rng = np.random.default_rng(4)
    medians = np.concatenate(([85.0], 85 * np.exp(rng.normal(0, 0.05, 2000))))
    law = ModelLaw(LOGNORMAL, np.log(medians), np.full((2001, 1), np.log(0.26)), np.ones(2001), 60, "a", "b")
    found = policy_consequences(RampPolicy(40, 5, 140, 1.0), law, discomfort_ma=70, level=0.9)
    expected = [stats.lognorm(0.26, scale=85 * np.exp(z * 0.05)).sf(140) for z in stats.norm.ppf([0.05, 0.95])]
    within = found.captured_within[-1]
    assert 1 - within.upper == pytest.approx(expected[0], rel=0.06)
    assert 1 - within.lower == pytest.approx(expected[1], rel=0.06)
    # the share not captured is told at least as vaguely as a counted one of 60 patients (statsmodels)
    low, high = proportion_confint(60 * found.not_captured.value, 60, alpha=0.1, method="wilson")
    assert found.not_captured.lower == pytest.approx(min(expected[0], low), rel=0.06)
    assert found.not_captured.upper == pytest.approx(max(expected[1], high), rel=0.06)
    assert found.curve.band_lower[-1] <= found.curve.lower[-1] <= found.curve.band_upper[-1]


def test_scaled_thresholds():
    """Thresholds 20 % higher under a ramp are thresholds under a ramp of settings 20 % lower."""
    law, policy = lognormal(), RampPolicy(60, 12, 144, 1.0)
    lower = RampPolicy(50, 10, 120, 1.0)
    high = mean_consequences(policy, law.scaled(1.2), discomfort_ma=84)
    same = mean_consequences(lower, law, discomfort_ma=70)
    np.testing.assert_allclose(high.without_output_s.lower, same.without_output_s.lower)
    np.testing.assert_allclose(high.pulses_above_discomfort.lower, same.pulses_above_discomfort.lower)
    steps = THREE.scaled(1.2)
    assert steps.upper_ma.tolist() == pytest.approx([54, 66, np.inf])


def test_refusals():
    law = lognormal()
    with pytest.raises(UsageError, match="level of discomfort is a current of at least 0 mA, not -1"):
        policy_consequences(RampPolicy(40, 5, 140, 1.0), law, discomfort_ma=-1)
    with pytest.raises(UsageError, match="at least as probable"):
        policy_consequences(
            RampPolicy(40, 5, 140, 1.0),
            law,
            discomfort_ma=70,
            errors=JudgementErrors(0.6, 0.7, odds_ratio_per_10_ma=2.0),
        )
    with pytest.raises(UsageError, match="more than 20000 possible courses"):
        policy_consequences(
            RampPolicy(100, 0.5, 140, 1.0, direction=Direction.FALLING), law, discomfort_ma=70,
            errors=JudgementErrors(0.9, 0.9),
        )  # fmt: skip


def test_gamma_law_of_several_draws_agrees_with_each_alone():
    both = ModelLaw(GAMMA, np.log([80.0, 95.0]), np.log([[0.2], [0.3]]), np.array([1.0, 0.9]), 9, "a", "b")
    edges = np.array([60.0, 90.0, 120.0])
    for k in range(2):
        alone = ModelLaw(
            GAMMA, both.location[k : k + 1], both.ancillary[k : k + 1], both.capturable[k : k + 1], 9, "a", "b"
        )
        np.testing.assert_allclose(both.pieces(edges).mass[k], alone.pieces(edges).mass[0])
        np.testing.assert_allclose(both.mean_within(edges)[k], alone.mean_within(edges)[0])
