"""The joint law of two thresholds: scipy's bivariate normal, closed forms, invented patients, and what is refused."""

from __future__ import annotations

from time import perf_counter

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from capstat.numerics.binormal import rectangle
from capstat.protocol.paired_law import MarginalLaw, PairedLaw

INF = np.inf
AP, AL = "anterior-posterior", "anterior-lateral"


def law(means=(4.6, 5.0), sds=(0.33, 0.33), rho=0.8, capturable=1.0, draws=0, seed=1, **others) -> PairedLaw:
    rng = np.random.default_rng(seed)
    noise = np.vstack((np.zeros(6), rng.normal(0, 0.05, (draws, 6))))
    return PairedLaw(
        (AP, AL), np.array(means) + noise[:, :2], np.array(sds) * np.exp(noise[:, 2:4]),
        np.tanh(np.arctanh(rho) + noise[:, 4]), np.clip(capturable + 0.1 * noise[:, 5], 0, 1), "invented", **others,
    )  # fmt: skip


sides = st.tuples(st.floats(0, 300), st.floats(0, 300)).map(sorted)
laws = st.builds(
    law,
    means=st.tuples(st.floats(3.5, 5.5), st.floats(3.5, 5.5)),
    sds=st.tuples(st.floats(0.02, 1.0), st.floats(0.02, 1.0)),
    rho=st.floats(-0.9998, 0.9998),
    capturable=st.floats(0, 1),
    draws=st.integers(0, 3),
)


@pytest.mark.reference
@pytest.mark.parametrize("rho", [-0.95, -0.4, 0.0, 0.3, 0.82, 0.97, 0.9998])
def test_rectangles_as_in_scipy_and_in_the_quadrature_of_the_package(rho):
    """scipy.stats.multivariate_normal.cdf with lower_limit; the fitted likelihood's own rectangles as second route."""
    one = law(rho=rho, sds=(0.3, 0.4))
    rng = np.random.default_rng(3)
    low = rng.uniform(20, 180, (40, 2))
    high = np.where(rng.random((40, 2)) < 0.3, INF, low + rng.uniform(1, 80, (40, 2)))
    low = np.where(rng.random((40, 2)) < 0.2, 0.0, low)
    got = one.probability(low[:, 0], high[:, 0], low[:, 1], high[:, 1])[0]
    with np.errstate(divide="ignore"):
        a, b = ((np.log(side) - one.log_means[0]) / one.log_sds[0] for side in (low, high))
    correlation = np.array([[1, rho], [rho, 1]])
    expected = [
        stats.multivariate_normal.cdf(upper, cov=correlation, lower_limit=lower)
        for lower, upper in zip(a, b, strict=True)
    ]
    np.testing.assert_allclose(got, expected, rtol=0, atol=1e-8)
    np.testing.assert_allclose(
        got, rectangle(a[:, 0], b[:, 0], a[:, 1], b[:, 1], np.full(40, rho)), rtol=0, atol=1e-14
    )  # fmt: skip


@pytest.mark.parametrize("rho", [-0.6, 0.0, 0.5, 0.99])
def test_currents_exactly_at_the_medians(rho):
    """Sheppard's closed form, P(both above their medians) = 1/4 + asin(rho) / (2 pi), and halves of margins."""
    one = law(means=(0.0, 0.0), rho=rho)
    assert one.probability(1.0, INF, 1.0, INF)[0] == pytest.approx(0.25 + np.arcsin(rho) / (2 * np.pi), abs=1e-15)
    assert one.probability(0.0, 1.0, 1.0, INF)[0] == pytest.approx(0.25 - np.arcsin(rho) / (2 * np.pi), abs=1e-15)
    for other in (0.5, 0.9, 1.0 - 1e-9, 1.0 + 1e-9, 1.4):
        expected = rectangle(*(np.array([v]) for v in (0.0, INF, np.log(other) / 0.33, INF, rho)))[0]
        assert one.probability(1.0, INF, other, INF)[0] == pytest.approx(expected, abs=1e-14)
        assert one.probability(other, INF, 1.0, INF)[0] == pytest.approx(expected, abs=1e-14)


def test_never_captured_are_in_the_rectangle_open_above_on_both_sides_only():
    one = law(rho=0.0, capturable=0.9)
    high = stats.norm.sf((np.log(150) - 4.6) / 0.33), stats.norm.sf((np.log(150) - 5.0) / 0.33)
    assert one.probability(150, INF, 150, INF)[0] == pytest.approx(0.9 * high[0] * high[1] + 0.1)
    assert one.probability(150, INF, 0, 150)[0] == pytest.approx(0.9 * high[0] * (1 - high[1]))
    assert one.probability(0, INF, 0, INF)[0] == pytest.approx(1.0)
    assert one.probability(0, 1e9, 0, 1e9)[0] == pytest.approx(0.9)


