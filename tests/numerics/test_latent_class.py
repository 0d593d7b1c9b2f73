"""Latent classes: R and LEM (r10, r11), scipy's optimiser and G^2, exact tables with a known truth, and identities."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from capstat.numerics.latent_checks import (
    count_facts,
    count_parameters,
    deviance,
    local_identification,
    pattern_probabilities,
    simulate_tables,
    simulated_deviances,
)
from capstat.numerics.latent_class import best_fit, fit_replicates
from capstat.numerics.latent_climb import TOLERANCE
from capstat.numerics.latent_model import ClassFit
from capstat.numerics.latent_pairs import fit_fixed_correlations
from capstat.numerics.latent_patterns import block_answers, pattern_table, tabulate


def singles(items):
    return tuple((item,) for item in range(items))


def all_patterns(items, groups=1, blocks=None):
    answers = np.tile(block_answers(tuple(range(items))), (groups, 1))
    group = np.repeat(np.arange(groups), 2**items)
    return pattern_table(answers, group, groups, blocks or singles(items))


def labelled(table, fit):
    """Second class: more answers of 1."""
    items = range(table.answers.shape[1])
    return fit.relabelled(sum(fit.item(table, i)[:, 1] - fit.item(table, i)[:, 0] for i in items) < 0)


def fitted(table, weights, starts=40, seed=1):
    fit, reached = best_fit(table, np.asarray(weights, dtype=float), starts, np.random.default_rng(seed))
    return labelled(table, fit), reached


def items_of(table, fit):
    """Probability of 1, shape (classes, items)."""
    return np.stack([fit.item(table, item)[0] for item in range(table.answers.shape[1])], axis=1)


@pytest.mark.reference
def test_pathologists_with_five_probabilities_on_the_boundary(reference):
    case = reference("r10")
    x = np.array([[int(c) for c in pattern] for pattern in case.data["carcinoma"]["patterns"]], dtype=float)
    table = pattern_table(x, np.zeros(len(x), dtype=int), 1, singles(7))
    fit, reached = fitted(table, case.data["carcinoma"]["counts"])
    case.check("carcinoma.log_likelihood", fit.log_likelihood[0])
    case.check("published.carcinoma.log_likelihood", fit.log_likelihood[0])
    case.check("carcinoma.share", fit.parts[0][0, 0, 1])
    case.check("published.carcinoma.share", fit.parts[0][0, 0, 1])
    p = items_of(table, fit)
    case.check("carcinoma.sensitivity", p[1])
    case.check("carcinoma.false_positive", p[0])
    assert set(p[0, [2, 3, 5]]) == {0.0}
    assert reached > 20
    assert fit.gap[0] < TOLERANCE


@pytest.mark.reference
@pytest.mark.parametrize("whose", ["", "published."])
def test_three_readers_of_radiographs(reference, whose):
    case = reference("r10")
    table = all_patterns(3)
    fit, _ = fitted(table, case.data["pleural_thickening"]["counts"])
    p = items_of(table, fit)
    case.check(f"{whose}pleural.log_likelihood", fit.log_likelihood[0])
    case.check(f"{whose}pleural.share", fit.parts[0][0, 0, 1])
    case.check(f"{whose}pleural.sensitivity", p[1])
    case.check(f"{whose}pleural.false_positive", p[0])


@pytest.mark.reference
def test_hui_and_walters_two_tests_in_two_populations(reference):
    case = reference("r10")
    answers = np.array([[1, 1], [1, 0], [0, 1], [0, 0]] * 2, dtype=float)
    table = pattern_table(answers, np.repeat([0, 1], 4), 2, singles(2))
    fit, _ = fitted(table, np.ravel(case.data["hui_walter"]["counts"]))
    p = items_of(table, fit)
    got = np.concatenate([fit.parts[0][0, :, 1], p[1], p[0]])
    case.check("hui_walter.log_likelihood", fit.log_likelihood[0])
    case.check("hui_walter.estimate", got)
    case.check("published.hui_walter.estimate", got)


@pytest.mark.reference
@pytest.mark.parametrize(("model", "blocks"), [("independent", singles(4)), ("dependent", ((2,), (3,), (0, 1)))])
def test_missing_answers_groups_and_a_dependent_pair(reference, model, blocks):
    case = reference("r11")
    rows = np.array([[np.nan if c == "." else int(c) for c in row] for row in case.data["rows"]])
    table, index = tabulate(rows[:, 1:], rows[:, 0].astype(int), 2, blocks)
    fit, _ = fitted(table, np.bincount(index))
    p = items_of(table, fit)
    case.check(f"{model}.log_likelihood", fit.log_likelihood[0])
    case.check(f"{model}.share", fit.parts[0][0, :, 1])
    case.check(f"{model}.sensitivity", p[1])
    case.check(f"{model}.false_positive", p[0])
    if model == "dependent":
        case.check("dependent.covariance", fit.parts[-1][0, :, 3] - p[:, 0] * p[:, 1])


counts = st.lists(st.integers(0, 40), min_size=16, max_size=16).filter(lambda c: sum(c) > 20)


@settings(max_examples=25, deadline=None)
@given(counts)
def test_every_fit_is_certified_and_gives_the_margins_back(weights):
    table = all_patterns(4)
    fit, _ = fitted(table, weights, starts=10)
    assert fit.gap[0] <= TOLERANCE
    margins = np.asarray(weights) @ table.answers / sum(weights)
    np.testing.assert_allclose(fit.parts[0][0, 0] @ items_of(table, fit), margins, atol=1e-6)


@settings(max_examples=10, deadline=None)
@given(counts)
def test_exchanging_yes_and_no_exchanges_the_probabilities(weights):
    table = all_patterns(4)
    one, _ = fitted(table, weights, starts=40)
    two, _ = fitted(table, weights[::-1], starts=40)
    np.testing.assert_allclose(one.log_likelihood, two.log_likelihood, atol=1e-6)


@pytest.mark.parametrize("seed", range(4))
def test_no_higher_point_is_found_by_scipys_bounded_optimiser(seed):
    rng = np.random.default_rng(seed)
    table = all_patterns(3)
    weights = rng.integers(0, 30, 8).astype(float)
    fit, _ = fitted(table, weights)

    def loss(theta):
        parts = [np.array([[[1 - theta[0], theta[0]]]])]
        parts += [np.array([[[1 - theta[k], theta[k]], [1 - theta[k + 1], theta[k + 1]]]]) for k in (1, 3, 5)]
        given_class = np.prod([parts[j + 1][0][:, table.answers[:, j].astype(int)] for j in range(3)], axis=0)
        return -weights @ np.log(parts[0][0, 0] @ given_class)

    highest = max(
        -optimize.minimize(loss, rng.uniform(0.1, 0.9, 7), method="L-BFGS-B", bounds=[(1e-9, 1 - 1e-9)] * 7).fun
        for _ in range(15)
    )
    assert fit.log_likelihood[0] >= highest - 1e-6


def exact_fit(share, sensitivity, false_positive):
    """A fit with given probabilities, B = 1."""
    p = np.stack([false_positive, sensitivity])
    cells = [np.stack([1 - p[:, j], p[:, j]], axis=1)[None] for j in range(p.shape[1])]
    shares = np.stack([1 - np.atleast_1d(share), np.atleast_1d(share)], axis=1)[None]
    return ClassFit([shares, *cells], np.zeros(1), np.zeros(1))


def test_exact_proportions_give_the_truth_back():
    truth = exact_fit(0.35, np.array([0.9, 0.8, 0.7]), np.array([0.05, 0.1, 0.2]))
    table = all_patterns(3)
    fit, _ = fitted(table, 1000 * pattern_probabilities(table, truth)[0])
    for got, wanted in zip(fit.parts, truth.parts, strict=True):
        np.testing.assert_allclose(got, wanted, atol=1e-6)


def test_rank_tells_groups_of_equal_prevalence_from_groups_that_differ():
    table = all_patterns(2, groups=2)
    accuracy = np.array([0.9, 0.8]), np.array([0.1, 0.2])
    weights = np.ones(8)
    differ = local_identification(table, weights, exact_fit(np.array([0.2, 0.7]), *accuracy))
    equal = local_identification(table, weights, exact_fit(np.array([0.4, 0.4]), *accuracy))
    near = local_identification(table, weights, exact_fit(np.array([0.4, 0.41]), *accuracy))
    assert (differ.rank, differ.interior) == (6, 6)
    assert equal.rank < equal.interior == 6
    assert near.rank == 6
    assert near.condition < 0.02 < differ.condition


def test_parameters_and_facts():
    assert [count_parameters(all_patterns(items)) for items in (2, 3, 4)] == [5, 7, 9]
    assert [count_facts(all_patterns(items), np.ones(2**items)) for items in (2, 3, 4)] == [3, 7, 15]
    assert count_parameters(all_patterns(4, blocks=((0,), (1,), (2, 3)))) == 11
    # three items never answered together: margins and pairs only, 3 + 3 facts
    pairs = np.array([[1, 1, np.nan], [0, np.nan, 1], [np.nan, 0, 0]])
    table, index = tabulate(pairs, np.zeros(3, dtype=int), 1, singles(3))
    assert count_facts(table, np.bincount(index).astype(float)) == 6


def test_deviance_is_scipys_log_likelihood_ratio():
    table = all_patterns(4)
    weights = np.random.default_rng(3).integers(1, 40, 16).astype(float)
    fit, _ = fitted(table, weights)
    expected = weights.sum() * pattern_probabilities(table, fit)[0]
    wanted = stats.power_divergence(weights, expected, lambda_="log-likelihood").statistic
    np.testing.assert_allclose(deviance(table, weights[None], fit), wanted, rtol=1e-7)


def test_deviance_of_a_saturated_model_is_zero_with_missing_answers_too():
    rng = np.random.default_rng(8)
    high = rng.random(500) < 0.5
    rows = (rng.random((500, 3)) < np.where(high[:, None], 0.8, 0.2)).astype(float)
    rows[rng.random((500, 3)) < 0.2] = np.nan
    table, index = tabulate(rows, np.zeros(500, dtype=int), 1, singles(3))
    weights = np.bincount(index).astype(float)
    fit, _ = fitted(table, weights)
    np.testing.assert_allclose(deviance(table, weights[None], fit), 0, atol=1e-6)


def test_simulated_deviances_have_the_mean_of_chi_squared():
    """15 facts less 9 parameters; Wilks' theorem holds well with 3,000 rows."""
    table = all_patterns(4)
    truth = exact_fit(0.5, np.array([0.8, 0.7, 0.8, 0.75]), np.array([0.2, 0.25, 0.3, 0.2]))
    weights = np.full(16, 3000 / 16)
    got = simulated_deviances(table, np.rint(weights), truth, 400, np.random.default_rng(5))
    assert abs(got.mean() - 6) < 3.3 * np.sqrt(12 / 400)


