"""Loss of capture after a policy: simulated patients and paths, adaptive quadrature and root finding, limits, refusals."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, optimize, special, stats

from capstat.distributions import LOGNORMAL, WEIBULL
from capstat.protocol import NO_MARGIN, Direction, Margin, MarginUnit, RampPolicy
from capstat.protocol.after_capture import loss_after_policy, margin_needed_after_policy, margins_after_policy
from capstat.protocol.consequences import mean_consequences, policy_consequences
from capstat.protocol.drift_law import DriftLaw
from capstat.protocol.loss import MaximumRise
from capstat.protocol.margins import assumed_drift
from capstat.protocol.threshold_law import ModelLaw
from capstat.results import NotEstimableError

MEDIAN, SD = 85.0, 0.26
LAW = ModelLaw(LOGNORMAL, np.log([MEDIAN]), np.log([[SD]]), np.array([0.97]), 100, "everybody", "lognormal")
FAR = 4.0
PERCENT, MA, STEPS = MarginUnit.PERCENT, MarginUnit.MILLIAMPERE, MarginUnit.STEPS


def rise(sd=0.1):
    return MaximumRise(assumed_drift(sd))


def least_reaching(settings_ma):
    """For each threshold the lowest of some settings that reaches it; infinite without one."""
    grid = np.append(np.sort(settings_ma), np.inf)
    return lambda t: grid[np.searchsorted(grid[:-1], t)]


def coarse_then_down(t):
    """20 mA from 40 to 140, then down by 5 from the setting that captured, not to one that had failed or below 40."""
    found = least_reaching(np.arange(40, 141, 20))(t)
    fine = least_reaching(np.arange(5, 141, 5))(t)
    return np.where(np.isfinite(found), fine, np.inf)


def middle_falling(t):
    """From 90 down by 10 to the last that captures; where 90 does not, up."""
    return np.where(t <= 90, least_reaching(np.arange(10, 91, 10))(t), least_reaching([*range(100, 141, 10), 143])(t))


POLICIES = {
    "rising": (RampPolicy(40, 10, 140, 2.0), least_reaching(np.arange(40, 141, 10))),
    "rising, start within the thresholds": (RampPolicy(80, 5, 120, 2.0), least_reaching(np.arange(80, 121, 5))),
    "coarse, then down": (RampPolicy(40, 20, 140, 2.0, 5.0), coarse_then_down),
    "falling": (
        RampPolicy(140, 10, 140, 2.0, direction=Direction.FALLING), least_reaching(np.arange(10, 141, 10))
    ),
    "falling from the middle": (RampPolicy(90, 10, 143, 2.0, direction=Direction.FALLING), middle_falling),
    "bisecting": (RampPolicy(40, 5, 140, 2.0, direction=Direction.BISECTING), least_reaching(np.arange(40, 141, 5))),
}  # fmt: skip


def left_on(found, margin, step, maximum, resolution=1.0):
    """Current after the margin, rounded up to the resolution, at most the maximum."""
    added = {PERCENT: found * margin.amount / 100, MA: margin.amount + 0 * found, STEPS: margin.amount * step}
    return np.minimum(found + resolution * np.ceil(np.round(added[margin.unit] / resolution, 6)), maximum)


@pytest.mark.parametrize("margin", [Margin(10, PERCENT), Margin(7, MA), Margin(1, STEPS)], ids=lambda m: m.words)
@pytest.mark.parametrize(("policy", "search"), POLICIES.values(), ids=POLICIES.keys())
def test_simulated_patients(policy, search, margin):
    """400,000 thresholds drawn from the law and searched by arithmetic; the walk's maximum by its closed form."""
    rng = np.random.default_rng(8)
    t = MEDIAN * np.exp(SD * rng.standard_normal(400_000))
    found = search(t)
    t, found = t[np.isfinite(found)], found[np.isfinite(found)]
    final = left_on(found, margin, policy.step_ma, policy.maximum_ma)
    one, *_ = margins_after_policy(policy, LAW, rise(), (margin,), minutes=(10, 60))
    assert one.margin == margin
    assert one.mean_final_ma.value == pytest.approx(final.mean(), abs=FAR * final.std() / np.sqrt(final.size))
    for estimate, minutes in zip(one.loss, (10, 60), strict=True):
        lost = 2 * special.ndtr(-np.log(final / t) / (0.1 * np.sqrt(minutes / 30)))
        assert estimate.value == pytest.approx(lost.mean(), abs=FAR * lost.std() / np.sqrt(lost.size) + 2e-4)
        assert f"within {minutes} minutes with {margin.words}" in estimate.quantity
    assert loss_after_policy(replace(policy, margin=margin), LAW, rise(), minutes=(10,))[0].value == one.loss[0].value