def test_rows_are_independent_of_each_other_and_rectangles_broadcast():
    many = law(draws=5, capturable=0.95)
    low, high = np.array([[50.0], [90.0]]), np.array([100.0, 120.0, INF])
    got = many.probability(low, high, 40.0, 130.0)
    assert got.shape == (6, 2, 3)
    for row in range(6):
        own = PairedLaw(
            (AP, AL), many.log_means[[row]], many.log_sds[[row]], many.correlation[[row]], many.capturable[[row]], "row"
        )
        np.testing.assert_array_equal(own.probability(low, high, 40.0, 130.0)[0], got[row])
    currents = np.linspace(60, 110, 6)
    by_row = many.above_by_row(currents, currents)
    np.testing.assert_allclose(by_row, np.diagonal(many.probability(currents, INF, currents, INF)), atol=1e-14)


def test_many_rows_and_rectangles_are_quick():
    many = law(draws=200, rho=0.9997)
    low = np.linspace(20, 150, 500)
    start = perf_counter()
    assert many.probability(low, low + 5, 150 - low / 2, INF).shape == (201, 500)
    # 0.12 s on the machine it was written on
    assert perf_counter() - start < 1.5


def test_invented_patients():
    """A million patients; the share in each rectangle within 4.5 standard errors."""
    rng = np.random.default_rng(5)
    n = 1_000_000
    one = law(rho=0.82, capturable=0.93)
    z = rng.standard_normal((n, 2))
    z[:, 1] = 0.82 * z[:, 0] + np.sqrt(1 - 0.82**2) * z[:, 1]
    t = np.exp(one.log_means[0] + one.log_sds[0] * z)
    t[rng.random(n) >= 0.93] = INF
    for a, b, c, d in ((60, 100, 80, 140), (100, INF, 100, INF), (100, INF, 0, 140), (0, INF, 140, INF)):
        inside = ((t[:, 0] > a) & (t[:, 0] <= b) & (t[:, 1] > c) & (t[:, 1] <= d)).mean()
        expected = one.probability(a, b, c, d)[0]
        assert abs(inside - expected) < 4.5 * np.sqrt(expected * (1 - expected) / n)


@settings(max_examples=60, deadline=None)
@given(one=laws, first=st.lists(st.floats(0.1, 300), max_size=3), second=st.lists(st.floats(0.1, 300), max_size=3))
def test_a_partition_holds_everybody(one, first, second):
    edges = [np.array([0.0, *sorted(cuts), INF]) for cuts in (first, second)]
    got = one.probability(edges[0][:-1, None], edges[0][1:, None], edges[1][:-1], edges[1][1:])
    assert np.all((got >= 0) & (got <= 1))
    np.testing.assert_allclose(got.sum(axis=(1, 2)), 1.0, atol=1e-12)


@settings(max_examples=60, deadline=None)
@given(one=laws, first=sides, second=sides, factor=st.floats(0.2, 5))
def test_scaling_and_swapping(one, first, second, factor):
    got = one.probability(*first, *second)
    scaled = one.scaled(factor).probability(*(factor * side for side in (*first, *second)))
    # at standard deviations of 0.02, rounding of a current is multiplied by 50
    np.testing.assert_allclose(scaled, got, atol=1e-11)
    swapped = one.swapped()
    assert swapped.names == (AL, AP)
    np.testing.assert_allclose(swapped.probability(*second, *first), got, atol=1e-13)


@settings(max_examples=40, deadline=None)
@given(one=laws, side=sides, k=st.sampled_from([0, 1]))
def test_marginal_is_the_law_with_the_other_side_open(one, side, k):
    margin = one.marginal(k)
    with np.errstate(divide="ignore"):
        a, b = ((np.log(current) - margin.log_mean) / margin.log_sd for current in side)
    expected = margin.capturable * (stats.norm.cdf(b) - stats.norm.cdf(a))
    other = (0.0, INF)
    got = one.probability(*((*side, *other) if k == 0 else (*other, *side)))
    np.testing.assert_allclose(got, expected, atol=1e-13)
    assert margin.name == one.names[k]


