"""Chance of losing capture and margins, against closed forms, fine simulation and total probability."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from capstat.protocol import loss
from capstat.protocol.drift_law import DriftLaw
from capstat.protocol.loss import MaximumRise
from capstat.protocol.margins import (
    ASSUMED_SDS,
    USUAL_MARGINS,
    assumed_drift,
    assumed_drift_table,
    margin_needed,
    margin_table,
)
from capstat.protocol.policy_parts import Margin, MarginUnit
from capstat.results import UsageError


def rise(rate, reversion=0.0, between=None, median=None):
    """One row for each rate."""
    rate = np.atleast_1d(np.asarray(rate, dtype=float))

    def rows(value):
        return None if value is None else np.full(rate.size, value)

    return MaximumRise(DriftLaw(rate, np.full(rate.size, reversion), rows(between), rows(median), 30, "drift"))


def courses(rng, rate, reversion, minutes, steps, n=20_000):
    """Largest rises of finely simulated courses, and by how much the steps miss the maximum.

    A maximum seen at steps of h is too low by 0.5826 sd sqrt(h) on average (Broadie, Glasserman and Kou 1997, from
    memory).
    """
    h = minutes / steps
    keep = np.exp(-reversion * h)
    noise = np.sqrt(rate * h if reversion == 0 else rate * (1 - keep**2) / (2 * reversion))
    begin = np.zeros(n) if reversion == 0 else rng.normal(0, np.sqrt(rate / (2 * reversion)), n)
    x, largest = begin.copy(), begin.copy()
    for _ in range(steps):
        x = keep * x + noise * rng.standard_normal(n)
        np.maximum(largest, x, out=largest)
    return largest - begin + 0.5826 * np.sqrt(rate * h)


def test_walk_is_the_reflection_principle():
    """The maximum of a random walk is the size of a normal number (scipy); and a fine simulation agrees."""
    rate = 0.08**2 / 30
    margins = np.array([[0.02, 0.05], [0.1, 0.2]])
    found = rise([rate, 2 * rate]).exceeds(margins, 30.0)
    assert found.shape == (2, 2, 2)
    np.testing.assert_allclose(found[0], stats.halfnorm.sf(margins, scale=0.08), rtol=1e-12)
    np.testing.assert_allclose(found[1], stats.halfnorm.sf(margins, scale=0.08 * np.sqrt(2)), rtol=1e-12)
    simulated = courses(np.random.default_rng(1), rate, 0.0, 30.0, 500)
    np.testing.assert_allclose([np.mean(simulated > m) for m in margins.ravel()], found[0].ravel(), atol=0.012)


@pytest.mark.parametrize("reversion", [0.02, 0.1, 1.0])
def test_reverting_against_fine_simulation(reversion):
    rate = 2 * 0.06**2 * reversion
    simulated = courses(np.random.default_rng(2), rate, reversion, 30.0, 1200)
    margins = np.array([0.02, 0.05, 0.1, 0.15])
    found = rise(rate, reversion).exceeds(margins, 30.0)[0]
    np.testing.assert_allclose(found, [np.mean(simulated > m) for m in margins], atol=0.02)


def test_reverting_slowly_is_the_walk():
    rate = 0.08**2 / 30
    margins = np.array([0.02, 0.05, 0.1, 0.2])
    np.testing.assert_allclose(rise(rate, 1e-6).exceeds(margins, 30.0), rise(rate).exceeds(margins, 30.0), atol=0.015)


@pytest.mark.parametrize("reversion", [0.05, 0.5, 3.0])
def test_time_steps_do_not_bias_the_maximum(reversion, monkeypatch):
    """Steps ten times as fine give the same chances within Monte Carlo error."""
    margins = np.array([0.03, 0.08, 0.15])
    usual = rise(2 * 0.06**2 * reversion, reversion).exceeds(margins, 10.0)
    monkeypatch.setattr(loss, "FINEST", 0.05)
    monkeypatch.setattr(loss, "MOST_STEPS", 1024)
    loss._standard.cache_clear()
    finer = rise(2 * 0.06**2 * reversion, reversion).exceeds(margins, 10.0)
    loss._standard.cache_clear()
    np.testing.assert_allclose(usual, finer, atol=0.025)


def test_patients_average_to_the_whole():
    """Total probability: chances given the threshold at the start, averaged over starts, are those without it."""
    rate, reversion, between = 2 * 0.1**2 * 0.05, 0.05, 0.15
    model = rise(rate, reversion, between, np.log(90.0))
    nodes, weights = np.polynomial.hermite_e.hermegauss(15)
    spread = np.hypot(between, 0.1)
    given_start = [model.exceeds(np.array([0.05, 0.15]), 30.0, float(90 * np.exp(spread * z)))[0] for z in nodes]
    average = np.array(weights) @ np.array(given_start) / weights.sum()
    np.testing.assert_allclose(average, model.exceeds(np.array([0.05, 0.15]), 30.0)[0], atol=0.015)
    low, high = (model.exceeds(0.1, 30.0, start)[0] for start in (70.0, 120.0))
    assert low > high + 0.05
    # a random walk forgets where it began
    walk = rise(rate, 0.0, between, np.log(90.0))
    assert walk.exceeds(0.1, 30.0, 70.0)[0] == walk.exceeds(0.1, 30.0)[0]


def test_faster_than_the_steps_can_follow_stays_sensible():
    """The largest of many unrelated values: within what 100 and 1000 independent ones would give (scipy)."""
    s = 0.06
    margin = rise(2 * s**2 * 400.0, 400.0).margin(0.05, 30.0)[0]
    difference = s * np.sqrt(2)
    assert 2 * s < margin < difference * stats.norm.isf(0.05 / 1000)


@settings(max_examples=40, deadline=None)
# a reversion below one in a million a minute is none; smaller ones only overflow the stationary variance
@given(
    st.floats(0.0, 0.4), st.floats(0.001, 0.3), st.floats(1.0, 60.0),
    st.one_of(st.just(0.0), st.floats(1e-6, 1.0)), st.floats(0.005, 0.3),
)  # fmt: skip
def test_chances_are_chances_and_fall_with_the_margin(sd, margin, minutes, reversion, more):
    model = rise([sd**2 / 30, sd**2 / 20], reversion)
    found = model.exceeds(np.array([-0.1, 0.0, margin, margin + more]), minutes)
    assert ((found >= 0) & (found <= 1)).all()
    assert (np.diff(found, axis=1) <= 0).all()
    assert (found[:, :2] == 1).all()
    if reversion == 0:
        assert (model.exceeds(margin, 2 * minutes) >= found[:, 2]).all()


def test_same_seed_same_numbers_and_time_must_pass():
    model = rise(2e-4, 0.1)
    again = MaximumRise(model.law, seed=1)
    assert model.exceeds(0.05, 30.0) == again.exceeds(0.05, 30.0)
    assert model.exceeds(0.05, 30.0) != MaximumRise(model.law, seed=2).exceeds(0.05, 30.0)
    with pytest.raises(ValueError, match="more than 0 minutes"):
        model.exceeds(0.05, 0.0)


def test_margin_table_by_hand():
    """80 mA, steps of 5 mA, 10 % over 30 minutes: 5 mA and one step are the same, two steps are 10 mA."""
    table = margin_table(rise([0.1**2 / 30, 0.08**2 / 30, 0.12**2 / 30]), threshold_ma=80, step_ma=5)
    assert len(table) == 3 * len(USUAL_MARGINS)
    chance = {(row.margin.words, row.minutes): row.chance for row in table}
    assert chance["5 mA", 30].value == pytest.approx(2 * stats.norm.sf(np.log(85 / 80) / 0.1))
    assert chance["20 %", 10].value == pytest.approx(2 * stats.norm.sf(np.log(1.2) / 0.1 * np.sqrt(3)))
    assert chance["1 step", 30].value == chance["5 mA", 30].value
    assert chance["2 steps", 60].value == chance["10 mA", 60].value
    final = {row.margin.words: row.final_ma for row in table}
    assert (final["10 %"], final["2 steps"]) == (pytest.approx(88), 90)
    row = chance["10 %", 30]
    assert row.lower < row.value < row.upper
    assert "counted from the threshold" in row.notes[-1]
    for words in ({"threshold_ma": 0, "step_ma": 5}, {"threshold_ma": 80, "step_ma": np.nan}):
        with pytest.raises(UsageError, match="above 0 mA"):
            margin_table(rise(2e-4), **words)


@pytest.mark.parametrize("reversion", [0.0, 0.05])
def test_margin_needed_gives_the_wanted_chance(reversion):
    model = rise(np.array([0.08, 0.06, 0.07, 0.09, 0.1]) ** 2 / 30, reversion)
    found = margin_needed(model)
    assert model.exceeds(np.log1p(found.value / 100), 30.0)[0] == pytest.approx(0.05, abs=1e-3)
    assert found.lower < found.value < found.upper
    assert (found.unit, found.n) == ("%", 30)
    if reversion == 0:
        assert found.value == pytest.approx(100 * np.expm1(0.08 * stats.norm.isf(0.025)))
    without_draws = margin_needed(rise(2e-4, reversion))
    assert (without_draws.lower, without_draws.upper) == (None, None)
    for words in ({"at_most": 1.0}, {"minutes": 0.0}):
        with pytest.raises(UsageError, match=next(iter(words))):
            margin_needed(model, **words)


def test_assumed_drift_is_labelled_assumed():
    table = assumed_drift_table(threshold_ma=80, step_ma=5, margins=[Margin(10, MarginUnit.PERCENT)], minutes=[30])
    assert [row.assumed_sd for row in table] == list(ASSUMED_SDS)
    for row in table:
        assert row.chance.value == pytest.approx(2 * stats.norm.sf(np.log(1.1) / row.assumed_sd))
        assert (row.chance.lower, row.chance.upper, row.chance.n) == (None, None, 0)
        assert row.chance.notes[0].startswith("Assumed, not estimated")
        assert "assumed" in row.chance.method
    assert margin_needed(MaximumRise(assumed_drift(0.0))).value == 0
    for bad in (-0.1, np.nan, np.inf):
        with pytest.raises(UsageError, match="0 or more"):
            assumed_drift(bad)