def test_simulated_tables_keep_the_rows_of_every_mask():
    rows = np.array([[1, 0, np.nan], [1, 1, np.nan], [0, 0, 1], [1, np.nan, np.nan]])
    table, index = tabulate(rows, np.zeros(4, dtype=int), 1, singles(3))
    truth = exact_fit(0.5, np.full(3, 0.8), np.full(3, 0.2))
    full, drawn = simulate_tables(table, np.bincount(index).astype(float), truth, 5, np.random.default_rng(1))
    answered = (~np.isnan(full.answers)).sum(axis=1)
    for items, wanted in ((1, 1), (2, 2), (3, 1)):
        np.testing.assert_array_equal(drawn[:, answered == items].sum(axis=1), wanted)


def test_replicates_are_the_fits_that_many_starts_find():
    rng = np.random.default_rng(4)
    table = all_patterns(3)
    fit, _ = fitted(table, [90, 20, 15, 12, 18, 10, 14, 60])
    drawn = rng.multinomial(239, np.array([90, 20, 15, 12, 18, 10, 14, 60]) / 239, size=30).astype(float)
    many = fit_replicates(table, drawn, fit, 3, rng)
    alone = [fitted(table, weights)[0].log_likelihood[0] for weights in drawn]
    np.testing.assert_allclose(many.log_likelihood, alone, atol=1e-5)
    assert many.gap.max() <= TOLERANCE