def test_assumed_law_says_so_and_keeps_both_margins():
    first = MarginalLaw(AP, np.array([4.5, 4.6]), np.array([0.3, 0.31]), np.ones(2), 200)
    second = MarginalLaw(AL, np.array([4.7, 4.8]), np.array([0.35, 0.3]), np.ones(2), 300)
    joined = PairedLaw.assumed(first, second, 0.6, "two groups of a registry")
    assert joined.is_assumed
    assert joined.n_patients == 500
    assert joined.notes == ("the correlation of 0.6 between the two thresholds of a patient is assumed, not observed",)
    assert joined.source == "two groups of a registry"
    np.testing.assert_array_equal(joined.correlation, 0.6)
    for k, margin in enumerate((first, second)):
        np.testing.assert_array_equal(joined.marginal(k).log_mean, margin.log_mean)
        np.testing.assert_array_equal(joined.marginal(k).log_sd, margin.log_sd)


def test_assumed_law_of_two_shares_never_captured():
    """Each placement keeps its own share; neither captures those whom the better one does not (the Frechet bound)."""
    first = MarginalLaw(AP, np.array([4.5]), np.array([0.3]), np.array([0.98]))
    second = MarginalLaw(AL, np.array([4.7]), np.array([0.3]), np.array([0.90]))
    joined = PairedLaw.assumed(first, second, 0.0)
    for law, k in ((joined, 0), (joined.swapped(), 1)):
        # beyond every threshold: with neither, and with the second only not
        assert law.probability(1e6, INF, 1e6, INF)[0] == pytest.approx(0.02, abs=1e-12)
        assert law.marginal(k).capturable[0] == pytest.approx(0.98)
        assert law.marginal(1 - k).capturable[0] == pytest.approx(0.90)
    assert joined.notes[1] == (
        "whom no current captures with anterior-posterior is assumed to be captured with neither"
    )
    # with the second alone 8 of 100 are out of reach, whose threshold with the first follows its own law (scipy)
    below = stats.norm.cdf((np.log(100) - 4.5) / 0.3)
    assert joined.probability(0, 100, 1e6, INF)[0] == pytest.approx(0.08 * below, abs=1e-12)
    grid = np.array([0.0, 60.0, 90.0, 140.0])
    cells = joined.probability(grid[:, None], np.append(grid[1:], INF)[:, None], grid, np.append(grid[1:], INF))
    assert cells.sum() == pytest.approx(1.0)
    share = 0.98 * stats.norm.cdf((np.log(140) - 4.5) / 0.3)
    assert cells[0, :3].sum() == pytest.approx(share)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"log_means": np.zeros((2, 2))}, r"log_means has \(2, 2\)"),
        ({"log_sds": np.ones(2)}, r"log_sds has \(2,\)"),
        ({"correlation": np.float64(0.5)}, "shape"),
        ({"capturable": np.ones((1, 1))}, r"capturable has \(1, 1\)"),
        ({"log_means": np.array([[4.6, np.nan]])}, "mean of log threshold"),
        ({"log_sds": np.array([[0.3, 0.0]])}, "standard deviation .* above 0"),
        ({"log_sds": np.array([[0.3, INF]])}, "standard deviation .* above 0"),
        ({"correlation": np.array([1.0])}, "strictly between -1 and 1"),
        ({"correlation": np.array([np.nan])}, "strictly between -1 and 1"),
        ({"capturable": np.array([1.01])}, "between 0 and 1"),
        ({"names": (AP, AP)}, "different names"),
    ],
)
def test_impossible_laws_are_refused(changes, said):
    good = {
        "names": (AP, AL), "log_means": np.array([[4.6, 5.0]]), "log_sds": np.array([[0.3, 0.3]]),
        "correlation": np.array([0.5]), "capturable": np.ones(1), "source": "invented",
    }  # fmt: skip
    PairedLaw(**good)
    with pytest.raises(ValueError, match=said):
        PairedLaw(**(good | changes))


@pytest.mark.parametrize(
    "bad", [(-1, 5, 0, INF), (6, 5, 0, INF), (0, INF, np.nan, INF), (0, INF, INF, INF), (0, np.nan, 0, INF)]
)
def test_impossible_rectangles_are_refused(bad):
    with pytest.raises(ValueError, match="A side of a rectangle"):
        law().probability(*bad)


def test_other_refusals():
    with pytest.raises(ValueError, match="multiplied by a finite number above 0, not by 0"):
        law().scaled(0.0)
    first = MarginalLaw(AP, np.full(3, 4.5), np.full(3, 0.3), np.ones(3))
    with pytest.raises(ValueError, match="same number of draws, not 2 and 0"):
        PairedLaw.assumed(first, MarginalLaw(AL, np.full(1, 4.5), np.full(1, 0.3), np.ones(1)), 0.5)
    with pytest.raises(ValueError, match="of one axis and one length"):
        MarginalLaw(AP, np.full(3, 4.5), np.full(2, 0.3), np.ones(3))
    with pytest.raises(ValueError, match="standard deviation"):
        MarginalLaw(AP, np.full(1, 4.5), np.full(1, -0.3), np.ones(1))
