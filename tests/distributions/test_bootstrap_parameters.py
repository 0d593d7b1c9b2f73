"""Bootstrap of the parameters: spread against the delta method, resamples without open ends, few and no resamples."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, stats

from capstat.distributions import GENERALISED_GAMMA, LOGNORMAL, WEIBULL, fit_parametric
from capstat.distributions.parametric_bootstrap import bootstrap_capture_currents, bootstrap_parameters
from capstat.results import NotEstimableError
from capstat.thresholds import CensoredThresholds


def sample(on_grid, n, seed=1, median=85.0, sd=0.26, never=0.0, each=1, top=140):
    """Ramps of 5 mA from 40 mA in patients with ``each`` attempts that agree but for a little."""
    rng = np.random.default_rng(seed)
    log_t = np.log(median) + sd * np.repeat(rng.standard_normal(n), each) + (0.05 * rng.standard_normal(n * each))
    true = np.where(np.repeat(rng.random(n), each) < never, 1e6, np.exp(log_t))
    return on_grid(true, 40, 5, top, patient=np.repeat(np.arange(n), each))


@pytest.mark.parametrize("family", [LOGNORMAL, WEIBULL], ids=lambda family: family.name)
def test_spread_is_that_of_the_delta_method(on_grid, family):
    """600 patients: standard deviations and correlation of 400 draws agree with the covariance of the fit.

    A standard deviation of 400 draws has a standard error of 3.5 %; 15 % is beyond four of them.
    """
    laws = {LOGNORMAL: stats.lognorm(0.26, scale=85), WEIBULL: stats.weibull_min(4, scale=90)}
    thresholds = on_grid(laws[family].rvs(600, random_state=1), 40, 5, 140)
    fit = fit_parametric(thresholds, family=family)
    drawn = bootstrap_parameters(thresholds, fit, replicates=400, seed=4)
    assert (drawn.lost, drawn.location.shape, drawn.ancillary.shape) == (0, (400,), (400, 1))
    assert (drawn.capturable == 1).all()
    both = np.column_stack((drawn.location, drawn.ancillary))
    errors = np.sqrt(np.diag(fit.model.covariance))
    np.testing.assert_allclose(both.std(axis=0), errors, rtol=0.15)
    np.testing.assert_allclose(both.mean(axis=0), fit.model.parameters, atol=4 * errors.max() / 20)
    expected = fit.model.covariance[0, 1] / errors.prod()
    assert np.corrcoef(both.T)[0, 1] == pytest.approx(expected, abs=0.2)


def test_patients_are_drawn_and_not_attempts(on_grid):
    """Four attempts of each of 150 patients that agree: twice the spread of 600 independent attempts, nearly."""
    thresholds = sample(on_grid, 150, each=4)
    fit = fit_parametric(thresholds, family=LOGNORMAL)
    clustered = bootstrap_parameters(thresholds, fit, replicates=300, seed=4).location.std()
    lonely = CensoredThresholds.from_bounds(thresholds.lower_ma, thresholds.upper_ma)
    single = bootstrap_parameters(lonely, fit, replicates=300, seed=4).location.std()
    # variance of a mean of four with correlation 0.26^2 / (0.26^2 + 0.05^2)
    alike = 0.26**2 / (0.26**2 + 0.05**2)
    assert clustered / single == pytest.approx(np.sqrt(1 + 3 * alike), rel=0.2)


def test_share_never_captured(on_grid):
    """600 patients, 15 % never captured: the spread of the share is that of its logit's standard error."""
    thresholds = sample(on_grid, 600, never=0.15, top=160)
    fit = fit_parametric(thresholds, family=LOGNORMAL, never_captured=True)
    drawn = bootstrap_parameters(thresholds, fit, replicates=300, seed=4)
    assert drawn.lost == 0
    share = fit.share_capturable
    error = share * (1 - share) * np.sqrt(fit.model.covariance[2, 2])
    assert drawn.capturable.std() == pytest.approx(error, rel=0.2)
    assert drawn.capturable.mean() == pytest.approx(share, abs=4 * error / np.sqrt(300) + 0.002)