@pytest.mark.parametrize("rho", [0.0, 0.3, 0.5])
def test_the_right_fixed_correlation_gives_the_truth_back(rho):
    """Exact proportions of three items, the first two correlated in both classes."""
    p = np.array([[0.1, 0.2, 0.15], [0.85, 0.75, 0.8]])
    c = rho * np.sqrt(np.prod(p[:, :2] * (1 - p[:, :2]), axis=1))
    pair = np.stack([(1 - p[:, 0]) * (1 - p[:, 1]) + c, (1 - p[:, 0]) * p[:, 1] - c, p[:, 0] * (1 - p[:, 1]) - c,
                     p[:, 0] * p[:, 1] + c], axis=1)  # fmt: skip
    truth = np.array([0.6, 0.4]) @ np.einsum("ca,cb->cab", pair, np.stack([1 - p[:, 2], p[:, 2]], axis=1)).reshape(2, 8)
    table = all_patterns(3, blocks=((2,), (0, 1)))
    (got,) = fit_fixed_correlations(table, 1000 * truth, [rho], (0.5, p), 3, np.random.default_rng(1))
    np.testing.assert_allclose(got.probability, p, atol=2e-4)
    assert got.share == pytest.approx(0.4, abs=2e-4)
    assert got.log_likelihood == pytest.approx(1000 * truth @ np.log(truth), abs=1e-6)


def test_without_correlation_it_is_the_ordinary_fit():
    weights = np.array([90.0, 20, 15, 12, 18, 10, 14, 60])
    plain, _ = fitted(all_patterns(3), weights)
    p = items_of(all_patterns(3), plain)
    table = all_patterns(3, blocks=((2,), (0, 1)))
    (got,) = fit_fixed_correlations(table, weights, [0.0], (0.5, p), 3, np.random.default_rng(1))
    np.testing.assert_allclose(got.probability, p, atol=1e-4)
