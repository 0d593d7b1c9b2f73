"""The nonparametric estimate: by hand, against recorded R values, a brute-force referee, and its properties."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lifelines import KaplanMeierFitter
from scipy.optimize import minimize

from capstat.distributions import fit_npmle
from capstat.distributions.npmle import innermost_intervals
from capstat.results import NotEstimableError
from capstat.thresholds import CensoredThresholds

INF = np.inf


@pytest.mark.reference
@pytest.mark.parametrize("arm", ["radiation", "radiation_chemo"])
def test_breast_cosmesis(reference, arm):
    case = reference("s01")
    rows = case.intervals(arm)
    fit = fit_npmle(CensoredThresholds.from_bounds(rows[:, 0], rows[:, 1]))
    case.check(f"{arm}.loglik", fit.log_likelihood)
    case.check(f"{arm}.intervals_positive_mass", fit.support.ravel())
    case.check(f"{arm}.mass", fit.mass)
    for key in case.expected:
        if key.startswith(f"{arm}.S("):
            at = float(key[key.index("(") + 1 : -1])
            low, high = fit.capture_probability(at)
            assert low == high
            case.check(key, 1 - low)
    assert fit.optimality_gap <= 1e-10


@pytest.mark.reference
def test_mixed_grids_by_four_routes(reference):
    """40 overlapping ramps: masses and log-likelihood by R's npsurv, EM to 1e-12, BFGS and SLSQP; survfit stops short."""
    case = reference("r04")
    rows = case.intervals("rows")
    fit = fit_npmle(CensoredThresholds.from_bounds(rows[:, 0], rows[:, 1]))
    case.check("support", fit.support)
    # recorded for every innermost interval; those without mass are not in the fit
    np.testing.assert_allclose(fit.mass, [m for m in case.expected["masses"]["value"] if m > 0], atol=1e-6)
    case.check("loglik", fit.log_likelihood)
    assert fit.log_likelihood > case.expected["survfit.loglik"]["value"] + 1e-3
    rows = case.intervals("adjacent")
    adjacent = fit_npmle(CensoredThresholds.from_bounds(rows[:, 0], rows[:, 1]))
    case.check("adjacent.masses", adjacent.mass)
    case.check("adjacent.loglik", adjacent.log_likelihood)


def test_neighbouring_intervals_share_no_point():
    """(60, 65] and (65, 70]: half each, by hand.  Closed intervals would put everything on 65."""
    fit = fit_npmle(CensoredThresholds.from_bounds([60, 65], [65, 70]))
    assert fit.support.tolist() == [[60, 65], [65, 70]]
    assert fit.mass.tolist() == [0.5, 0.5]
    assert fit.log_likelihood == pytest.approx(2 * np.log(0.5))


def test_left_censored_neighbour_by_hand():
    """(0, 20] and (20, 40] are disjoint."""
    fit = fit_npmle(CensoredThresholds.from_bounds([0, 20], [20, 40]))
    assert fit.mass.tolist() == [0.5, 0.5]


def test_three_overlapping_intervals_by_hand():
    """(0, 2], (1, 3], (2, 4]: innermost (1, 2] and (2, 3]; the middle row covers both.

    Log-likelihood log p + log 1 + log(1 - p) is largest at p = 1/2.
    """
    fit = fit_npmle(CensoredThresholds.from_bounds([0, 1, 2], [2, 3, 4]))
    assert fit.support.tolist() == [[1, 2], [2, 3]]
    np.testing.assert_allclose(fit.mass, [0.5, 0.5], atol=1e-9)


def test_exact_value_belongs_to_the_interval_it_closes():
    """An exact 20 lies inside (10, 20] and outside (20, 30]."""
    support = innermost_intervals(np.array([10.0, 20.0, 20.0]), np.array([20.0, 30.0, 20.0]))
    assert list(zip(support.lower_ma, support.upper_ma, strict=True)) == [(20, 20), (20, 30)]
    fit = fit_npmle(CensoredThresholds.from_bounds([10, 20, 20], [20, 30, 20]))
    np.testing.assert_allclose(fit.mass, [2 / 3, 1 / 3], atol=1e-9)


def test_exact_and_right_censored_is_kaplan_meier():
    """lifelines' Kaplan-Meier estimate is the special case."""
    rng = np.random.default_rng(4)
    time = rng.integers(20, 120, 80).astype(float)
    event = rng.random(80) < 0.7
    event[np.argmax(time)] = True
    fit = fit_npmle(CensoredThresholds.from_bounds(time, np.where(event, time, INF)))
    kaplan_meier = KaplanMeierFitter().fit(time, event)
    at = np.unique(time)
    low, high = fit.capture_probability(at)
    expected = 1 - kaplan_meier.survival_function_at_times(at).to_numpy()
    np.testing.assert_allclose(low, expected, atol=1e-8)
    np.testing.assert_allclose(high, expected, atol=1e-8)


def test_common_grid_gives_the_observed_shares(on_grid):
    rng = np.random.default_rng(2)
    thresholds = on_grid(np.exp(rng.normal(4.3, 0.4, 200)), 30, 10, 140)
    fit = fit_npmle(thresholds)
    for (low, high), mass in zip(fit.support, fit.mass, strict=True):
        same = (thresholds.lower_ma == low) & (thresholds.upper_ma == high)
        assert mass == pytest.approx(same.mean())
    assert fit.optimality_gap == 0