def test_simulated_paths():
    """Walks followed every 6 s for 60 minutes: with the shift for what happens in between, the share ever above.

    A level is passed unseen between looks as if it lay 0.5826 standard deviations of a step higher (Siegmund 1979, from
    memory).
    """
    rng = np.random.default_rng(9)
    policy, minutes, step = RampPolicy(40, 10, 140, 2.0), 60.0, 0.1
    t = MEDIAN * np.exp(SD * rng.standard_normal(6_000))
    t = t[t <= 140]
    final = left_on(POLICIES["rising"][1](t), Margin(10, PERCENT), 10, 140)
    sd = 0.1 * np.sqrt(step / 30)
    path = np.zeros(t.size)
    highest = path.copy()
    for _ in range(int(minutes / step)):
        path = path + sd * rng.standard_normal(t.size)
        np.maximum(highest, path, out=highest)
    lost = (highest + 0.5826 * sd > np.log(final / t)).mean()
    exact = margins_after_policy(policy, LAW, rise(), (Margin(10, PERCENT),), minutes=(minutes,))[0].loss[0].value
    assert exact == pytest.approx(lost, abs=FAR * np.sqrt(lost * (1 - lost) / t.size))


def test_simulated_paths_that_return():
    """Mean-reverting drift, exact steps of 6 s from the stationary law."""
    rng = np.random.default_rng(10)
    rate, back, step = 0.002, 0.08, 0.1
    t = MEDIAN * np.exp(SD * rng.standard_normal(6_000))
    t = t[t <= 140]
    final = left_on(POLICIES["rising"][1](t), Margin(10, PERCENT), 10, 140)
    variance = rate / (2 * back)
    start = np.sqrt(variance) * rng.standard_normal(t.size)
    path, highest = start, start
    for _ in range(300):
        path = np.exp(-back * step) * path + np.sqrt(variance * -np.expm1(-2 * back * step)) * rng.standard_normal(
            t.size
        )
        highest = np.maximum(highest, path)
    lost = (highest - start + 0.5826 * np.sqrt(rate * step) > np.log(final / t)).mean()
    law = DriftLaw(np.array([rate]), np.array([back]), None, None, 30, "made up")
    found = margins_after_policy(
        RampPolicy(40, 10, 140, 2.0), LAW, MaximumRise(law), (Margin(10, PERCENT),), minutes=(30,)
    )
    # the courses of the module are simulated too
    assert found[0].loss[0].value == pytest.approx(lost, abs=FAR * np.sqrt(lost * (1 - lost) * (1 / t.size + 1 / 4096)))
    assert found[0].loss[0].n == 30


def lost_by_quadrature(edges, sd_at, percent, law=None):
    """Chance of loss of a rising ramp by adaptive quadrature over every step; margin in percent, not rounded."""
    law = law or stats.lognorm(SD, scale=MEDIAN)
    total = 0.0
    low = 1e-9
    for high in edges:
        current = high * (1 + percent / 100)
        total += integrate.quad(
            lambda x, c=current: law.pdf(x) * 2 * special.ndtr(-np.log(c / x) / sd_at),
            low,
            high,
            epsabs=1e-11,
            limit=200,
        )[0]
        low = high
    return total / law.cdf(edges[-1])


@pytest.mark.parametrize(("step", "sd"), [(5, 0.2), (5, 0.1), (5, 0.05), (10, 0.05), (20, 0.1)])
def test_against_quadrature(step, sd):
    """Dividing the steps costs less than 1 % of the chance of loss for drifts of 5 % and more over 30 minutes."""
    policy, edges = RampPolicy(40, step, 140, 1.0), np.arange(40, 141, step)
    for minutes in (10.0, 30.0):
        (found,) = margins_after_policy(policy, LAW, rise(sd), (NO_MARGIN,), minutes=(minutes,))
        expected = lost_by_quadrature(edges, sd * np.sqrt(minutes / 30), 0.0)
        assert found.loss[0].value == pytest.approx(expected, rel=0.01)


@pytest.mark.parametrize("step", [10, 20])
def test_small_drift_against_quadrature(step):
    policy, edges = RampPolicy(40, step, 140, 1.0), np.arange(40, 141, step)
    (found,) = margins_after_policy(policy, LAW, rise(0.02), (NO_MARGIN,), minutes=(10.0,))
    assert found.loss[0].value == pytest.approx(lost_by_quadrature(edges, 0.02 / np.sqrt(3), 0.0), rel=0.01)


