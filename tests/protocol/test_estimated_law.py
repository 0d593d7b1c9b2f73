"""Laws from estimates: row 0 is the estimate, draws have its standard errors, the NPMLE keeps its shares."""

from __future__ import annotations

import numpy as np
import pytest
from lifelines import KaplanMeierFitter
from scipy import special, stats

from capstat.distributions import GAMMA, GENERALISED_GAMMA, LOGLOGISTIC, LOGNORMAL, WEIBULL, fit_parametric
from capstat.distributions.bootstrap import bootstrap_curves
from capstat.protocol import RampPolicy
from capstat.protocol.consequences import policy_consequences
from capstat.protocol.estimated_law import law_of_fit, law_of_model, law_without_model
from capstat.results import NotEstimableError
from capstat.thresholds import CensoredThresholds

CURRENTS = np.array([50.0, 65.0, 80.0, 95.0, 120.0, 140.0])
FAMILIES = (LOGNORMAL, WEIBULL, LOGLOGISTIC, GAMMA, GENERALISED_GAMMA)


@pytest.fixture(scope="module")
def ramps():
    """400 ramps of 5 mA from 40 to 140 mA; one patient in ten is captured by no current."""
    rng = np.random.default_rng(6)
    true = np.where(rng.random(400) < 0.1, 1e6, 85 * np.exp(0.26 * rng.standard_normal(400)))
    upper = np.maximum(40 + 5 * np.ceil((true - 40) / 5), 40)
    lower = np.where(upper == 40, 0, upper - 5)
    beyond = upper > 140
    return CensoredThresholds.from_bounds(np.where(beyond, 140, lower), np.where(beyond, np.inf, upper))


@pytest.mark.parametrize("never", [False, True])
@pytest.mark.parametrize("family", FAMILIES, ids=lambda family: family.name)
def test_row_0_is_the_fit(ramps, family, never):
    fit = fit_parametric(ramps, family=family, never_captured=never)
    expected = fit.capture_curve(CURRENTS).lower
    by_covariance = law_of_fit(fit, "everybody", draws=3, seed=1)
    np.testing.assert_allclose(by_covariance.share_captured(CURRENTS)[0], expected, atol=1e-10)
    assert (by_covariance.draws, by_covariance.n_patients, by_covariance.label) == (3, 400, "everybody")
    if family in (LOGNORMAL, WEIBULL):
        by_bootstrap = law_of_model(ramps, fit, "everybody", replicates=3, seed=1)
        np.testing.assert_allclose(by_bootstrap.share_captured(CURRENTS)[0], expected, atol=1e-10)
        assert (by_bootstrap.draws, by_bootstrap.n_patients) == (3, 400)
        assert fit.name in by_bootstrap.method
        assert "3 replicates, seed 1" in by_bootstrap.method
    # mass of cells under a policy, too
    mass = by_covariance.pieces(CURRENTS).mass
    np.testing.assert_allclose(mass.sum(axis=1), 1)
    np.testing.assert_allclose(np.cumsum(mass[0])[:-1], expected, atol=1e-10)


@pytest.mark.parametrize(
    ("family", "never"),
    [(LOGNORMAL, False), (LOGNORMAL, True), (WEIBULL, False), (WEIBULL, True), (GAMMA, False), (GAMMA, True),
     (GENERALISED_GAMMA, False)],
)  # fmt: skip
def test_draws_from_the_covariance(ramps, family, never):
    """Probits of 4,000 draws have the delta-method standard errors of the fit's own curve."""
    fit = fit_parametric(ramps, family=family, never_captured=never)
    _, errors = fit.probit_curve(CURRENTS)
    drawn = special.ndtri(law_of_fit(fit, "a", draws=4000, seed=3).share_captured(CURRENTS)[1:])
    np.testing.assert_allclose(drawn.std(axis=0), errors, rtol=0.12)


def test_draws_from_the_bootstrap(ramps):
    """The same of 300 bootstrap draws, within four of their standard errors (4 %)."""
    fit = fit_parametric(ramps, family=LOGNORMAL, never_captured=True)
    _, errors = fit.probit_curve(CURRENTS)
    drawn = special.ndtri(law_of_model(ramps, fit, "a", replicates=300, seed=3).share_captured(CURRENTS)[1:])
    np.testing.assert_allclose(drawn.std(axis=0), errors, rtol=0.17)


def test_limits_of_a_share_not_captured(ramps):
    """Limits under a ramp are those of the fit's curve at its maximum, nearly."""
    fit = fit_parametric(ramps, family=LOGNORMAL, never_captured=True)
    policy = RampPolicy(40, 5, 120, 1.0)
    known = fit.capture_probability(120)
    for law in (law_of_model(ramps, fit, "a", replicates=400, seed=3), law_of_fit(fit, "a", draws=2000, seed=3)):
        found = policy_consequences(policy, law, discomfort_ma=70).not_captured
        assert found.value == pytest.approx(1 - known.value)
        assert found.lower == pytest.approx(1 - known.upper, abs=0.01)
        assert found.upper == pytest.approx(1 - known.lower, abs=0.01)


