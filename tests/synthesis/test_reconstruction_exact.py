"""The sampler against every data set of tiny studies, listed, and numerical integration of their likelihood."""

from collections import Counter
from itertools import product

import numpy as np
import pytest
from scipy import stats

from capstat.synthesis.reconstruction_normal import FLAT_CORRELATION, Prior
from capstat.synthesis.reconstruction_setting import Assumptions, Effort, draw_arm, draw_crossover
from capstat.synthesis.reported import ReportedArm
from capstat.synthesis.reported_crossover import ReportedCounts, ReportedCrossover

SETTINGS = np.array([60.0, 80.0, 100.0, 120.0])
IMPUTED = 121.0
# flat in the correlation and (sigma_1 sigma_2)^-3: under the usual prior the posterior of so few patients has endless tails
SHORT_TAILS = Prior(extra_df=2, correlation_power=2.5, smallest_sd=0.06)
LONG = Effort(chains=300, warm_up=100, draws=200)


def agrees(x, printed):
    """Whether a number would be printed so, to the nearest 10."""
    return np.abs(np.asarray(x) - printed) <= 5


def test_one_group_against_integration_over_all_data_sets():
    """n = 5 on 4 settings: all 5^5 data sets, likelihood on a fine grid of the log median and the log SD."""
    arm = ReportedArm(5, 4, 100, 20, 120, IMPUTED, 60, 20, mean_decimals=-1, sd_decimals=-1)
    values = np.append(SETTINGS, IMPUTED)
    sets = Counter()
    for cells in product(range(5), repeat=5):
        recorded = values[list(cells)]
        if cells.count(4) == 1 and agrees(recorded.mean(), 100) and agrees(recorded.std(ddof=1), 20):
            sets[tuple(sorted(cells))] += 1
    assert len(sets) >= 2
    mu, log_sd = np.linspace(-6, 16, 2201), np.linspace(-3.5, 3.5, 281)
    z = (np.log(np.append(SETTINGS, np.inf))[:, None, None] - mu[:, None]) / np.exp(log_sd)
    probability = np.diff(stats.norm.cdf(z), axis=0, prepend=0.0)
    likelihood = sum(times * np.prod(probability[list(cells)], axis=0) for cells, times in sets.items())
    likelihood /= likelihood.sum()
    drawn = draw_arm(arm, 0, LONG, seed=1)
    for draws, grid, axis in (
        (drawn.mean[:, 0], mu, 1),
        (0.5 * np.log(drawn.covariance[:, 0, 0]), log_sd, 0),
    ):
        cumulative = np.cumsum(likelihood.sum(axis=axis))
        for level in (0.025, 0.25, 0.5, 0.75, 0.975):
            at = grid[np.searchsorted(cumulative, level)] + (grid[1] - grid[0]) / 2
            assert np.mean(draws <= at) == pytest.approx(
                np.interp(at, grid + (grid[1] - grid[0]) / 2, cumulative), abs=0.012
            )


def inside_box(state):
    """Laws with medians from 33 to 270 mA, SDs of the log from 0.07 to 1.6 and a correlation within 0.96."""
    return (
        (np.abs(state[:2] - 4.55) < 1.05).all(axis=0)
        & (np.abs(state[2:4] + 1.1) < 1.6).all(axis=0)
        & (np.abs(state[4]) < 2)
    )


def cell_probabilities(mean, sd, rho):
    """P(cell of the first, cell of the second), shape (draws, 5, 5), by Gauss-Legendre over the first value."""
    nodes, weights = np.polynomial.legendre.leggauss(40)
    edges = np.log(np.append(SETTINGS, np.inf))
    cut = (edges - mean[:, :1]) / sd[:, :1]
    low, high = np.clip(np.column_stack((np.full(len(cut), -9.0), cut[:, :-1])), -9, 9), np.clip(cut, -9, 9)
    found = np.zeros((len(mean), 5, 5))
    for node, weight in zip(nodes, weights, strict=True):
        z = (low + high) / 2 + (high - low) / 2 * node
        limits = (edges - mean[:, 1:]) / sd[:, 1:]
        conditional = stats.norm.cdf(
            (limits[:, None] - rho[:, None, None] * z[:, :, None]) / np.sqrt(1 - rho**2)[:, None, None]
        )
        density = weight * (high - low) / 2 * stats.norm.pdf(z)
        found += density[:, :, None] * np.diff(conditional, axis=2, prepend=0.0)
    return found


