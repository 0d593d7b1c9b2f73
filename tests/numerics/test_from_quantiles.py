"""Means and SDs from printed quantiles: recorded case s27, exact order statistics, and simulation of known truth."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from capstat.numerics.from_quantiles import (
    QuantileSummary,
    hozo_mean,
    hozo_sd,
    lognormal_from_moments,
    luo_mean,
    luo_weights,
    skewness_test,
    wan_mean,
    wan_sd,
    wan_sd_weights,
)
from capstat.numerics.from_quantiles_error import (
    mean_standard_error,
    median_standard_error,
    normal_order_moments,
    sd_degrees,
)
from capstat.results import NotEstimableError, UsageError

PATTERNS = ("range", "quartiles", "five numbers")
QUARTERS = [0, 0.25, 0.5, 0.75, 1]


def summary(**printed):
    renamed = {"min": "minimum", "max": "maximum"}
    return QuantileSummary(**{renamed.get(name, name): value for name, value in printed.items()})


def normal_fives(n, samples, seed):
    """Minimum, quartiles and maximum of normal samples; numpy's default quantile is the position 1 + (n - 1)p."""
    values = np.random.default_rng(seed).normal(size=(samples, n))
    return np.quantile(values, QUARTERS, axis=1).T


@pytest.mark.reference
def test_recorded_case(reference):
    case = reference("s27")
    for pattern in ("S1", "S2", "S3"):
        printed = summary(**case.data[pattern])
        case.check(f"{pattern}.wan_mean", wan_mean(printed))
        case.check(f"{pattern}.wan_sd", wan_sd(printed))
        case.check(f"{pattern}.luo_mean", luo_mean(printed))
    for size in ("small", "mid", "large"):
        printed = summary(**case.data[f"hozo_{size}"])
        case.check(f"hozo_{size}(mean,sd)", [hozo_mean(printed), hozo_sd(printed)])


def test_hozo_changes_its_rule_at_its_sizes():
    """Notes of s27: median above 25; formula up to 15, a quarter of the range up to 70, a sixth above."""

    def of(n):
        return QuantileSummary(n=n, median=50, minimum=20, maximum=100)

    assert (hozo_mean(of(25)), hozo_mean(of(26))) == (55, 50)
    # (20 - 100 + 100)^2/4 + 80^2 = 100 + 6400; over 12
    assert hozo_sd(of(15)) == pytest.approx(np.sqrt(6500 / 12))
    assert (hozo_sd(of(16)), hozo_sd(of(70)), hozo_sd(of(71))) == (20, 20, pytest.approx(80 / 6))
    with pytest.raises(UsageError, match="minimum and the maximum"):
        hozo_mean(QuantileSummary(n=10, median=5, q1=4, q3=6))


@pytest.mark.parametrize(
    ("printed", "sentence"),
    [
        ({"n": 1, "median": 5, "q1": 4, "q3": 6}, "at least 2"),
        ({"n": 9, "median": 5, "q1": 4}, "Only one end of the quartiles"),
        ({"n": 9, "median": 5, "maximum": 9}, "Only one end of the range"),
        ({"n": 9, "median": 5}, "Neither the range nor the quartiles"),
        ({"n": 9, "median": 5, "q1": 4, "q3": np.nan}, "finite"),
        ({"n": 9, "median": 5, "q1": 6, "q3": 7}, "must not fall; they are 6, 5, 7"),
        ({"n": 9, "median": 5, "q1": 4, "q3": 7, "minimum": 4.5, "maximum": 9}, "must not fall"),
    ],
)
def test_impossible_summaries_are_refused(printed, sentence):
    with pytest.raises(UsageError, match=sentence):
        QuantileSummary(**printed)


