"""Incidences from regressions of all causes: R's multistate survfit (recorded), loops by hand, known truth."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capstat.numerics import hazards_predict
from capstat.numerics.cumulative_incidence import event_curves
from capstat.numerics.hazards import fit_hazards
from capstat.numerics.hazards_predict import cause_specific_incidence, standardised_incidence
from capstat.results import UsageError

REFERENCE = Path(__file__).parent.parent / "reference"


def made(seed, n=50, scale=1.0):
    rng = np.random.default_rng(seed)
    design = np.column_stack([rng.integers(0, 2, n), rng.normal(0, scale, n)])
    time, cause = np.ceil(rng.exponential(8, n)), rng.integers(0, 3, n)
    return time, cause, design


def fitted(time, cause, design, ties="efron"):
    return [fit_hazards(time, cause == k, design, ties=ties) for k in (1, 2)]


@pytest.mark.reference
def test_multistate_survfit(reference):
    case = reference("r17")
    frame = pd.DataFrame(case.data["rows"], columns=case.data["columns"])
    fits = fitted(frame["tied"], frame["cause"].to_numpy(), frame[["x1", "x2", "x3"]], ties="breslow")
    people = [[0, 50, 0.5], [1, 70, -1]]
    case.check("both.tied.breslow", cause_specific_incidence(fits, [people] * 2, [2, 10, 25]).ravel())
    frame = pd.read_csv(REFERENCE / "s19_mgus2.csv").dropna()
    fits = fitted(frame["etime"], frame["event"].to_numpy(), frame[["age", "male", "mspike"]], ties="breslow")
    people = [[60, 0, 1], [80, 1, 2]]
    case.check("both.mgus2", cause_specific_incidence(fits, [people] * 2, [60, 120, 240]).ravel())


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10**6))
def test_by_loops(seed):
    """Own loops over times; shares stay within 0 to 1, also for rows far outside the data."""
    time, cause, design = made(seed)
    fits = fitted(time, cause, design)
    rows = np.vstack([design[:4], [[1, 9.0], [0, -9.0]]])
    at = [0.0, 3.0, 11.0, 99.0]
    got = cause_specific_incidence(fits, [rows, rows], at)
    for i, row in enumerate(rows):
        free, share, here = 1.0, np.zeros(2), {}
        for t in range(int(time.max()) + 1):
            rises = np.zeros(2)
            for c, fit in enumerate(fits):
                at_t = np.flatnonzero(fit.baseline_times == t)
                if at_t.size:
                    before = fit.baseline_hazard[at_t[0] - 1] if at_t[0] else 0.0
                    rises[c] = (fit.baseline_hazard[at_t[0]] - before) * np.exp((row - fit.means) @ fit.coefficients)
            if rises.sum() > 0:
                share = share + free * -np.expm1(-rises.sum()) * rises / rises.sum()
                free *= np.exp(-rises.sum())
            here[t] = share
        want = [here.get(int(t), share) for t in at]
        np.testing.assert_allclose(got[:, i], np.transpose(want), rtol=1e-9, atol=1e-12)
    assert (got >= 0).all()
    assert (got.sum(axis=0) <= 1 + 1e-12).all()


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10**6))
def test_standardised_is_the_weighted_mean(seed):
    time, cause, design = made(seed)
    fits = fitted(time, cause, design)
    weight = np.random.default_rng(seed).integers(0, 3, 50)
    each = cause_specific_incidence(fits, [design, design], [0.5, 4, 20])
    np.testing.assert_allclose(
        standardised_incidence(fits, [design, design], [0.5, 4, 20], weight),
        np.average(each, axis=1, weights=weight),
        rtol=1e-10,
        atol=1e-14,
    )
    np.testing.assert_allclose(standardised_incidence(fits, [design, design], [20, 4]), each.mean(axis=1)[:, [2, 1]])


def test_rows_far_outside_have_certain_shares():
    time, cause, design = made(2)
    fits = fitted(time, cause, design)
    far = np.array([[0, 1e6], [0, -1e6]])
    got = cause_specific_incidence(fits, [far, far], [0.0, 200.0])
    assert np.isfinite(got).all()
    assert ((got >= 0) & (got <= 1)).all()


def test_blocks_of_rows_change_nothing(monkeypatch):
    time, cause, design = made(4)
    fits = fitted(time, cause, design)
    whole = standardised_incidence(fits, [design, design], [4, 20])
    monkeypatch.setattr(hazards_predict, "_BLOCK", 100)
    np.testing.assert_allclose(standardised_incidence(fits, [design, design], [4, 20]), whole, rtol=1e-12)


def test_standardised_to_the_sample_is_aalen_and_johansen():
    """The mean over everybody of the model's incidences is close to the curve without a model."""
    time, cause, design = made(3, n=3000)
    fits = fitted(time, cause, design)
    curves = event_curves(time, cause, n_causes=2)
    at = np.searchsorted(curves.times, [2, 5, 15], side="right") - 1
    np.testing.assert_allclose(
        standardised_incidence(fits, [design, design], [2, 5, 15]), curves.incidence[:, at], atol=0.012
    )


def test_known_incidence():
    """Constant hazards 0.1 exp(0.7 x) and 0.05: shares have closed forms."""
    rng = np.random.default_rng(8)
    n = 20_000
    x = rng.integers(0, 2, n)
    one, two = 0.1 * np.exp(0.7 * x), np.full(n, 0.05)
    time = rng.exponential(1 / (one + two))
    cause = np.where(rng.random(n) < one / (one + two), 1, 2)
    stop = np.minimum(time, 15)
    fits = fitted(stop, np.where(time <= 15, cause, 0), x[:, None])
    at = np.array([2.0, 10.0])
    for value in (0, 1):
        got = standardised_incidence(fits, [[[value]]] * 2, at)
        rate = np.array([0.1 * np.exp(0.7 * value), 0.05])
        want = rate[:, None] / rate.sum() * -np.expm1(-rate.sum() * at)
        np.testing.assert_allclose(got, want, atol=0.012)


def test_wrong_input():
    time, cause, design = made(1)
    fits = fitted(time, cause, design)
    for bad in ([design], [design, design[:3]], [design, design[:, 0]]):
        with pytest.raises(UsageError, match="Every fit needs a design"):
            cause_specific_incidence(fits, bad, [1.0])
    with pytest.raises(UsageError, match="must have the columns column 1, column 2"):
        standardised_incidence(fits, [design, design[:, :1]], [1.0])
    with pytest.raises(UsageError, match="Weights must be"):
        standardised_incidence(fits, [design, design], [1.0], np.zeros(50))