def test_crossover_and_its_counts_against_importance_sampling_over_all_data_sets():
    """4 pairs on 4 settings, one patient captured in neither, one with the second alone, 1 or 2 values imputed.

    All 24^4 tables of pairs; the exact likelihood of the summary at up to 30,000 laws from a wide t distribution.  Both within
    a box of laws, for with so few patients the tails of the posterior are too long to be sampled by importance.
    """
    counts = (ReportedCounts(0, 1, second_alone=(0, 1)), ReportedCounts(0, 2, second_alone=(1, 0)))
    study = ReportedCrossover("A", "B", 4, 1, 90, 110, 20, -10, 50, 0.95, 120, IMPUTED, 60, 20, counts, -1)
    values = np.append(SETTINGS, IMPUTED)
    pairs = [cell for cell in product(range(5), repeat=2) if cell != (4, 4)]
    index = np.array(list(product(range(24), repeat=4)))
    cells = np.array(pairs)[index]
    recorded = values[cells]
    means, difference = recorded.mean(axis=1), (recorded[..., 1] - recorded[..., 0])
    half = stats.t.ppf(0.975, 3) * difference.std(axis=1, ddof=1) / 2
    middle = difference.mean(axis=1)
    fits = (
        agrees(means, [90, 110]).all(axis=1) & agrees(middle, 20)
        & agrees(middle - half, -10) & agrees(middle + half, 50)
    )  # fmt: skip
    imputed = (cells == 4).sum(axis=1)
    drawn = draw_crossover(study, counts, Assumptions(prior=SHORT_TAILS), LONG, seed=2)
    one, two = np.sqrt(drawn.covariance[:, 0, 0]), np.sqrt(drawn.covariance[:, 1, 1])
    rho = drawn.covariance[:, 0, 1] / one / two
    everything = np.stack(
        [x.ravel() for x in (drawn.mean[:, 0], drawn.mean[:, 1], np.log(one), np.log(two), np.arctanh(rho))]
    )
    kept = inside_box(everything)
    state, has_table = everything[:, kept], drawn.table.ravel()[kept]
    assert kept.mean() > 0.2
    rng = np.random.default_rng(3)
    law = stats.multivariate_t(state.mean(axis=1), 1.3 * np.cov(state), df=4)
    laws = law.rvs(30_000, random_state=rng)
    laws = laws[inside_box(laws.T)]
    mean, sd, r = laws[:, :2], np.exp(laws[:, 2:4]), np.tanh(laws[:, 4])
    probability = cell_probabilities(mean, sd, r)
    captured = probability[:, :, :4].sum(axis=(1, 2))
    flat = np.log(np.array([probability[:, a, b] for a, b in pairs]) + 1e-300)
    weight = np.zeros((2, len(laws)))
    for table, k in enumerate((1, 2)):
        rows = Counter(tuple(sorted(row)) for row in index[fits & (imputed == [0, k]).all(axis=1)])
        assert len(rows) > 2
        for row, times in rows.items():
            weight[table] += times * np.exp(flat[list(row)].sum(axis=0))
        weight[table] *= probability[:, 4, 4] * (1 - captured if table == 0 else captured)
    # flat in the correlation: its density in atanh(rho) is 1 - rho^2
    weight *= (1 - r**2) * sd.prod(axis=1) ** -2 / law.pdf(laws)
    total = weight.sum(axis=0)
    assert total.sum() ** 2 / (total**2).sum() > 2000
    assert np.mean(has_table == 1) == pytest.approx(weight[1].sum() / weight.sum(), abs=0.06)
    for got, exact in ((state[0] - state[1], laws[:, 0] - laws[:, 1]), *zip(state[2:], laws[:, 2:].T, strict=True)):
        order = np.argsort(exact)
        cumulative = np.cumsum(total[order]) / total.sum()
        for level in (0.05, 0.25, 0.5, 0.75, 0.95):
            at = exact[order][np.searchsorted(cumulative, level)]
            assert np.mean(got <= at) == pytest.approx(level, abs=0.03)
    assert FLAT_CORRELATION.correlation_power == 1.5