@pytest.mark.parametrize(("step", "sd", "at_most"), [(5, 0.1, 0.05), (10, 0.1, 0.05), (5, 0.2, 0.1), (10, 0.05, 0.01)])
def test_margin_needed_against_root_finding(step, sd, at_most):
    """The margin with which exactly so many lose capture within 30 minutes: Brent's method on adaptive quadrature."""
    policy, edges = RampPolicy(40, step, 140, 1.0, margin=Margin(10, PERCENT)), np.arange(40, 141, step)
    expected = optimize.brentq(lambda p: lost_by_quadrature(edges, sd, p) - at_most, 0, 100, xtol=1e-6)
    found = margin_needed_after_policy(policy, LAW, rise(sd), at_most=at_most)
    assert found.value == pytest.approx(expected, abs=0.05)
    assert found.unit == "%"


def test_margin_needed_with_weibull_thresholds():
    law = ModelLaw(WEIBULL, np.log([MEDIAN]), np.log([[0.2]]), np.ones(1), 50, "a", "b")
    edges = np.arange(40, 141, 10)
    expected = optimize.brentq(
        lambda p: lost_by_quadrature(edges, 0.1, p, stats.weibull_min(5, scale=MEDIAN)) - 0.05, 0, 100
    )
    assert margin_needed_after_policy(RampPolicy(40, 10, 140, 1.0), law, rise()).value == pytest.approx(
        expected, abs=0.05
    )


def test_drift_at_its_limits():
    """None: nothing is lost and no margin is needed.  Huge: everybody loses capture, and 100 % more is not enough."""
    policy = RampPolicy(40, 5, 140, 1.0, margin=Margin(5, PERCENT))
    assert loss_after_policy(policy, LAW, rise(0.0), minutes=(30,))[0].value == 0.0
    assert margin_needed_after_policy(policy, LAW, rise(0.0)).value == 0.0
    assert loss_after_policy(policy, LAW, rise(50.0), minutes=(30,))[0].value == pytest.approx(1, abs=0.01)
    needed = margin_needed_after_policy(policy, LAW, rise(50.0))
    assert needed.value is None
    assert needed.reason == "more than 100 %"


def test_margin_is_cut_at_the_maximum():
    """With a maximum of 100 mA no margin leaves more on; 50 % of 40 mA still fits."""
    policy = RampPolicy(100, 5, 100, 1.0)
    none, half = margins_after_policy(policy, LAW, rise(), (NO_MARGIN, Margin(50, PERCENT)), minutes=(30,))
    assert none.mean_final_ma.value == half.mean_final_ma.value == pytest.approx(100)
    assert none.loss[0].value == half.loss[0].value
    two = margins_after_policy(RampPolicy(40, 60, 100, 1.0), LAW, rise(), (Margin(50, PERCENT),), minutes=(30,))[0]
    low, high = (float(stats.lognorm(SD, scale=MEDIAN).cdf(c)) for c in (40, 100))
    assert two.mean_final_ma.value == pytest.approx((60 * low + 100 * (high - low)) / high)


@given(
    st.sampled_from(list(POLICIES)),
    st.lists(st.floats(0, 60), min_size=2, max_size=5),
    st.sampled_from(list(MarginUnit)),
    st.floats(0.01, 0.3),
    st.floats(60, 130),
)
@settings(max_examples=40, deadline=None)
def test_a_wider_margin_never_loses_more(name, amounts, unit, sd, median):
    """Within one kind of margin more of it never raises the chance of loss; a longer time never lowers it."""
    law = replace(LAW, location=np.log([median]))
    margins = [Margin(amount / (10 if unit is STEPS else 1), unit) for amount in sorted(amounts)]
    found = margins_after_policy(POLICIES[name][0], law, rise(sd), margins, minutes=(1, 30, 240))
    for earlier, later in pairwise(found):
        assert earlier.mean_final_ma.value <= later.mean_final_ma.value + 1e-9
        for a, b in zip(earlier.loss, later.loss, strict=True):
            assert b.value <= a.value + 1e-12
    for one in found:
        values = [estimate.value for estimate in one.loss]
        assert values == sorted(values)
        assert all(0 <= value <= 1 + 1e-9 for value in values)


@given(st.sampled_from(list(Direction)), st.sampled_from([5.0, 7.5, 20.0]), st.floats(60, 130), st.floats(0.05, 0.5))
@settings(max_examples=40, deadline=None)
def test_a_higher_maximum_leaves_fewer_without_capture(direction, step, median, sd):
    """Where judgements are never wrong, the share not captured never rises with the maximum."""
    law = replace(LAW, location=np.log([median]), ancillary=np.log([[sd]]))
    shares = [
        mean_consequences(
            RampPolicy(60, step, top, 1.0, direction=direction), law, discomfort_ma=70
        ).not_captured.lower[0]
        for top in (60, 80, 100, 137, 140, 200)
    ]
    assert all(later <= earlier + 1e-12 for earlier, later in pairwise(shares))
    assert shares[-1] == pytest.approx(1 - 0.97 * stats.lognorm(sd, scale=median).cdf(200), abs=1e-12)


