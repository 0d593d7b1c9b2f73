"""Weighted curves: closed forms where capture is known, copies of rows for whole weights, a plain loop for the bootstrap."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats

from capstat.distributions import fit_npmle
from capstat.placement.observational import Weighting, fit_propensity, propensity_weights, weighted_capture
from capstat.results import NotEstimableError
from capstat.thresholds import CensoredThresholds

AP, AL = "anterior-posterior", "anterior-lateral"
NAMES = ("body_mass_index", "arrest")
BOTH = (Weighting.INVERSE_PROBABILITY, Weighting.OVERLAP)


def captured(model, weightings=BOTH, currents=(60.0, 80.0), replicates=200, seed=7, level=0.95):
    return weighted_capture(model, weightings, currents_ma=currents, level=level, replicates=replicates, seed=seed)


def test_where_capture_is_known_it_is_a_weighted_mean(chosen):
    """Every ramp tested 60 and 80 mA, so the nonparametric estimate is the weighted share (Hajek)."""
    thresholds = chosen(300, 1)
    model = fit_propensity(thresholds, AP, AL, NAMES)
    for result in captured(model):
        weight = propensity_weights(model.score, model.is_first, result.weighting)
        for x, shares, difference in zip((60, 80), result.shares, result.differences, strict=True):
            by_hand = [
                np.average(thresholds.upper_ma[own] <= x, weights=weight[own])
                for own in (model.is_first, ~model.is_first)
            ]
            np.testing.assert_allclose([share.value for share in shares], by_hand, rtol=1e-9)
            assert difference.value == pytest.approx(by_hand[0] - by_hand[1])
            assert difference.lower < difference.value < difference.upper
            assert difference.direction == f"{AP} minus {AL}"
            assert difference.identified == pytest.approx((difference.value, difference.value))


def test_whole_weights_are_copies():
    """Strata with scores 1/2 and 1/3 have inverse weights 2, 2 and 3, 3/2: the first group as copies of its rows."""
    rng = np.random.default_rng(4)
    high = np.repeat([False, True], [80, 90])
    first = np.concatenate((np.arange(80) % 2 == 0, np.arange(90) % 3 == 0))
    lower = rng.integers(8, 20, 170) * 5.0
    upper = np.where(rng.random(170) < 0.1, np.inf, lower + rng.choice([5.0, 10.0, 25.0], 170))
    table = pd.DataFrame({"high": pd.array(high, dtype="boolean")})
    thresholds = CensoredThresholds.from_bounds(lower, upper, placement=np.where(first, "one", "two"), covariates=table)
    model = fit_propensity(thresholds, "one", "two", ("high",))
    np.testing.assert_allclose(model.score, np.where(high, 1 / 3, 1 / 2))
    (result,) = captured(model, BOTH[:1])
    rows = np.repeat(np.flatnonzero(first), np.where(high[first], 3, 2))
    copies = fit_npmle(CensoredThresholds.from_bounds(lower[rows], upper[rows]))
    low, high_bound = copies.capture_probability(result.curves[0].x)
    np.testing.assert_allclose(result.curves[0].lower, low, atol=1e-7)
    np.testing.assert_allclose(result.curves[0].upper, high_bound, atol=1e-7)


def test_the_bootstrap_is_a_loop_of_refits(chosen):
    """The same draws; statsmodels refits the score, a loop the curves; limits by Newcombe's formula written out."""
    thresholds = replace(chosen(120, 2), patient=np.arange(120) // 2)  # two attempts in every patient
    model = fit_propensity(thresholds, AP, AL, NAMES)
    (result,) = captured(model, BOTH[:1], (70.0,), replicates=40, seed=11)
    draws = np.random.default_rng(11).multinomial(60, np.full(60, 1 / 60), size=40)
    shares = np.empty((40, 2))
    for b, draw in enumerate(draws):
        count = draw[thresholds.patient].astype(float)
        fit = sm.GLM(
            model.is_first.astype(float), model.design, family=sm.families.Binomial(), freq_weights=count
        ).fit(tol=1e-12)  # fmt: skip
        score = fit.predict(model.design)
        weight = count * np.where(model.is_first, 1 / score, 1 / (1 - score))
        for side, own in enumerate((model.is_first, ~model.is_first)):
            shares[b, side] = np.average(thresholds.upper_ma[own] <= 70, weights=weight[own])
    limits = []
    for side, own in enumerate((model.is_first, ~model.is_first)):
        p = result.shares[0][side].value
        n, groups = own.sum(), np.unique(thresholds.patient[own]).size
        if groups == n:
            degrees, inflation = 1.0, 1.0
        else:  # Korn & Graubard 1998
            t_n, t_groups = stats.t.ppf(0.975, [n - 1, groups - 1])
            degrees, inflation = (t_n / t_groups) ** 2, groups / (groups - 1)
        size = min(p * (1 - p) / (shares[:, side].var(ddof=1) * inflation), n) * degrees
        limits.append(wilson(p, size))
        np.testing.assert_allclose((result.shares[0][side].lower, result.shares[0][side].upper), limits[-1], rtol=1e-5)
    rho = np.corrcoef(shares.T)[0, 1]
    (l1, u1), (l2, u2) = limits
    p1, p2 = (share.value for share in result.shares[0])
    a, b = p1 - l1, u2 - p2
    assert result.differences[0].lower == pytest.approx(p1 - p2 - np.sqrt(a**2 - 2 * rho * a * b + b**2), rel=1e-5)
    a, b = u1 - p1, p2 - l2
    assert result.differences[0].upper == pytest.approx(p1 - p2 + np.sqrt(a**2 - 2 * rho * a * b + b**2), rel=1e-5)
    assert (result.replicates, result.failed, result.seed) == (40, 0, 11)


def wilson(p, n, z=1.959963984540054):
    middle = (p + z**2 / (2 * n)) / (1 + z**2 / n)
    half = z / (1 + z**2 / n) * np.sqrt(p * (1 - p) / n + z**2 / (4 * n**2))
    return middle - half, middle + half


def test_weighting_removes_the_bias(chosen, true_difference):
    """Mean over studies; the plain difference is biased by more than 0.08 (see the doubly robust test)."""
    values = [
        captured(model, BOTH[:1], (80.0,), replicates=10)[0].differences[0].value
        for model in (fit_propensity(chosen(1500, seed), AP, AL, NAMES) for seed in range(12))
    ]
    assert np.mean(values) == pytest.approx(true_difference(80.0), abs=0.025)


def test_what_is_not_identified_is_bounded():
    """Capture between 60 and 100 mA in everybody of the first group: nothing is known at 80 mA."""
    bounds = np.array([[60, 100]] * 20 + [[60, 70], [80, 90]] * 10, dtype=float)
    thresholds = CensoredThresholds.from_bounds(
        bounds[:, 0], bounds[:, 1], placement=["one"] * 20 + ["two"] * 20,
        covariates=pd.DataFrame({"age": np.tile(np.arange(20.0), 2)}),
    )  # fmt: skip
    (result,) = captured(fit_propensity(thresholds, "one", "two", ("age",)), BOTH[:1], (80.0,))
    one, two = result.shares[0]
    assert (one.value, one.identified) == (None, (0.0, 1.0))
    assert two.value == pytest.approx(0.5)
    difference = result.differences[0]
    assert difference.value is None
    assert difference.identified == pytest.approx((-0.5, 0.5))
    assert difference.lower <= -0.5 < 0.5 <= difference.upper
    assert "bound" in difference.reason


def test_same_seed_same_bytes(chosen):
    model = fit_propensity(chosen(150, 3), AP, AL, NAMES)
    (one, _), (two, _) = captured(model), captured(model)
    assert one.difference.band_lower.tobytes() == two.difference.band_lower.tobytes()
    assert one.differences == two.differences
    (other, _) = captured(model, seed=8)
    assert other.differences[0].value == one.differences[0].value
    assert other.differences[0].lower != one.differences[0].lower


def test_replicates_without_a_score_are_counted():
    """A level that only three attempts of one group have is lost in one sample in twenty: (1 - 3/40)^40 = 0.044."""
    level = ["rare"] * 3 + ["usual"] * 17 + ["rare"] * 10 + ["usual"] * 10
    thresholds = CensoredThresholds.from_bounds(
        [50, 60] * 20, [60, 70] * 20, placement=["one"] * 20 + ["two"] * 20, covariates=pd.DataFrame({"level": level})
    )
    (result,) = captured(fit_propensity(thresholds, "one", "two", ("level",)), BOTH[:1], (60.0,), replicates=1000)
    assert stats.binom.ppf(0.0001, 1000, 0.044) <= result.failed <= stats.binom.ppf(0.9999, 1000, 0.044)


def test_nothing_seen_in_one_group():
    thresholds = CensoredThresholds.from_bounds(
        [0] * 10 + [50] * 10, [np.inf] * 10 + [60] * 10, placement=["one"] * 10 + ["two"] * 10,
        covariates=pd.DataFrame({"age": [*range(10)] * 2}),
    )  # fmt: skip
    with pytest.raises(NotEstimableError, match="no attempt says of any current"):
        captured(fit_propensity(thresholds, "one", "two", ("age",)), BOTH[:1])


@pytest.mark.slow
def test_coverage_of_the_difference(chosen, true_difference):
    """200 studies of 400 patients: nominal 95 %, binomial limits 0.90 to 0.985."""
    truth = true_difference(80.0)
    held = 0
    for seed in range(200):
        model = fit_propensity(chosen(400, 5000 + seed), AP, AL, NAMES)
        (result,) = captured(model, BOTH[:1], (80.0,), seed=seed)
        held += result.differences[0].lower <= truth <= result.differences[0].upper
    assert 0.90 <= held / 200 <= 0.985