@given(
    st.sampled_from(PATTERNS),
    st.integers(2, 500),
    st.lists(st.floats(-100, 100), min_size=5, max_size=5),
    st.floats(0.01, 50),
    st.floats(-100, 100),
)
def test_shift_scale_and_reflection(pattern, n, numbers, scale, shift):
    keep = {"range": "024", "quartiles": "123", "five numbers": "01234"}[pattern]
    names = ("minimum", "q1", "median", "q3", "maximum")

    def of(values):
        return QuantileSummary(n=n, **{name: values[i] for i, name in enumerate(names) if str(i) in keep})

    plain = sorted(numbers)
    moved = of([scale * x + shift for x in plain])
    turned = of([-x for x in plain[::-1]])
    for mean in (luo_mean, wan_mean):
        assert mean(moved) == pytest.approx(scale * mean(of(plain)) + shift, abs=1e-7)
        assert mean(turned) == pytest.approx(-mean(of(plain)), abs=1e-9)
    assert wan_sd(moved) == pytest.approx(scale * wan_sd(of(plain)), abs=1e-7)
    assert wan_sd(turned) == pytest.approx(wan_sd(of(plain)), abs=1e-9)
    assert luo_weights(pattern, n).sum() == pytest.approx(1)
    assert wan_sd_weights(pattern, n).sum() == pytest.approx(0, abs=1e-12)


def test_order_statistics_known_in_closed_form():
    """n = 2: mean 1/sqrt(pi), variance 1 - 1/pi, covariance 1/pi; n = 3: 3/(2 sqrt(pi)) (David & Nagaraja, from memory)."""
    expected, covariance = normal_order_moments(2, (1, 2))
    np.testing.assert_allclose(expected, [-1 / np.sqrt(np.pi), 1 / np.sqrt(np.pi)], atol=1e-12)
    np.testing.assert_allclose(covariance, [[1 - 1 / np.pi, 1 / np.pi], [1 / np.pi, 1 - 1 / np.pi]], atol=1e-12)
    expected, covariance = normal_order_moments(3, (2, 3))
    np.testing.assert_allclose(expected, [0, 1.5 / np.sqrt(np.pi)], atol=1e-12)
    assert covariance[0, 0] == pytest.approx(1 - np.sqrt(3) / np.pi, abs=1e-12)


@pytest.mark.parametrize(("n", "rank"), [(7, 1), (10, 4), (60, 60), (2000, 500)])
def test_single_order_statistics_by_adaptive_quadrature(n, rank):
    def density(z):
        return stats.beta.pdf(stats.norm.cdf(z), rank, n - rank + 1) * stats.norm.pdf(z)

    middle = float(stats.norm.ppf((rank - 0.375) / (n + 0.25)))
    ends = middle - 6, middle + 6
    expected, covariance = normal_order_moments(n, (rank,))
    mean = integrate.quad(lambda z: z * density(z), *ends, points=[middle], epsabs=1e-12, limit=200)[0]
    second = integrate.quad(lambda z: (z - mean) ** 2 * density(z), *ends, points=[middle], epsabs=1e-12, limit=200)[0]
    assert expected[0] == pytest.approx(mean, abs=1e-8)
    assert covariance[0, 0] == pytest.approx(second, abs=1e-8)


@pytest.mark.parametrize("n", [4, 5, 10, 13])
def test_rows_of_the_covariance_sum_to_one(n):
    """Cov(X_(i), sum of all) = 1 for normal samples, because the mean is independent of all differences."""
    expected, covariance = normal_order_moments(n, tuple(range(1, n + 1)))
    np.testing.assert_allclose(covariance.sum(axis=1), 1, atol=1e-10)
    np.testing.assert_allclose(expected, -expected[::-1], atol=1e-12)
    with pytest.raises(UsageError, match="must increase"):
        normal_order_moments(n, (2, 2))