def test_same_seed_same_bytes(ramps):
    fit = fit_parametric(ramps, family=LOGNORMAL, never_captured=True)
    for make in (
        lambda seed: law_of_model(ramps, fit, "a", replicates=10, seed=seed),
        lambda seed: law_of_fit(fit, "a", draws=10, seed=seed),
    ):
        one, same, other = make(7), make(7), make(8)
        for name in ("location", "ancillary", "capturable"):
            assert getattr(one, name).tobytes() == getattr(same, name).tobytes()
        assert one.location.tobytes() != other.location.tobytes()
        assert one.location[0] == other.location[0]


def test_lost_resamples_are_told():
    """Six patients, four of them in one cell: some resamples have no estimate and are left out, or it is refused."""
    thresholds = CensoredThresholds.from_bounds(
        [60, 60, 60, 60, 80, 100.0, 70], [65, 65, 65, 65, 85, 105.0, 75]
    )  # fmt: skip
    fit = fit_parametric(thresholds, family=LOGNORMAL)
    law = law_of_model(thresholds, fit, "a", replicates=400, seed=1)
    lost = 400 - law.draws
    # a resample within one or two neighbouring cells; all seven in the first: (4/7)^7 = 2 %
    assert 0 < lost <= 20
    assert f"{lost} of 400 resamples without an estimate left out" in law.method
    few = CensoredThresholds.from_bounds([60.0, 60.0, 80.0], [65.0, 65.0, 85.0])
    with pytest.raises(NotEstimableError, match="the data are too few"):
        law_of_model(few, fit_parametric(few, family=LOGNORMAL), "a", replicates=100, seed=1)


def test_without_a_model_at_settings(ramps):
    """On the grid of the ramps the shares are counts; off it they are known between the neighbouring counts."""
    (curve,) = bootstrap_curves([ramps], replicates=50, seed=1)
    law = law_without_model(curve, "everybody")
    assert (law.draws, law.n_patients, law.label) == (50, 400, "everybody")
    np.testing.assert_allclose(law.mass.sum(axis=1), 1)
    for top in (60.0, 95.0, 140.0):
        found = policy_consequences(RampPolicy(40, 5, top, 1.0), law, discomfort_ma=70)
        counted = (ramps.upper_ma > top).mean()
        assert found.not_captured.value == pytest.approx(counted)
        # binomial standard error, by the draws
        spread = found.means.not_captured.lower[1:].std()
        assert spread == pytest.approx(np.sqrt(counted * (1 - counted) / 400), rel=0.4)
    between = policy_consequences(RampPolicy(43, 5, 93, 1.0), law, discomfort_ma=70).not_captured
    assert between.value is None
    assert between.identified == pytest.approx(((ramps.upper_ma > 95).mean(), (ramps.upper_ma > 90).mean()))


def test_without_a_model_against_kaplan_meier():
    """Exact and right-censored thresholds only: lifelines' Kaplan-Meier estimate."""
    rng = np.random.default_rng(2)
    true, ceiling = 85 * np.exp(0.26 * rng.standard_normal(60)), rng.uniform(70, 140, 60)
    seen = true <= ceiling
    thresholds = CensoredThresholds.from_bounds(np.where(seen, true, ceiling), np.where(seen, true, np.inf))
    (curve,) = bootstrap_curves([thresholds], replicates=5, seed=1)
    law = law_without_model(curve, "a")
    km = KaplanMeierFitter().fit(np.where(seen, true, ceiling), seen)
    pieces = law.pieces(np.array([60.0, 80.0, 95.0]))
    low, high = pieces.expect(np.array([1.0, 1.0, 1.0, 0.0]))
    expected = 1 - km.predict(95.0)
    assert low[0] == pytest.approx(expected, abs=1e-7)
    assert high[0] == pytest.approx(expected, abs=1e-7)


def test_draws_of_the_mixture_stay_shares(ramps):
    fit = fit_parametric(ramps, family=LOGNORMAL, never_captured=True)
    law = law_of_fit(fit, "a", draws=500, seed=1)
    assert ((law.capturable > 0) & (law.capturable < 1)).all()
    error = np.sqrt(fit.model.covariance[-1, -1])
    logits = special.logit(law.capturable[1:])
    assert stats.kstest((logits - special.logit(law.capturable[0])) / error, "norm").pvalue > 1e-4
    whole = law_of_fit(fit_parametric(ramps, family=LOGNORMAL), "a", draws=5, seed=1)
    assert (whole.capturable == 1).all()


def test_no_draws(ramps):
    """A law of the estimate alone: results without limits."""
    law = law_of_fit(fit_parametric(ramps, family=LOGNORMAL), "a", draws=0, seed=1)
    assert law.draws == 0
    found = policy_consequences(RampPolicy(40, 5, 140, 1.0), law, discomfort_ma=70).not_captured
    assert (found.lower, found.upper) == (None, None)
