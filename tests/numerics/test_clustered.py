"""Proportions and areas of clustered observations, against R's survey and pROC (recorded) and scipy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from capstat.numerics.auc import area_under_curve, score_limits_of_area
from capstat.numerics.clustered import clustered_proportion
from capstat.numerics.proportions import clopper_pearson, wilson


@pytest.mark.reference
def test_variance_and_effective_size_of_survey(reference):
    """R's survey: standard error of a mean of clusters, and svyciprop("beta"), which uses the same effective size."""
    case = reference("r09")
    steps = case.data["steps"]
    sign, cluster = np.array(steps["sign"]) == 1, np.array(steps["patient"])
    found = clustered_proportion(sign, cluster)
    case.check("sign.beta_ci95", clopper_pearson(found.value * found.effective_n, found.effective_n))
    n, groups = sign.size, np.unique(cluster).size
    own, fewer = stats.t.ppf(0.975, [n - 1, groups - 1])
    before_quantiles = found.effective_n * (fewer / own) ** 2
    case.check("sign.se", np.sqrt(found.value * (1 - found.value) / before_quantiles))
    assert (found.lower, found.upper) == pytest.approx(
        proportion_confint(found.value * found.effective_n, found.effective_n, method="wilson"), abs=1e-12
    )


@given(st.lists(st.booleans(), min_size=1, max_size=40), st.randoms())
def test_single_observations_are_wilson(success, random):
    labels = random.sample(range(1000), len(success))
    found = clustered_proportion(np.array(success), np.array(labels))
    assert (found.lower, found.upper) == wilson(sum(success), len(success))
    assert found.effective_n == len(success)


@given(st.lists(st.tuples(st.booleans(), st.integers(0, 5)), min_size=1, max_size=40), st.sampled_from([0.8, 0.95]))
def test_clusters_never_tell_more_than_their_observations(rows, level):
    success, cluster = (np.array(column) for column in zip(*rows, strict=True))
    found = clustered_proportion(success, cluster, level)
    assert 0 <= found.lower <= found.value <= found.upper <= 1
    assert found.effective_n <= found.n
    # labels and the order of observations carry nothing; clusters that all have the overall share are in the next test
    totals = np.bincount(cluster, weights=success - found.value)
    if np.abs(totals).max() > 1e-9:
        turned = clustered_proportion(~success[::-1], cluster[::-1] + 7, level)
        assert (turned.lower, turned.upper) == pytest.approx((1 - found.upper, 1 - found.lower), abs=1e-9)


def test_one_cluster_is_one_observation():
    """No variance between clusters can be seen in one, whether or not the sum of its residuals rounds to zero."""
    for size in range(2, 12):
        found = clustered_proportion(np.arange(size) > 0, np.zeros(size))
        own, fewer = stats.t.ppf(0.975, [size - 1, 1])
        assert found.effective_n == pytest.approx((own / fewer) ** 2)


def test_copies_of_an_observation_add_nothing():
    """Every cluster alike inside: the limits are never narrower than Wilson's for the clusters."""
    success = np.array([True, False, True, True, False, True])
    found = clustered_proportion(np.repeat(success, 10), np.repeat(np.arange(6), 10))
    lower, upper = wilson(4, 6)
    assert found.lower <= lower
    assert found.upper >= upper
    assert found.effective_n < 6
    alike = clustered_proportion(np.ones(60, dtype=bool), np.repeat(np.arange(6), 10))
    assert alike.lower < wilson(6, 6)[0]
    with pytest.raises(ValueError, match="at least one observation"):
        clustered_proportion(np.array([], dtype=bool), np.array([], dtype=int))


@pytest.mark.reference
def test_area_and_variance_of_proc(reference):
    case = reference("r08")
    value, positive = np.array(case.data["value"], dtype=float), np.array(case.data["positive"]) == 1
    found = area_under_curve(value, positive, np.arange(value.size))
    case.check("auc", found.value)
    case.check("delong_variance", found.variance)
    case.check("logit_ci95", (found.lower, found.upper))


def sides(value, positive):
    value, positive = np.array(value, dtype=float), np.array(positive)
    return value, positive


@given(st.lists(st.tuples(st.integers(0, 6), st.integers(0, 4)), min_size=2, max_size=40))
def test_area_is_mann_whitney(rows):
    value, positive = sides(*zip(*[(v, k < 2) for v, k in rows], strict=True))
    if positive.all() or not positive.any():
        with pytest.raises(ValueError, match="positives and negatives"):
            area_under_curve(value, positive, np.arange(value.size))
        return
    cluster = np.array([k for _, k in rows])
    found = area_under_curve(value, positive, cluster)
    u = stats.mannwhitneyu(value[positive], value[~positive], method="asymptotic").statistic
    assert found.value == pytest.approx(u / (positive.sum() * (~positive).sum()), abs=1e-12)
    assert 0 <= found.lower <= found.value + 1e-12
    assert found.value - 1e-12 <= found.upper <= 1
    turned = area_under_curve(-value, positive, cluster)
    assert (turned.lower, turned.upper) == pytest.approx((1 - found.upper, 1 - found.lower), abs=1e-6)


def test_clustered_variance_is_that_of_repeated_studies():
    """Simulation with known truth: the mean of Obuchowski's variance against the spread of areas over 1,500 studies."""
    rng = np.random.default_rng(3)
    cluster = np.repeat(np.arange(30), 4)
    areas, variances, single = [], [], []
    for _ in range(1500):
        shared = rng.normal(0, 1.5, 30)[cluster]
        positive = rng.random(120) < np.where(cluster % 3 == 0, 0.9, 0.3)
        value = shared + positive + rng.normal(0, 1, 120)
        found = area_under_curve(value, positive, cluster)
        areas.append(found.value)
        variances.append(found.variance)
        single.append(area_under_curve(value, positive, np.arange(120)).variance)
    truth = np.var(areas)
    assert np.mean(variances) == pytest.approx(truth, rel=0.12)
    assert np.mean(single) < 0.85 * truth


def test_limits_at_perfect_separation():
    """At one positive and one negative the variance is that of one binary trial: Wilson's limits for 1 of 1."""
    assert score_limits_of_area(1.0, 1, 1, 0.95) == pytest.approx(wilson(1, 1), abs=1e-8)
    found = area_under_curve(np.arange(20.0), np.arange(20) >= 10, np.arange(20))
    assert found.by_score
    assert (found.value, found.upper) == (1.0, 1.0)
    assert 0.75 < found.lower < 0.9
    fewer = area_under_curve(np.arange(20.0), np.arange(20) >= 10, np.arange(20) // 5)
    assert fewer.lower < found.lower
    once = area_under_curve(np.array([1.0, 2.0, 3.0, 0.0]), np.array([True, False, True, False]), np.zeros(4))
    assert once.by_score
    assert once.variance is None
