"""Binomial-normal model against R (lme4, metafor, a dense rule), a published table, scipy's integrals and simulation."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats
from scipy.special import expit, logit

from capstat.numerics import quadrature
from capstat.numerics.binomial_normal import pool_proportions
from capstat.numerics.binomial_normal_fit import Studies, maximum
from capstat.numerics.binomial_normal_groups import compare_subgroups, leave_one_out
from capstat.numerics.binomial_normal_likelihood import log_likelihood
from capstat.numerics.proportions import clopper_pearson
from capstat.numerics.small_sample import drop_in_log_likelihood
from capstat.results import NotEstimableError, UsageError

SETS = [
    "few_uneven",
    "high",
    "wide_spread",
    "large",
    "many",
    "ends",
    "no_spread",
    "two",
    "stijnen_control",
    "stijnen_treated",
]
HARD = (np.array([9.0, 38, 300, 12, 10, 0]), np.array([10.0, 60, 300, 25, 10, 40]))


def counts(case, name):
    return np.array(case.data[name], dtype=float).T


@pytest.mark.reference
@pytest.mark.parametrize("name", SETS)
def test_maximum_of_r(reference, name):
    """R 4.2.2: a dense rule with optim; lme4's glmer with 25 nodes; metafor's rma.glmm."""
    case = reference("r15")
    best = maximum(Studies(*counts(case, name)))
    found = pool_proportions(*counts(case, name))
    case.check(f"{name}.mu", best.mu)
    case.check(f"{name}.tau", best.tau)
    case.check(f"{name}.log_likelihood", best.slopes.value)
    case.check(f"{name}.tau_zero_log_likelihood", found.log_likelihood_no_spread)
    for key in ("glmer", "rma_glmm"):
        case.check(f"{name}.{key}", (found.mu, found.tau, found.se))
    case.check(f"{name}.glmer_log_likelihood", found.log_likelihood)


@pytest.mark.reference
@pytest.mark.parametrize("name", ["few_uneven", "ends", "two", "stijnen_control"])
def test_profile_limits_of_r(reference, name):
    case = reference("r15")
    case.check(f"{name}.profile_mu", logit(pool_proportions(*counts(case, name)).profile))


def test_published_table_of_stijnen(reference):
    """Stijnen, Hamza & Ozdemir 2010, table II, as repeated in metafor's tests: mean, standard error, variance, share."""
    case = reference("r15")
    for name, printed in (("stijnen_control", (-3.50, 0.26, 0.81)), ("stijnen_treated", (-4.81, 0.36, 0.83))):
        found = pool_proportions(*counts(case, name))
        assert (found.mu, found.se, found.tau**2) == pytest.approx(printed, abs=0.0051)
        assert found.share == pytest.approx({"stijnen_control": 0.029, "stijnen_treated": 0.008}[name], abs=0.0005)


@pytest.mark.parametrize("tau", [0.05, 0.7, 3.0, 12.0, 30.0])
def test_likelihood_is_the_integral(tau):
    """Scipy's adaptive quadrature, study by study, with the binomial probabilities of scipy."""
    x, n = HARD
    expected = 0.0
    for events, total in zip(x, n, strict=True):

        def integrand(theta, events=events, total=total):
            return stats.binom.pmf(events, total, expit(theta)) * stats.norm.pdf(theta, 1.0, tau)

        guess = logit((events + 0.5) / (total + 1))
        cuts = np.unique(
            np.concatenate([1 + tau * np.array([-14.0, -3, 0, 3, 14]), guess + np.array([-2, -0.5, 0, 0.5, 2, 6])])
        )
        cuts = cuts[(cuts >= 1 - 14 * tau) & (cuts <= 1 + 14 * tau)]
        pieces = [integrate.quad(integrand, a, b, epsabs=0, epsrel=1e-11)[0] for a, b in pairwise(cuts)]
        expected += np.log(sum(pieces))
    assert log_likelihood(x, n, 1.0, tau).value == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("tau", [0.05, 0.7, 3.0, 12.0, 30.0])
def test_more_nodes_change_nothing(tau, monkeypatch):
    before = log_likelihood(*HARD, 1.0, tau)
    nodes, weights = np.polynomial.legendre.leggauss(40)
    monkeypatch.setattr(quadrature, "_legendre", lambda: ((nodes + 1) / 2, weights / 2))
    after = log_likelihood(*HARD, 1.0, tau)
    assert after.value == pytest.approx(before.value, abs=1e-10)
    assert after.tau_tau == pytest.approx(before.tau_tau, rel=1e-9, abs=1e-9)


