"""Misjudged ramps beyond the usual: odds ratio given, share never captured by a bounded search, a ramp stepped down."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, stats

from capstat.capture.corrected_parametric import fit_corrected
from capstat.capture.differential import differential_misjudgement
from capstat.capture.error_estimates import _estimated
from capstat.capture.estimated_errors import ErrorModel
from capstat.capture.judged_ramps import JudgedRamps
from capstat.capture.judgement_errors import JudgementErrors
from capstat.distributions import LOGNORMAL
from capstat.results import NotEstimableError

CURRENTS = np.arange(40.0, 141.0, 10.0)
ERRORS = JudgementErrors(0.93, 0.96, 1.15)


def simulated(n, seed, median=80.0, placement=None):
    rng = np.random.default_rng(seed)
    captured = np.exp(rng.normal(np.log(median), 0.3, n))[:, None] <= CURRENTS
    claimed = rng.random(captured.shape) < np.where(captured, 0.93, ERRORS.false_claim_probability(CURRENTS))
    tested = np.cumsum(claimed, axis=1) - claimed == 0
    row, column = np.nonzero(tested)
    return JudgedRamps.from_arrays(row, CURRENTS[column], claimed[tested], placement=placement)


def log_likelihood(ramps, mu, log_sigma, never=0.0, errors=ERRORS):
    """Judgement by judgement, thresholds named by one inside each cell."""
    edges = np.unique(ramps.current_ma)
    inside = np.append(edges - 1, edges[-1] + 1)
    mass = (1 - never) * np.diff(stats.lognorm(np.exp(log_sigma), scale=np.exp(mu)).cdf(edges), prepend=0, append=1)
    mass[-1] += never
    odds = (1 - errors.specificity) / errors.specificity * errors.odds_ratio_per_10_ma ** ((ramps.current_ma - 80) / 10)
    chance = np.where(inside <= ramps.current_ma[:, None], errors.sensitivity, (odds / (1 + odds))[:, None])
    product = np.ones((len(ramps), inside.size))
    np.multiply.at(product, ramps.ramp, np.where(ramps.claimed[:, None], chance, 1 - chance))
    return float(np.log(product @ mass).sum())


def test_given_odds_ratio_of_the_error_model_is_used():
    ramps, steep = simulated(200, 6), JudgementErrors(0.93, 0.96, 1.4)
    by_model = fit_corrected(ramps, family=LOGNORMAL, errors=ErrorModel(0.93, 0.96, odds_ratio_per_10_ma=1.4))
    by_errors = fit_corrected(ramps, family=LOGNORMAL, errors=steep)
    flat = fit_corrected(ramps, family=LOGNORMAL, errors=ErrorModel(0.93, 0.96))
    assert by_model.errors[0].odds_ratio_per_10_ma == pytest.approx(1.4)
    np.testing.assert_allclose(by_model.regression.parameters, by_errors.regression.parameters, atol=1e-7)
    best = optimize.minimize(lambda x: -log_likelihood(ramps, *x, errors=steep), (np.log(80), -1.2),
                             method="Nelder-Mead", options={"xatol": 1e-7, "fatol": 1e-10})  # fmt: skip
    np.testing.assert_allclose(by_model.regression.parameters, best.x, atol=1e-4)
    assert abs(by_model.regression.coefficients[0] - flat.regression.coefficients[0]) > 0.005


@pytest.mark.parametrize("seed", range(20))
def test_share_refused_is_one_that_a_bounded_search_puts_at_none(seed):
    """scipy over location, spread and share (0 to 0.9) at once, from three starts: a global check of a local rule."""
    ramps = simulated(60, seed, median=95.0)
    best = min((
        optimize.minimize(lambda x: -log_likelihood(ramps, *x), (np.log(m), -1.0, share), method="L-BFGS-B",
                          bounds=[(3, 7), (-3, 1.5), (0, 0.9)], options={"ftol": 1e-13, "gtol": 1e-6})
        for m, share in ((85, 0.02), (95, 0.15), (75, 0.4))
    ), key=lambda found: found.fun)  # fmt: skip
    none = fit_corrected(ramps, family=LOGNORMAL, errors=ERRORS).log_likelihood
    if -best.fun > none + 1e-4:
        ours = fit_corrected(ramps, family=LOGNORMAL, errors=ERRORS, never_captured=True)
        assert ours.log_likelihood == pytest.approx(-best.fun, abs=1e-3)
        assert 1 - ours.fit.share_capturable == pytest.approx(best.x[2], abs=5e-3)
    else:
        with pytest.raises(NotEstimableError, match="no share that is never captured"):
            fit_corrected(ramps, family=LOGNORMAL, errors=ERRORS, never_captured=True)


def test_a_ramp_stepped_down_does_not_lose_the_comparison():
    """One of 201 claims at 60 mA what it refused at 80: impossible if never wrong, ordinary if fallible."""
    ramps = simulated(200, 11)
    whole = JudgedRamps.from_arrays(
        np.append(ramps.ramp, [200, 200]), np.append(ramps.current_ma, [80, 60]),
        np.append(ramps.claimed, [False, True]), placement=np.where(np.arange(201) % 2 == 0, "ap", "al"),
    )  # fmt: skip
    found = differential_misjudgement(whole, "ap", "al", errors=JudgementErrors(0.95, 0.97), specificities=(0.97, 0.94))
    assert found.alike.lower < found.alike.value < found.alike.upper


def test_effective_size_is_that_of_the_replicates_variance():
    """By hand: p = 0.02 with a bootstrap SD of 0.0099 is a share of 200: limits of Wilson for 196 of 200."""
    from statsmodels.stats.proportion import proportion_confint

    spread = np.random.default_rng(1).normal(size=2000)
    drawn = 0.98 + np.sqrt(0.98 * 0.02 / 200) * (spread - spread.mean()) / spread.std(ddof=1)
    found = _estimated("q", 0.98, drawn, 0.95, 15, 600)
    assert (found.lower, found.upper) == pytest.approx(proportion_confint(196, 200, method="wilson"), abs=0.002)
