"""Likelihood of judged ramps against a product over judgements, one threshold at a time."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import expit, logit

from capstat.capture.judged_ramps import JudgedRamps
from capstat.capture.judgement_errors import JudgementErrors
from capstat.capture.judgement_table import tabulate_ramps
from capstat.numerics.mixing import DenseLikelihood, IntervalLikelihood
from capstat.results import UsageError

PERFECT_JUDGEMENT = JudgementErrors(1.0, 1.0)

CURRENTS = [40.0, 50.0, 55.0, 70.0, 90.0]
STEP = st.tuples(st.sampled_from(CURRENTS), st.booleans(), st.sampled_from([-1, -1, 0, 1]))
RAMPS = st.lists(st.lists(STEP, min_size=1, max_size=5), min_size=1, max_size=6)


def made(ramps, **more):
    flat = [(i, *step) for i, ramp in enumerate(ramps) for step in ramp]
    return JudgedRamps.from_arrays(*zip(*flat, strict=True), **more)


def ended(ramp):
    """Up to the first claim; up to the first refusal where it begins with a claim and steps down."""
    down = len(ramp) > 1 and ramp[0][1] and ramp[1][0] < ramp[0][0]
    ends = [k for k, step in enumerate(ramp) if step[1] != down]
    return ramp[: ends[0] + 1] if ends else ramp


def probability(ramp, threshold, errors):
    """Of the judgements up to the ramp's end, for one threshold; zero where the reference excludes it."""
    found = 1.0
    for current, claimed, truth in ended(ramp):
        captured = threshold <= current if truth < 0 else truth == 1
        false_claim = expit(logit(1 - errors.specificity) + math.log(errors.odds_ratio_per_10_ma) / 10 * (current - 80))
        yes = errors.sensitivity if captured else false_claim
        found *= yes if claimed else 1 - yes
    low = max((c for c, _, t in ramp if t == 0), default=0.0)
    high = min((c for c, _, t in ramp if t == 1 and c > low), default=math.inf)
    return found if low < threshold <= high else 0.0


@given(RAMPS, st.floats(0.6, 0.99), st.floats(0.6, 0.99), st.sampled_from([1.0, 1.2, 0.9]), st.data())
@settings(max_examples=120, deadline=None)
def test_likelihood_is_the_product_over_judgements(ramps, sensitivity, specificity, odds_ratio, data):
    """Thresholds drawn inside each cell: anywhere in it, the product is the same."""
    errors = JudgementErrors(sensitivity, specificity, odds_ratio)
    table = tabulate_ramps(made(ramps))
    found = table.likelihood(errors)
    full = (found.matrix * np.exp(found.log_scale)[:, None])[table.index]
    assert np.all(found.matrix.max(axis=1) == 1)
    for cell, (low, high) in enumerate(zip(table.lower_ma, table.upper_ma, strict=True)):
        part = data.draw(st.floats(0.01, 1.0))
        threshold = low + part * (min(high, 500.0) - low)
        wanted = [probability(ramp, threshold, errors) for ramp in ramps]
        np.testing.assert_allclose(full[:, cell], wanted, rtol=1e-9, atol=1e-300)


@given(RAMPS)
@settings(max_examples=60, deadline=None)
def test_table_counts_every_ramp_once(ramps):
    """Reference: Python's sets and counts."""

    def key(ramp):
        low = max((c for c, _, t in ramp if t == 0), default=0.0)
        high = min((c for c, _, t in ramp if t == 1 and c > low), default=math.inf)
        return low, high, tuple(sorted(ended(ramp)))

    table = tabulate_ramps(made(ramps))
    keys = [key(ramp) for ramp in ramps]
    assert table.count.sum() == len(ramps)
    assert table.count.size == len(set(keys))
    assert all((table.index[i] == table.index[j]) == (keys[i] == keys[j]) for i in range(len(keys)) for j in range(i))
    kinds = (table.claimed, table.refused, table.captured_claimed, table.captured_refused, table.absent_claimed,
             table.absent_refused)  # fmt: skip
    assert sum(float(table.count @ kind.sum(axis=1)) for kind in kinds) == sum(len(k[2]) for k in keys)


def test_known_interval_from_outside_limits_the_cells_and_adds_its_edges():
    ramps = JudgedRamps.from_arrays([0, 0, 1], [50.0, 60.0, 60.0], [False, True, True],
                                    known_ma=([55.0, 0.0], [80.0, np.inf]))  # fmt: skip
    table = tabulate_ramps(ramps)
    assert table.edges_ma.tolist() == [50, 55, 60, 80]
    assert table.allowed.tolist() == [[False, False, True, True, False], [True] * 5]