@given(st.floats(-4, 4), st.floats(0.3, 8))
@settings(max_examples=20, deadline=None)
def test_derivatives_are_those_of_the_value(mu, tau):
    """Central differences: of the value for the slopes, of the slopes for the second derivatives."""
    step = 1e-5
    here = log_likelihood(*HARD, mu, tau)
    by_mu = [log_likelihood(*HARD, mu + side, tau) for side in (step, -step)]
    by_tau = [log_likelihood(*HARD, mu, tau + side) for side in (step, -step)]

    def difference(pair, name):
        return (getattr(pair[0], name) - getattr(pair[1], name)) / (2 * step)

    got = (here.mu, here.tau, here.mu_mu, here.mu_tau, here.mu_tau, here.tau_tau)
    expected = [difference(*which) for which in (
        (by_mu, "value"), (by_tau, "value"), (by_mu, "mu"), (by_tau, "mu"), (by_mu, "tau"), (by_tau, "tau")
    )]  # fmt: skip
    assert got == pytest.approx(expected, rel=1e-6, abs=1e-5)


def test_derivatives_where_tau_vanishes():
    """The closed form at 0 is where the integrals go."""
    zero, near = log_likelihood(*HARD, 1.0, 0.0), log_likelihood(*HARD, 1.0, 1e-6)
    for name in ("value", "mu", "mu_mu"):
        assert getattr(near, name) == pytest.approx(getattr(zero, name), rel=1e-7)
    # the slope by tau is tau times the curvature at 0
    assert near.tau / 1e-6 == pytest.approx(zero.tau_tau, rel=1e-5)


studies = st.lists(
    st.integers(1, 60).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))), min_size=2, max_size=7
)


@given(studies)
@settings(max_examples=15, deadline=None)
def test_no_point_has_a_higher_likelihood(rows):
    x, n = np.array(rows, dtype=float).T
    if ((x == 0) | (x == n)).all():
        return
    best = maximum(Studies(x, n))
    for tau in (0.0, 0.02, 0.15, 0.6, 1.5, 4.0, 9.0):
        for mu in np.linspace(-5, 5, 6) + best.mu:
            assert log_likelihood(x, n, mu, tau).value <= best.slopes.value + 1e-9
    if best.tau > 0:
        assert abs(best.slopes.mu) + abs(best.slopes.tau) < 1e-5 * (1 + n.sum())


@given(studies)
@settings(max_examples=12, deadline=None)
def test_what_every_result_keeps(rows):
    x, n = np.array(rows).T
    found, turned = pool_proportions(x, n), pool_proportions((n - x)[::-1], n[::-1])
    assert found.common_share == x.sum() / n.sum()
    if found.share is None:
        assert found.reason
        assert found.lower is found.upper is found.tau is None
        return
    assert found.lower <= found.share <= found.upper
    # events and their absence are the same, and studies have no order
    assert (turned.share, turned.lower, turned.upper) == pytest.approx(
        (1 - found.share, 1 - found.upper, 1 - found.lower), abs=1e-6
    )
    if found.share in (0, 1):
        assert found.reason
        assert found.prediction is found.tau is None
        return
    assert found.lower <= found.profile[0] <= found.profile[1] <= found.upper
    assert found.tau_limits[0] <= found.tau <= found.tau_limits[1]
    assert (found.tau == 0) == (found.spread_p == 1)
    # the mean share lies between one half and the median share
    assert min(0.5, found.share) - 1e-9 <= found.mean_share <= max(0.5, found.share) + 1e-9
    assert found.mean_limits[0] <= found.mean_share <= found.mean_limits[1]
    if found.k > 2:
        assert found.prediction[0] <= found.share <= found.prediction[1]
    else:
        assert found.prediction is None
        assert "three studies" in found.prediction_reason
    if found.tau == 0:
        assert (found.share, found.mean_share) == pytest.approx((found.common_share,) * 2, abs=1e-9)


@pytest.mark.parametrize("name", ["few_uneven", "ends"])
def test_limits_lie_where_the_profile_has_fallen(reference, name):
    """Dense search over the other parameter, apart from the code of the limits."""
    x, n = counts(reference("r15"), name)
    found = pool_proportions(x, n)
    chi = stats.chi2.ppf(0.95, 1) / 2
    for limits, drop in ((found.profile, chi), (found.profile_small_sample, drop_in_log_likelihood(x.size, 1, 0.95))):
        for mu in logit(limits):
            taus = np.concatenate([[0.0], np.geomspace(0.01, 30, 200)])
            values = [log_likelihood(x, n, mu, tau).value for tau in taus]
            assert max(values) == pytest.approx(found.log_likelihood - drop, abs=3e-3)
    for tau in found.tau_limits:
        if tau > 0:
            values = [log_likelihood(x, n, mu, tau).value for mu in np.linspace(-8, 8, 801)]
            assert max(values) == pytest.approx(found.log_likelihood - chi, abs=3e-3)