def _brute_force(lower: np.ndarray, upper: np.ndarray) -> float:
    """Maximum of the likelihood over all elementary intervals of the endpoints, by a general optimiser."""
    edges = np.unique(np.concatenate((lower, upper[np.isfinite(upper)], [0.0])))
    starts, ends = edges, np.append(edges[1:], INF)
    inside = (starts[None, :] >= lower[:, None]) & (ends[None, :] <= upper[:, None])

    def negative(x: np.ndarray) -> float:
        p = np.exp(x - x.max())
        return -float(np.log(inside @ (p / p.sum())).sum())

    best = min(
        (minimize(negative, start, method="BFGS", options={"gtol": 1e-9, "maxiter": 4000})
         for start in (np.zeros(starts.size), np.linspace(-1, 1, starts.size))),
        key=lambda result: result.fun,
    )  # fmt: skip
    return -float(best.fun)


@pytest.mark.parametrize("seed", range(6))
def test_brute_force_referee(seed):
    """A generic optimiser on the softmax of elementary masses never beats the certified estimate."""
    rng = np.random.default_rng(seed)
    n = 12
    lower = rng.integers(0, 8, n) * 10.0
    upper = lower + rng.integers(1, 5, n) * 10.0
    upper[rng.random(n) < 0.25] = INF
    fit = fit_npmle(CensoredThresholds.from_bounds(lower, upper))
    referee = _brute_force(lower, upper)
    assert fit.log_likelihood >= referee - 1e-9
    assert fit.log_likelihood == pytest.approx(referee, abs=2e-4)


def test_capture_current_and_bounds():
    fit = fit_npmle(CensoredThresholds.from_bounds([40, 60, 80, 140], [50, 70, 90, INF]))
    assert fit.capture_current(0.25) == (40, 50)
    assert fit.capture_current(0.5) == (60, 70)
    assert fit.capture_current(0.75) == (80, 90)
    assert fit.capture_current(0.76) is None
    low, high = fit.capture_probability([39, 40, 45, 50, 55, 65, 140, 150])
    np.testing.assert_allclose(low, [0, 0, 0, 0.25, 0.25, 0.25, 0.75, 0.75])
    np.testing.assert_allclose(high, [0, 0, 0.25, 0.25, 0.25, 0.5, 0.75, 1.0])
    with pytest.raises(ValueError, match="strictly between 0 and 1"):
        fit.capture_current(1.0)


def test_edge_cases_answer_honestly():
    one = fit_npmle(CensoredThresholds.from_bounds([60], [65]))
    assert one.mass.tolist() == [1.0]
    nobody = fit_npmle(CensoredThresholds.from_bounds([140, 140, 120], [INF] * 3))
    assert nobody.capture_current(0.5) is None
    assert nobody.capture_probability(140)[0] == 0
    everybody = fit_npmle(CensoredThresholds.from_bounds([0, 0], [40, 40]))
    assert everybody.capture_current(0.9) == (0, 40)
    with pytest.raises(NotEstimableError, match="no attempts"):
        fit_npmle(CensoredThresholds.from_bounds([], []))


bounds = st.lists(st.tuples(st.integers(0, 15), st.integers(1, 6), st.booleans()), min_size=1, max_size=25)


@settings(max_examples=150, deadline=None)
@given(bounds, st.randoms(use_true_random=False))
def test_properties(rows, random):
    lower = np.array([10.0 * a for a, _, _ in rows])
    upper = np.array([INF if right else 10.0 * (a + b) for a, b, right in rows])
    fit = fit_npmle(CensoredThresholds.from_bounds(lower, upper))
    assert fit.mass.sum() == pytest.approx(1)
    assert (fit.mass > 0).all()
    assert fit.optimality_gap <= 1e-8
    assert fit.unique
    grid = np.arange(0, 260, 5.0)
    low, high = fit.capture_probability(grid)
    assert (np.diff(low) >= -1e-12).all()
    assert (np.diff(high) >= -1e-12).all()
    assert (low <= high + 1e-12).all()
    # the order of the rows does not matter
    shuffled = list(range(len(rows)))
    random.shuffle(shuffled)
    again = fit_npmle(CensoredThresholds.from_bounds(lower[shuffled], upper[shuffled]))
    np.testing.assert_allclose(again.capture_probability(grid)[0], low, atol=1e-6)
    # nor does having everything twice, or another unit of current
    twice = fit_npmle(CensoredThresholds.from_bounds(np.tile(lower, 2), np.tile(upper, 2)))
    assert twice.log_likelihood == pytest.approx(2 * fit.log_likelihood, abs=1e-6)
    scaled = fit_npmle(CensoredThresholds.from_bounds(lower * 0.5, upper * 0.5))
    np.testing.assert_allclose(scaled.support, fit.support * 0.5)
    np.testing.assert_allclose(scaled.mass, fit.mass, atol=1e-6)


def test_weights_that_differ_a_millionfold():
    """A set on which Newton steps stop at rounding error; an independent EM run agrees."""
    lower = [10, 40, 50, 0, 50, 40, 70, 20, 30]
    upper = [30, 60, 80, 30, 70, INF, 90, 50, INF]
    weights = np.array([2, 1e4, 2, 1, 1, 1e4, 1e-3, 1e4, 1e4])
    fit = fit_npmle(CensoredThresholds.from_bounds(lower, upper, weights=weights))
    support = innermost_intervals(np.array(lower, float), np.array(upper, float))
    inside = (support.lower_ma >= np.array(lower)[:, None]) & (support.upper_ma <= np.array(upper)[:, None])
    mass = np.full(support.lower_ma.size, 1 / support.lower_ma.size)
    for _ in range(200_000):
        mass = mass * (inside.T @ (weights / (inside @ mass))) / weights.sum()
    assert fit.log_likelihood >= weights @ np.log(inside @ mass) - 1e-6
