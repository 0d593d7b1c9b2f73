"""Intervals widened by the tolerance of the device's output."""

import numpy as np
import pytest

from capstat.distributions import LOGNORMAL, fit_npmle, fit_parametric
from capstat.results import UsageError
from capstat.thresholds import CensoredThresholds
from capstat.thresholds.tolerance import widen_for_tolerance


@pytest.fixture
def mixed():
    return CensoredThresholds.from_bounds([0, 60, 140, 80], [40, 65, np.inf, 80], patient=["a", "a", "b", "c"])


def test_bounds_by_hand(mixed):
    wide = widen_for_tolerance(mixed, 5)
    np.testing.assert_allclose(wide.lower_ma, [0, 57, 133, 76], rtol=1e-14)
    np.testing.assert_allclose(wide.upper_ma, [42, 68.25, np.inf, 84], rtol=1e-14)
    assert not wide.lower_ma.flags.writeable
    assert not wide.upper_ma.flags.writeable
    np.testing.assert_array_equal(wide.patient, mixed.patient)
    assert list(wide.ending) == list(mixed.ending)


def test_no_tolerance_leaves_bounds_as_they_are():
    thresholds = CensoredThresholds.from_bounds([1 / 3, 50], [2 / 3, 50])
    wide = widen_for_tolerance(thresholds, 0)
    np.testing.assert_array_equal(wide.lower_ma, thresholds.lower_ma)
    np.testing.assert_array_equal(wide.upper_ma, thresholds.upper_ma)


def test_widening_is_monotone(mixed):
    before = mixed
    for percent in (0.1, 1, 5, 20, 49.9):
        after = widen_for_tolerance(mixed, percent)
        assert np.all(after.lower_ma <= before.lower_ma)
        assert np.all(after.upper_ma >= before.upper_ma)
        before = after


@pytest.mark.parametrize("percent", [-1, 50, float("nan"), float("inf")])
def test_an_impossible_tolerance_is_refused(mixed, percent):
    with pytest.raises(UsageError, match="at least 0 % and below 50 %"):
        widen_for_tolerance(mixed, percent)


def test_equal_currents_stay_equal():
    # 51 * 0.98 = 49 * 1.02, but not in floating point: (49.98, 49.980000000000004] would carry mass
    assert 51 * 0.98 != 49 * 1.02
    wide = widen_for_tolerance(CensoredThresholds.from_bounds([51, 45], [55, 49]), 2)
    assert wide.lower_ma[0] == wide.upper_ma[1]
    assert fit_npmle(wide).support.tolist() == [[44.1, 49.98], [49.98, 56.1]]


def test_overlapping_neighbours_are_fitted_and_certified(on_grid):
    true = np.exp(np.random.default_rng(1).normal(4.2, 0.3, 300))
    thresholds = on_grid(true, 30, 5, 120)
    sigma = []
    for percent in (0, 2, 5, 10):
        wide = widen_for_tolerance(thresholds, percent)
        assert np.all((wide.lower_ma < true) & (true <= wide.upper_ma))
        fit = fit_npmle(wide)
        assert fit.optimality_gap <= 1e-8
        assert fit.unique
        assert fit.mass.sum() == pytest.approx(1)
        # no interval can be less probable for being wider
        assert fit.log_likelihood >= fit_npmle(thresholds).log_likelihood
        sigma.append(fit_parametric(wide, family=LOGNORMAL).sigma)
    # what the docstring warns of: part of the spread is now put down to the device
    assert np.all(np.diff(sigma) < 0)


def test_thresholds_of_a_device_with_such_errors_lie_in_the_widened_intervals():
    rng = np.random.default_rng(2)
    true = np.exp(rng.normal(4.2, 0.2, 500))
    settings = np.arange(30, 161, 2.0)
    captured = settings * (1 + rng.uniform(-0.05, 0.05, (500, settings.size))) >= true[:, None]
    first = captured.argmax(axis=1)
    assert captured.any(axis=1).all()
    low = np.where(first == 0, 0.0, settings[first - 1])
    recorded = CensoredThresholds.from_bounds(low, settings[first])
    inside = (recorded.lower_ma < true) & (true <= recorded.upper_ma)
    assert inside.mean() < 0.9
    wide = widen_for_tolerance(recorded, 5)
    assert np.all((wide.lower_ma < true) & (true <= wide.upper_ma))
