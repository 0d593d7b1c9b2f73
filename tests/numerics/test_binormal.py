"""Rectangles of the bivariate normal law: closed forms, adaptive quadrature, scipy, and differences."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats
from scipy.special import ndtr

from capstat.numerics.binormal import log_rectangles, rectangle

INF = np.inf


def one(a1, b1, a2, b2, rho) -> float:
    return float(rectangle(*(np.array([float(v)]) for v in (a1, b1, a2, b2, rho)))[0])


def by_quad(a1, b1, a2, b2, rho) -> float:
    """scipy's adaptive quadrature of the conditional probability, broken where the edges of the other side pass."""
    spread = np.sqrt(1 - rho**2)
    low, high = max(a1, -12.0), min(b1, 12.0)

    def integrand(x):
        p, q = (a2 - rho * x) / spread, (b2 - rho * x) / spread
        inside = ndtr(-p) - ndtr(-q) if p > 0 else ndtr(q) - ndtr(p)
        return np.exp(-0.5 * x * x) / np.sqrt(2 * np.pi) * inside

    breaks = [low, high]
    for edge in (a2, b2):
        if np.isfinite(edge) and rho != 0:
            breaks += [(edge + k * spread) / rho for k in (-6, -3, 0, 3, 6)]
    breaks = sorted({x for x in breaks if low <= x <= high})
    pieces = itertools.pairwise(breaks)
    return sum(integrate.quad(integrand, a, b, epsabs=0, epsrel=1e-12, limit=200)[0] for a, b in pieces)


@pytest.mark.parametrize("rho", [-0.95, -0.5, 0.0, 0.3, 0.9, 0.999])
def test_quadrant_has_a_closed_form(rho):
    """Sheppard (1899, from memory): P(X > 0, Y > 0) = 1/4 + asin(rho) / (2 pi)."""
    assert one(0, INF, 0, INF, rho) == pytest.approx(0.25 + np.arcsin(rho) / (2 * np.pi), rel=1e-12)


@pytest.mark.parametrize("rho", [-0.9, 0.0, 0.5, 0.8, 0.97, 0.9998])
def test_against_adaptive_quadrature(rho):
    rng = np.random.default_rng(int(1000 * abs(rho)))
    checked = 0
    for _ in range(60):
        a = rng.normal(0, 1.2, 2)
        b = a + rng.choice([0.03, 0.1, 0.3, 1.0, 3.0, INF], 2)
        a[rng.random(2) < 0.2] = -INF
        got = one(a[0], b[0], a[1], b[1], rho)
        if got > 1e-25:
            assert got == pytest.approx(by_quad(a[0], b[0], a[1], b[1], rho), rel=1e-9)
            checked += 1
    assert checked > 15


def test_against_scipy_and_independence():
    normal = stats.multivariate_normal([0, 0], [[1, 0.6], [0.6, 1]])
    assert one(-INF, 0.7, -INF, -0.2, 0.6) == pytest.approx(normal.cdf([0.7, -0.2]), abs=1e-8)
    expected = (ndtr(0.4) - ndtr(-1.0)) * (ndtr(2.0) - ndtr(1.5))
    assert one(-1.0, 0.4, 1.5, 2.0, 0.0) == pytest.approx(expected, rel=1e-13)


def test_one_open_side_is_the_other_alone():
    assert one(0.2, 0.5, -INF, INF, 0.7) == pytest.approx(ndtr(0.5) - ndtr(0.2), rel=1e-12)


@given(
    st.lists(st.floats(-3, 3), min_size=3, max_size=3, unique=True).map(sorted),
    st.floats(-3, 3), st.floats(0.01, 4), st.floats(-0.99, 0.99),
)  # fmt: skip
def test_rectangles_add_up_and_do_not_care_about_order_or_sign(cuts, a2, width, rho):
    low, middle, high = cuts
    whole = one(low, high, a2, a2 + width, rho)
    assert one(low, middle, a2, a2 + width, rho) + one(middle, high, a2, a2 + width, rho) == pytest.approx(
        whole, rel=1e-8, abs=1e-16
    )
    assert one(a2, a2 + width, low, high, rho) == pytest.approx(whole, rel=1e-8, abs=1e-16)
    assert one(-high, -low, a2, a2 + width, -rho) == pytest.approx(whole, rel=1e-8, abs=1e-16)


def test_derivatives_by_differences():
    rng = np.random.default_rng(1)
    m = 60
    lower = rng.normal(0, 1, (m, 2))
    upper = lower + rng.choice([0.1, 0.5, INF], (m, 2))
    lower[::7, 0] = -INF
    at = np.column_stack((rng.normal(0, 0.5, m), rng.normal(-0.2, 0.2, m), rng.normal(0, 0.5, m),
                          rng.normal(-0.2, 0.2, m), rng.normal(0.5, 0.5, m)))  # fmt: skip
    terms = log_rectangles(lower, upper, at)
    usable = terms.value > -20
    assert usable.sum() > 40
    for k in range(5):
        shift = np.zeros(5)
        shift[k] = 1e-5
        up, down = log_rectangles(lower, upper, at + shift), log_rectangles(lower, upper, at - shift)
        slope, bend = (up.value - down.value) / 2e-5, (up.gradient - down.gradient) / 2e-5
        np.testing.assert_allclose(terms.gradient[usable, k], slope[usable], atol=1e-6, rtol=1e-6)
        np.testing.assert_allclose(terms.hessian[usable, k], bend[usable], atol=1e-5, rtol=1e-5)


def test_far_away_is_finite_or_plainly_zero():
    terms = log_rectangles(np.array([[8.0, -9.0]]), np.array([[9.0, -8.0]]), np.array([[0.0, 0.0, 0.0, 0.0, 2.0]]))
    assert terms.value[0] < -500 or np.isneginf(terms.value[0])