@given(RAMPS)
@settings(max_examples=60, deadline=None)
def test_perfect_judgement_gives_the_indicator_of_the_claimed_interval(ramps):
    rising = [[(c, y, -1) for c, y, _ in sorted({s[0]: s for s in ramp}.values())] for ramp in ramps]
    judged = made(rising)
    table, claimed = tabulate_ramps(judged), judged.as_claimed()
    found = table.likelihood(PERFECT_JUDGEMENT)
    low, high = claimed.lower_ma[:, None], claimed.upper_ma[:, None]
    np.testing.assert_array_equal(found.matrix[table.index], (table.lower_ma >= low) & (table.upper_ma <= high))
    assert np.all(found.log_scale == 0)


@pytest.mark.parametrize(
    ("ramp", "errors"),
    [
        # turned down and captured below where it had not
        ([(60.0, False, -1), (50.0, True, -1)], PERFECT_JUDGEMENT),
        ([(60.0, True, 0)], JudgementErrors(0.9, 1.0)),
        ([(60.0, False, 1)], JudgementErrors(1.0, 0.9)),
    ],
)
def test_contradictions_are_refused(ramp, errors):
    table = tabulate_ramps(made([[(50.0, False, -1)], ramp, ramp]))
    with pytest.raises(UsageError, match="2 ramps contradict"):
        table.likelihood(errors)


def test_perfect_specificity_is_no_contradiction_where_only_sensitivity_fails():
    found = tabulate_ramps(made([[(60.0, False, -1), (50.0, True, -1)]])).likelihood(JudgementErrors(0.9, 1.0))
    # the large stand-in for log 0 costs a few digits
    np.testing.assert_allclose(found.matrix[0] * np.exp(found.log_scale[0]), [0.09, 0, 0], rtol=1e-9)


def test_useless_currents_are_refused():
    with pytest.raises(UsageError, match="At 200 mA"):
        tabulate_ramps(made([[(200.0, False, -1)]])).likelihood(JudgementErrors(0.7, 0.9, 2.0))


@given(RAMPS, st.integers(0, 2**32 - 1))
@settings(max_examples=40, deadline=None)
def test_expected_judgements_are_those_of_drawn_thresholds(ramps, seed):
    """A posterior on one cell makes the truth known: counts by a Python loop."""
    table = tabulate_ramps(made(ramps))
    m, cells = table.allowed.shape
    chosen = np.random.default_rng(seed).integers(0, cells, m)
    found = table.expected_judgements(np.eye(cells)[chosen])
    wanted = np.zeros((4, m, table.edges_ma.size))
    seen = set()
    for i, ramp in enumerate(ramps):
        row = table.index[i]
        if row in seen:
            continue
        seen.add(row)
        for current, claimed, truth in ended(ramp):
            at = int(np.searchsorted(table.edges_ma, current))
            captured = chosen[row] <= at if truth < 0 else truth == 1
            wanted[2 * (not captured) + (not claimed), row, at] += 1
    np.testing.assert_array_equal(found, wanted)


def test_a_dense_matrix_of_runs_acts_like_the_interval_matrix():
    """Reference: the interval operator, checked elsewhere; and numpy's products."""
    rng = np.random.default_rng(1)
    first = rng.integers(0, 8, 12)
    last = first + rng.integers(0, 4, 12)
    runs = IntervalLikelihood(first, last, 12)
    dense = DenseLikelihood(runs.columns(np.arange(12)))
    mass, values, index = rng.dirichlet(np.ones(12)), rng.random(12), np.array([1, 4, 5, 9])
    assert dense.shape == runs.shape
    np.testing.assert_allclose(dense.apply(mass), runs.apply(mass))
    np.testing.assert_allclose(dense.adjoint(values), runs.adjoint(values), atol=1e-12)
    np.testing.assert_array_equal(dense.columns(index), runs.columns(index))
    np.testing.assert_allclose(dense.gram(index, values), runs.gram(index, values))
    other = DenseLikelihood(rng.random((7, 5)))
    weights, chosen = rng.random(7), other.matrix[:, [0, 3]]
    np.testing.assert_allclose(other.gram(np.array([0, 3]), weights), np.einsum("ia,i,ib->ab", chosen, weights, chosen))