@pytest.mark.parametrize("n", [2, 4, 5, 6, 7, 8, 9, 10, 31])
def test_errors_against_simulated_normal_samples(n):
    """Luo's mean spreads as said, Wan's SD too, and t limits of a single mean hold it in 95 %, in small samples more."""
    samples = 20_000
    five = normal_fives(n, samples, seed=n)
    for pattern in PATTERNS:
        means, sds = five @ luo_weights(pattern, n), five @ wan_sd_weights(pattern, n)
        se, degrees = mean_standard_error(pattern, n, 1.0), sd_degrees(pattern, n)
        assert means.std() / se == pytest.approx(1, abs=4 / np.sqrt(2 * samples))
        # Wan's divisors are approximations: 0.9158 for 0.9602 with the quartiles of 4, 1.1775 for 1.1284 with the range of 2
        assert sds.mean() == pytest.approx(1, abs=0.06 if n < 5 else 0.03)
        degrees_seen = stats.chi.std(degrees) / stats.chi.mean(degrees)
        assert sds.std() / sds.mean() == pytest.approx(degrees_seen, rel=0.03)
        held = np.mean(np.abs(means) <= stats.t.ppf(0.975, degrees) * se * sds)
        assert 0.945 <= held <= 0.98
    assert five[:, 2].std() / median_standard_error(n, 1.0) == pytest.approx(1, abs=4 / np.sqrt(2 * samples))


def test_degrees_of_the_range_are_those_of_the_published_tables():
    """Patnaik 1950, and tables of d2* in quality control: 3.83 for 5, 7.68 for 10 observations (from memory)."""
    assert sd_degrees("range", 5) == pytest.approx(3.83, abs=0.005)
    assert sd_degrees("range", 10) == pytest.approx(7.68, abs=0.005)


@settings(max_examples=25, deadline=None)
@given(st.sampled_from(PATTERNS), st.integers(2, 3000), st.floats(0.1, 100))
def test_conversion_never_tells_more_than_the_observations(pattern, n, sd):
    plain = sd / np.sqrt(n)
    found = mean_standard_error(pattern, n, sd)
    assert found >= plain * (1 - 1e-9)
    assert found <= median_standard_error(n, sd) * (1 + 1e-9)
    assert sd_degrees(pattern, n) <= max(n - 1, 1) + 1e-9


def test_errors_of_large_samples_are_the_asymptotic_ones():
    """Median: sqrt(pi/2); .7 mid-hinge + .3 median: variances p(1-p)/f^2 of quantiles (Cramér 1946, from memory)."""
    n = 100_000
    assert median_standard_error(n, 1) * np.sqrt(n) == pytest.approx(np.sqrt(np.pi / 2), rel=1e-4)
    p = np.array([0.25, 0.5, 0.75])
    f = stats.norm.pdf(stats.norm.ppf(p))
    covariance = (np.minimum.outer(p, p) - np.outer(p, p)) / np.outer(f, f)
    weights = np.array([0.35, 0.3, 0.35])
    expected = np.sqrt(weights @ covariance @ weights)
    assert mean_standard_error("quartiles", n, 1) * np.sqrt(n) == pytest.approx(expected, rel=1e-3)
    with pytest.raises(UsageError, match="SD must be"):
        mean_standard_error("range", 10, 0.0)
    with pytest.raises(UsageError, match="at least 2"):
        sd_degrees("range", 1)


def test_skewness_by_hand():
    """Range 20, 50, 90 of 12: |110 - 100|/70 = 1/7 against 1/log(21) + 2.5/13 = 0.5208."""
    found = skewness_test(QuantileSummary(n=12, median=50, minimum=20, maximum=90))
    assert (found.statistic, found.critical) == pytest.approx((1 / 7, 0.520766), abs=1e-6)
    assert not found.rejected
    # quartiles 40, 42, 60 of 100: 16/20 against 0.265 - 0.0006
    found = skewness_test(QuantileSummary(n=100, median=42, q1=40, q3=60))
    assert (found.statistic, found.critical) == pytest.approx((0.8, 0.2644))
    assert found.rejected
    # five numbers, n = 25: the range counts 2.65 log(15)/5 = 1.43526 times; 3/5 - 40/15625 = 0.59744
    found = skewness_test(QuantileSummary(n=25, median=42, q1=40, q3=45, minimum=30, maximum=90))
    assert (found.statistic, found.critical) == pytest.approx((1.435266 * 36 / 60, 0.59744), abs=1e-5)
    assert found.rejected