def test_draws_vary_together():
    """Rows side by side: the limits are percentiles of what each row gives alone; a single row stands for all."""
    rng = np.random.default_rng(2)
    draws = 50
    location = np.append(np.log(MEDIAN), rng.normal(np.log(MEDIAN), 0.05, draws))
    law = ModelLaw(LOGNORMAL, location, np.full((draws + 1, 1), np.log(SD)), np.ones(draws + 1), 60, "a", "b")
    rate = np.append(0.1, rng.uniform(0.05, 0.2, draws)) ** 2 / 30
    drift = DriftLaw(rate, np.zeros(draws + 1), None, None, 25, "c")
    policy = RampPolicy(40, 5, 140, 1.0, margin=Margin(10, PERCENT))
    found = loss_after_policy(policy, law, MaximumRise(drift), minutes=(30,), level=0.9)[0]

    def alone(row):
        one = ModelLaw(LOGNORMAL, location[[row]], np.log([[SD]]), np.ones(1), 60, "a", "b")
        single = DriftLaw(rate[[row]], np.zeros(1), None, None, 25, "c")
        return loss_after_policy(policy, one, MaximumRise(single), minutes=(30,))[0].value

    rows = np.array([alone(row) for row in range(draws + 1)])
    assert found.value == pytest.approx(rows[0])
    assert (found.n, found.level) == (25, 0.9)
    assert found.lower == pytest.approx(np.quantile(rows[1:], 0.05, method="inverted_cdf"))
    assert found.upper == pytest.approx(np.quantile(rows[1:], 0.95, method="inverted_cdf"))
    fixed = loss_after_policy(policy, law, rise(), minutes=(30,))[0]
    assert fixed.lower < fixed.value < fixed.upper
    sure = loss_after_policy(policy, LAW, MaximumRise(drift), minutes=(30,))[0]
    assert sure.lower < sure.value < sure.upper


def test_refusals():
    policy = RampPolicy(40, 5, 140, 1.0)
    for function, words in ((loss_after_policy, {"minutes": (30,)}), (margin_needed_after_policy, {})):
        with pytest.raises(NotEstimableError, match="'ramp' captures nobody"):
            function(policy, replace(LAW, capturable=np.zeros(1)), rise(), **words)
    with pytest.raises(ValueError, match="more than 0 minutes, not 0"):
        loss_after_policy(policy, LAW, rise(), minutes=(0,))


def test_the_smaller_number_of_draws_counts():
    """A resample without an estimate is left out of the thresholds but not of the drift."""
    policy, rng = RampPolicy(40, 5, 140, 1.0), np.random.default_rng(5)
    locations, rates = 4.4 + 0.1 * rng.standard_normal(6), 1e-4 * np.exp(0.2 * rng.standard_normal(9))

    def found(thresholds, drifts):
        law = ModelLaw(
            LOGNORMAL, locations[:thresholds], np.full((thresholds, 1), -1.3), np.ones(thresholds), 60, "a", "b"
        )
        drift = MaximumRise(DriftLaw(rates[:drifts], np.zeros(drifts), None, None, 25, "c"))
        loss = loss_after_policy(policy, law, drift, minutes=(30,))[0]
        needed = margin_needed_after_policy(policy, law, drift)
        return [(e.value, e.lower, e.upper) for e in (loss, needed)]

    assert found(4, 9) == found(4, 4)
    assert found(6, 3) == found(3, 3)
    assert found(1, 4)[0][1] is not None
    assert found(1, 1)[0][1] is None


@pytest.mark.parametrize("at_most", [-1.0, 0.0, 1.0, 2.0])
def test_chance_that_is_none_is_refused(at_most):
    with pytest.raises(ValueError, match="between 0 and 1"):
        margin_needed_after_policy(RampPolicy(40, 5, 140, 1.0), LAW, rise(), at_most=at_most)


def test_a_draw_that_captures_nobody():
    law = ModelLaw(LOGNORMAL, np.array([4.4, 4.4, 9.0]), np.log([[0.26], [0.26], [0.01]]), np.ones(3), 9, "a", "b")
    found = loss_after_policy(RampPolicy(40, 5, 140, 1.0), law, rise(), minutes=(30,))[0]
    assert 0 < found.value < 1


def test_excess_where_a_draw_captures_nobody():
    law = ModelLaw(LOGNORMAL, np.array([4.4, 4.4, 9.0]), np.log([[0.26], [0.26], [0.01]]), np.ones(3), 9, "a", "b")
    alone = replace(law, location=law.location[:1], ancillary=law.ancillary[:1], capturable=law.capturable[:1])
    policy = RampPolicy(40, 5, 140, 1.0)
    expected = policy_consequences(policy, alone, discomfort_ma=70).excess_ma.value
    assert policy_consequences(policy, law, discomfort_ma=70).excess_ma.value == pytest.approx(expected)