def test_every_draw_is_a_maximum(on_grid):
    """Draws maximise the likelihood of their own resample: scipy's Nelder-Mead on the same weights."""
    thresholds = sample(on_grid, 40, seed=3)
    fit = fit_parametric(thresholds, family=LOGNORMAL)
    drawn = bootstrap_parameters(thresholds, fit, replicates=5, seed=9)
    cells, counts = np.unique(np.column_stack((thresholds.lower_ma, thresholds.upper_ma)), axis=0, return_counts=True)
    # the patterns of patients are these cells, in the order in which the module draws them: tried in any order
    rng = np.random.default_rng(9)
    resamples = rng.multinomial(40, counts / 40, size=5)

    def minus(parameters, weights):
        law = stats.lognorm(np.exp(parameters[1]), scale=np.exp(parameters[0]))
        return -weights @ np.log(np.maximum(law.cdf(cells[:, 1]) - law.cdf(cells[:, 0]), 1e-300))

    found = np.array(
        [
            optimize.minimize(
                minus, fit.model.parameters, (weights,), method="Nelder-Mead", options={"xatol": 1e-7, "fatol": 1e-10}
            ).x
            for weights in resamples
        ]
    )
    np.testing.assert_allclose(np.column_stack((drawn.location, drawn.ancillary)), found, atol=1e-4)


def test_resamples_without_an_open_end(on_grid):
    """12 patients, one without capture: about a third of the resamples lack that one; the share captured is 1 there."""
    true = np.append(np.linspace(60, 110, 11), 1e6)
    thresholds = on_grid(true, 40, 5, 140)
    fit = fit_parametric(thresholds, family=LOGNORMAL, never_captured=True)
    drawn = bootstrap_parameters(thresholds, fit, replicates=200, seed=2)
    lacking = (11 / 12) ** 12
    ones = (drawn.capturable == 1).mean()
    assert ones == pytest.approx(lacking, abs=4 * np.sqrt(lacking * (1 - lacking) / 200))
    # the others have one to several of twelve without capture by 140 mA
    laws = stats.lognorm(np.exp(drawn.ancillary[:, 0]), scale=np.exp(drawn.location))
    twelfths = 12 * (drawn.capturable * laws.cdf(140))[drawn.capturable < 1]
    np.testing.assert_allclose(twelfths, np.round(twelfths), atol=0.05)
    assert set(np.round(twelfths)) <= set(range(6, 12))
    ordinary = fit_parametric(thresholds.subset(np.isfinite(thresholds.upper_ma)), family=LOGNORMAL)
    assert drawn.location.mean() == pytest.approx(ordinary.mu, abs=0.05)


@pytest.mark.parametrize("never", [False, True])
def test_same_seed_same_bytes(on_grid, never):
    thresholds = sample(on_grid, 60, never=0.2)
    fit = fit_parametric(thresholds, family=LOGNORMAL, never_captured=never)

    def run(seed):
        drawn = bootstrap_parameters(thresholds, fit, replicates=20, seed=seed)
        return drawn.location.tobytes() + drawn.ancillary.tobytes() + drawn.capturable.tobytes()

    assert run(5) == run(5)
    assert run(5) != run(6)


def test_same_draws_as_the_currents(on_grid):
    """Percentiles of currents from the draws are those of bootstrap_capture_currents with the same seed."""
    thresholds = sample(on_grid, 80)
    fit = fit_parametric(thresholds, family=LOGNORMAL)
    drawn = bootstrap_parameters(thresholds, fit, replicates=100, seed=3)
    logs = drawn.location + np.exp(drawn.ancillary[:, 0]) * stats.norm.ppf(0.9)
    (known,) = bootstrap_capture_currents(thresholds, family=LOGNORMAL, fractions=[0.9], replicates=100, seed=3)
    np.testing.assert_allclose([known.lower, known.upper], np.exp(np.quantile(logs, [0.025, 0.975])), rtol=1e-6)


def test_three_ancillary_parameters_keep_their_columns(on_grid):
    thresholds = sample(on_grid, 300)
    fit = fit_parametric(thresholds, family=GENERALISED_GAMMA)
    drawn = bootstrap_parameters(thresholds, fit, replicates=10, seed=1)
    assert drawn.ancillary.shape == (10 - drawn.lost, 2)
    np.testing.assert_allclose(np.median(drawn.ancillary[:, 0]), fit.model.ancillary[0], atol=0.3)


def test_too_few_data():
    """Three patients of whom two share a cell: resamples with one cell only have no finite estimate."""
    thresholds = CensoredThresholds.from_bounds([60.0, 60.0, 80.0, 100.0], [65.0, 65.0, 85.0, 105.0])
    fit = fit_parametric(thresholds, family=LOGNORMAL)
    with pytest.raises(NotEstimableError, match="resamples of patients had no finite lognormal estimate"):
        bootstrap_parameters(thresholds, fit, replicates=200, seed=1)


def test_no_replicates(on_grid):
    thresholds = sample(on_grid, 30)
    fit = fit_parametric(thresholds, family=LOGNORMAL)
    drawn = bootstrap_parameters(thresholds, fit, replicates=0, seed=1)
    assert (drawn.location.shape, drawn.ancillary.shape, drawn.capturable.shape) == ((0,), (0, 1), (0,))