def test_skewness_needs_five_and_a_spread():
    with pytest.raises(NotEstimableError, match="at least 5 observations; there are 4"):
        skewness_test(QuantileSummary(n=4, median=5, q1=4, q3=6))
    with pytest.raises(NotEstimableError, match="Both ends of the quartiles are 5"):
        skewness_test(QuantileSummary(n=9, median=5, q1=5, q3=5))


@pytest.mark.parametrize("n", [5, 6, 9, 10, 25, 61])
def test_size_and_power_of_the_skewness_test(n):
    """No more than 5 % of normal samples are rejected; exponentiated ones (log SD 1) far more often with the range."""
    samples = 3000
    normal = normal_fives(n, samples, seed=100 + n)
    skewed = np.exp(normal)
    names = {"range": (0, 2, 4), "quartiles": (1, 2, 3), "five numbers": (0, 1, 2, 3, 4)}
    fields = ("minimum", "q1", "median", "q3", "maximum")
    for pattern, used in names.items():
        rates = [
            np.mean([skewness_test(QuantileSummary(n=n, **{fields[i]: row[i] for i in used})).rejected for row in five])
            for five in (normal, skewed)
        ]
        assert rates[0] <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / samples)
        if pattern != "quartiles":
            assert rates[1] > 0.15
    if n >= 25:
        assert rates[1] > 0.9


@given(st.floats(-3, 6), st.floats(0.01, 1.2), st.integers(2, 500))
def test_lognormal_moments_there_and_back(mu, sigma, n):
    law = stats.lognorm(sigma, scale=np.exp(mu))
    found = lognormal_from_moments(law.mean(), law.std(), n)
    assert (found.mu, found.sigma) == pytest.approx((mu, sigma), abs=1e-8)
    w = np.exp(sigma**2)
    assert found.se_mu**2 * n == pytest.approx(4 * (w - 1) - 2 * (w**2 - 1) + (w**4 - 1) / 4, rel=1e-7)
    spread = 2 * (n - 1) * sigma**4 / found.degrees
    assert spread == pytest.approx(w**4 - 1 + 4 * (w - 1) - 4 * (w**2 - 1), rel=1e-3)
    # the moments tell no more than the logarithms themselves
    assert found.se_mu >= sigma / np.sqrt(n) * (1 - 1e-9)
    assert found.degrees <= n - 1 + 1e-9


@pytest.mark.parametrize("n", [8, 15, 60])
@pytest.mark.parametrize("sigma", [0.2, 0.4])
def test_lognormal_moments_against_simulation(n, sigma):
    samples = 2000
    values = np.exp(4.2 + sigma * np.random.default_rng(n).normal(size=(samples, n)))
    found = [
        lognormal_from_moments(m, s, n) for m, s in zip(values.mean(axis=1), values.std(axis=1, ddof=1), strict=True)
    ]
    mu, se, degrees = np.array([[x.mu, x.se_mu, x.degrees] for x in found]).T
    law = stats.lognorm(sigma, scale=np.exp(4.2))
    truth = lognormal_from_moments(law.mean(), law.std(), n)
    assert mu.std() / truth.se_mu == pytest.approx(1, abs=0.05)
    held = np.mean(np.abs(mu - 4.2) <= stats.t.ppf(0.975, degrees) * se)
    assert held == pytest.approx(0.95, abs=3 * np.sqrt(0.95 * 0.05 / samples))


def test_impossible_moments_are_refused():
    for mean, sd in ((0, 1), (5, 0), (-5, 1), (np.inf, 1)):
        with pytest.raises(UsageError, match="finite and above 0"):
            lognormal_from_moments(mean, sd, 10)
    with pytest.raises(UsageError, match="at least 2"):
        lognormal_from_moments(5, 1, 1)