def test_means_and_predictions_by_integration(reference):
    found = pool_proportions(*counts(reference("r15"), "wide_spread"))
    mean = integrate.quad(lambda z: expit(found.mu + found.tau * z) * stats.norm.pdf(z), -12, 12, epsabs=1e-12)[0]
    assert found.mean_share == pytest.approx(mean, abs=1e-10)
    width = stats.t.ppf(0.975, 5) * np.sqrt(found.tau**2 + found.se**2)
    assert logit(found.prediction) == pytest.approx((found.mu - width, found.mu + width))
    assert logit(found.wald) == pytest.approx(found.mu + stats.t.ppf([0.025, 0.975], 6) * found.se)
    statistic = 2 * (found.log_likelihood - found.log_likelihood_no_spread)
    assert found.spread_p == pytest.approx(stats.chi2.sf(statistic, 1) / 2, rel=1e-6)
    assert found.common_limits == clopper_pearson(222, 490)


def test_nothing_but_events():
    """Six studies: the exact limit at tau = 0 is Clopper and Pearson's.  Five: 2^-5 is above 0.025, so there is none."""
    six = pool_proportions([10] * 6, [10] * 6)
    assert (six.share, six.upper) == (1.0, 1.0)
    assert six.lower == pytest.approx(clopper_pearson(60, 60)[0], abs=1e-8)
    assert six.common_limits == clopper_pearson(60, 60)
    assert "infinite on the logit scale" in six.reason
    none = pool_proportions([0] * 6, [10] * 6)
    assert (none.share, none.lower, none.upper) == (0.0, 0.0, pytest.approx(1 - six.lower, abs=1e-8))
    five = pool_proportions([10] * 5, [10] * 5)
    assert (five.lower, five.upper) == (0.0, 1.0)
    assert "so few studies" in five.reason
    assert pool_proportions([10] * 5, [10] * 5, level=0.8).lower > 0.5


def test_exact_limit_holds_whatever_tau_is():
    """Uneven sizes, where tau = 0 is not the worst case: at the limit no tau makes the data likelier than 0.025."""
    n = np.array([300.0, 10, 10, 10, 10, 10, 10])
    lower = logit(pool_proportions(n, n).lower)
    values = [log_likelihood(n, n, lower, tau).value for tau in np.concatenate([[0.0], np.geomspace(0.01, 30, 300)])]
    assert max(values) == pytest.approx(np.log(0.025), abs=1e-3)
    assert values[0] < np.log(0.02)


def test_both_ends_and_nothing_between():
    found = pool_proportions([0, 10, 12], [10, 10, 12])
    assert found.share is None
    assert "both occur" in found.reason
    # the limit of the likelihood: one study of three at the other end
    assert found.log_likelihood == pytest.approx(2 * np.log(2 / 3) + np.log(1 / 3))
    assert log_likelihood(np.array([0.0, 10, 12]), np.array([10.0, 10, 12]), 25.8, 60.0).value == pytest.approx(
        found.log_likelihood, abs=0.2
    )


def test_leaving_one_out(reference):
    x, n = counts(reference("r15"), "high")
    for i, without in enumerate(leave_one_out(x, n)):
        kept = np.arange(5) != i
        assert without == pool_proportions(x[kept], n[kept])
    with pytest.raises(NotEstimableError, match="nothing to pool"):
        leave_one_out([3, 4], [10, 10])


def test_subgroups(reference):
    """Likelihood ratio by direct maximisation with scipy over two means and one spread."""
    from scipy.optimize import minimize

    x, n = counts(reference("r15"), "many")
    groups = ["old"] * 5 + ["new"] * 7
    found = compare_subgroups(x, n, groups)

    def minus(p):
        return -sum(
            log_likelihood(x[s], n[s], m, abs(p[2])).value for s, m in ((slice(0, 5), p[0]), (slice(5, 12), p[1]))
        )

    best = minimize(
        minus, [0.0, 0.0, 0.3], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-11, "maxiter": 2000}
    )
    pooled = pool_proportions(x, n)
    assert found.statistic == pytest.approx(2 * (-best.fun - pooled.log_likelihood), abs=1e-7)
    assert found.tau == pytest.approx(abs(best.x[2]), abs=1e-5)
    assert [group.share_common_tau for group in found.groups] == pytest.approx(expit(best.x[:2]), abs=1e-6)
    assert [group.name for group in found.groups] == ["old", "new"]
    assert found.groups[0].pooled == pool_proportions(x[:5], n[:5])
    assert found.p_chi_square == pytest.approx(stats.chi2.sf(found.statistic, 1))
    # with two groups the F version is the t test that the likelihood ratio of a normal model amounts to
    t = np.sqrt(10 * np.expm1(found.statistic / 12))
    assert found.p_value == pytest.approx(2 * stats.t.sf(t, 10))


