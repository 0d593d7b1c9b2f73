"""Log probabilities of boxes under multivariate normal laws, against scipy, quadrature and products."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import special, stats

from capstat.numerics.binormal import rectangle
from capstat.numerics.gaussian_boxes import log_boxes


def random_law(rng, d):
    root = rng.normal(size=(d, d + 1))
    return rng.normal(size=d), root @ root.T / d + 0.1 * np.eye(d)


@pytest.mark.parametrize("d", [2, 3, 5, 8])
def test_boxes_of_scipy(d):
    """scipy's own integration (Genz's algorithm in its code) at 1e-5 and a shared covariance."""
    rng = np.random.default_rng(d)
    mean, covariance = random_law(rng, d)
    middle = mean + rng.normal(size=(6, d)) * np.sqrt(np.diag(covariance)) * 0.7
    half = rng.uniform(0.3, 1.5, (6, d)) * np.sqrt(np.diag(covariance))
    lower, upper = middle - half, middle + half
    lower[0, 0], upper[1, -1], lower[2] = -np.inf, np.inf, -np.inf
    found = np.exp(log_boxes(lower, upper, mean, covariance, log2_points=12))
    law = stats.multivariate_normal(mean, covariance, maxpts=400_000, abseps=1e-7, releps=1e-5)
    expected = [
        law.cdf(high, lower_limit=low, rng=np.random.default_rng(1)) for low, high in zip(lower, upper, strict=True)
    ]
    np.testing.assert_allclose(found, expected, rtol=1e-3)
    usual = np.exp(log_boxes(lower, upper, mean, covariance))
    np.testing.assert_allclose(usual, expected, rtol=0.02)


def test_rectangles():
    """Two dimensions: quadrature of `rectangle`, itself checked to 1e-13."""
    rng = np.random.default_rng(2)
    rho = rng.uniform(-0.97, 0.97, 200)
    low = rng.normal(0, 1.5, (200, 2))
    high = low + rng.exponential(1.0, (200, 2))
    high[:40, 0], low[40:80, 1] = np.inf, -np.inf
    covariance = np.ones((200, 2, 2))
    covariance[:, 0, 1] = covariance[:, 1, 0] = rho
    expected = np.log(rectangle(low[:, 0], high[:, 0], low[:, 1], high[:, 1], rho))
    found = log_boxes(low, high, np.zeros(2), covariance)
    likely = expected > -20
    np.testing.assert_allclose(found[likely], expected[likely], atol=0.03)
    assert np.median(np.abs(found - expected)[likely]) < 1e-4
    finer = log_boxes(low, high, np.zeros(2), covariance, log2_points=14)
    np.testing.assert_allclose(finer[likely], expected[likely], atol=2e-3)


def test_independent_coordinates_are_a_product():
    rng = np.random.default_rng(3)
    low = rng.normal(size=(50, 6))
    high = low + rng.exponential(size=(50, 6))
    scale = rng.uniform(0.5, 2, (50, 6))
    covariance = np.array([np.diag(row**2) for row in scale])
    expected = np.log(special.ndtr(high / scale) - special.ndtr(low / scale)).sum(axis=1)
    np.testing.assert_allclose(log_boxes(low, high, np.zeros(6), covariance), expected, rtol=1e-11)


def test_far_boxes_keep_their_digits():
    """Sides where a double holds no probability, on either side, narrow and open.

    Expected: ``log(ncdf(-a) - ncdf(-b))`` by mpmath 1.4.1 with 50 digits (``mp.dps = 50``), computed for this test.
    """
    recorded = (
        (30.0, 31.0, -454.32124395634327), (45.0, np.inf, -1017.2260942419524), (100.0, 100.001, -5007.876277342747), (8.0, 8.5, -35.02879250857975),
    )  # fmt: skip
    for a, b, expected in recorded:
        one = log_boxes(np.array([[a]]), np.array([[b]]), np.zeros(1), np.eye(1))
        other = log_boxes(np.array([[-b]]), np.array([[-a]]), np.zeros(1), np.eye(1))
        assert one[0] == pytest.approx(expected, rel=1e-12)
        assert other[0] == pytest.approx(expected, rel=1e-12)
        both = log_boxes(np.array([[a, -b]]), np.array([[b, -a]]), np.zeros(2), np.eye(2))
        assert both[0] == pytest.approx(2 * expected, rel=1e-12)


def test_narrow_boxes_are_densities():
    """Sides of a millionth: log density (scipy) plus log volume."""
    rng = np.random.default_rng(4)
    mean, covariance = random_law(rng, 6)
    at = rng.multivariate_normal(mean, covariance, 20)
    width = 1e-6
    found = log_boxes(at - width / 2, at + width / 2, mean, covariance)
    expected = stats.multivariate_normal.logpdf(at, mean, covariance) + 6 * np.log(width)
    np.testing.assert_allclose(found, expected, atol=1e-6)


def test_open_coordinates_at_the_end_change_nothing():
    rng = np.random.default_rng(5)
    mean, covariance = random_law(rng, 3)
    low, high = mean - rng.uniform(0, 1, (7, 3)), mean + rng.uniform(0, 1, (7, 3))
    plain = log_boxes(low, high, mean, covariance, log2_points=10)
    filled = np.eye(5)
    filled[:3, :3] = covariance
    ends = np.full((7, 2), np.inf)
    found = log_boxes(np.hstack([low, -ends]), np.hstack([high, ends]), np.append(mean, [0, 0]), filled, log2_points=10)
    np.testing.assert_allclose(found, plain, atol=1e-3)
    assert log_boxes(-ends[:1], ends[:1], np.zeros(2), np.eye(2)) == pytest.approx(0, abs=1e-12)


def test_smooth_in_the_parameters():
    """Third differences along a line of covariances are those of a smooth function, far below the error of the points."""
    low, high = np.full((1, 5), -0.4), np.array([[0.3, 0.5, 0.1, 0.6, 0.2]])
    times = np.arange(1.0, 6)
    line = np.array(
        [
            log_boxes(low, high, np.zeros(5), 1 + rate * np.minimum.outer(times, times))[0]
            for rate in np.linspace(0.2, 0.3, 41)
        ]
    )
    assert np.abs(np.diff(line, 3)).max() < 1e-5
    again = log_boxes(low, high, np.zeros(5), 1 + 0.2 * np.minimum.outer(times, times))[0]
    assert again == line[0]


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.integers(2, 5))
def test_a_larger_box_is_more_likely_and_cuts_add_up(seed, d):
    rng = np.random.default_rng(seed)
    mean, covariance = random_law(rng, d)
    low = mean - rng.uniform(0.1, 2, d)
    high = mean + rng.uniform(0.1, 2, d)
    cut = low[-1] + rng.uniform(0.2, 0.8) * (high[-1] - low[-1])
    lows, highs = np.tile(low, (3, 1)), np.tile(high, (3, 1))
    highs[1, -1] = lows[2, -1] = cut
    whole, first, second = log_boxes(lows, highs, mean, covariance)
    # the last side is conditional on the same points, so its parts add up exactly
    assert np.logaddexp(first, second) == pytest.approx(whole, abs=1e-9)
    assert whole <= 0


def test_refuses_what_is_no_box():
    one = np.zeros((1, 2))
    with pytest.raises(ValueError, match="same shape"):
        log_boxes(one, np.ones((1, 3)), np.zeros(2), np.eye(2))
    with pytest.raises(ValueError, match="below its upper side"):
        log_boxes(one, np.array([[1.0, 0.0]]), np.zeros(2), np.eye(2))
    with pytest.raises(np.linalg.LinAlgError):
        log_boxes(one, one + 1, np.zeros(2), np.array([[1.0, 2.0], [2.0, 1.0]]))