def test_subgroup_at_the_end():
    found = compare_subgroups([10, 12, 5, 8], [10, 12, 10, 15], ["a", "a", "b", "b"])
    assert found.groups[0].share_common_tau == 1.0
    # the group at 100 % has likelihood 1
    assert found.statistic == pytest.approx(
        2 * (maximum(Studies(np.array([5.0, 8]), np.array([10.0, 15]))).slopes.value
             - pool_proportions([10, 12, 5, 8], [10, 12, 10, 15]).log_likelihood), abs=1e-8)  # fmt: skip


@pytest.mark.parametrize(
    ("events", "totals", "error", "words"),
    [
        ([3], [10], NotEstimableError, "one study only: nothing to pool"),
        ([], [], NotEstimableError, "no study"),
        ([3, 0], [10, 0], UsageError, "at least 1"),
        ([3, 11], [10, 10], UsageError, "between 0 and the total"),
        ([3, -1], [10, 10], UsageError, "between 0 and the total"),
        ([3, 2.5], [10, 10], UsageError, "whole numbers"),
        ([3, np.nan], [10, 10], UsageError, "whole numbers"),
        ([3, None], [10, 10], UsageError, "whole numbers"),
        (["a", "b"], [10, 10], UsageError, "whole numbers"),
        ([3, 4], [10, np.inf], UsageError, "whole numbers"),
        ([3, 4], [10], UsageError, "one number for each study"),
        (3, 10, UsageError, "one number for each study"),
    ],
)
def test_refusals(events, totals, error, words):
    with pytest.raises(error, match=words):
        pool_proportions(events, totals)


def test_refusals_of_groups_and_levels():
    with pytest.raises(UsageError, match="level"):
        pool_proportions([3, 4], [10, 10], level=1.0)
    with pytest.raises(UsageError, match="one name for each study"):
        compare_subgroups([3, 4], [10, 10], ["a"])
    with pytest.raises(UsageError, match="at least two groups"):
        compare_subgroups([3, 4], [10, 10], ["a", "a"])
    with pytest.raises(NotEstimableError, match="The group b has fewer than 2"):
        compare_subgroups([3, 4, 5], [10, 10, 10], ["a", "a", "b"])
    with pytest.raises(NotEstimableError, match="both occur"):
        compare_subgroups([0, 10, 0, 10], [10] * 4, ["a", "a", "b", "b"])


def test_large_and_tiny_studies_together():
    """A million observations beside one: the integrals keep their digits and the estimate is that of the large ones."""
    found = pool_proportions([900_000, 450_123, 1], [1_000_000, 500_000, 1])
    assert found.share == pytest.approx(0.9001, abs=0.0005)
    assert found.tau < 0.01


def coverage(k: int, share: float, tau: float, studies: int, seed: int) -> dict[str, float]:
    """Share of simulated reviews whose limits hold the share in the median study, for three kinds of limits and the mean."""
    rng = np.random.default_rng(seed)
    held: dict[str, list[bool]] = {"headline": [], "profile": [], "wald": [], "common": [], "mean": []}
    mean = integrate.quad(lambda z: expit(logit(share) + tau * z) * stats.norm.pdf(z), -10, 10)[0]
    for _ in range(studies):
        n = np.round(np.exp(rng.uniform(np.log(10), np.log(300), k))).astype(int)
        found = pool_proportions(*(rng.binomial(n, expit(rng.normal(logit(share), tau, k))), n))
        if found.share is None:
            continue
        held["headline"].append(found.lower <= share <= found.upper)
        held["common"].append(found.common_limits[0] <= share <= found.common_limits[1])
        if found.profile is not None:
            held["profile"].append(found.profile[0] <= share <= found.profile[1])
            held["wald"].append(found.wald[0] <= share <= found.wald[1])
            held["mean"].append(found.mean_limits[0] <= mean <= found.mean_limits[1])
    return {name: float(np.mean(values)) for name, values in held.items()}


@pytest.mark.slow
@pytest.mark.parametrize("k", [2, 3, 5, 10])
@pytest.mark.parametrize("share", [0.5, 0.9, 0.97])
@pytest.mark.parametrize("tau", [0.0, 0.5, 1.0])
def test_headline_limits_hold(k, share, tau):
    """Nominal 95 %, 200 reviews each: Monte Carlo standard error 1.5 percentage points."""
    found = coverage(k, share, tau, 200, seed=1)
    assert found["headline"] >= 0.91, found
