"""Capture currents over a range of errors: the ordinary estimate, Rogan and Gladen, and a plain EM."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy import stats

from capstat.capture.judged_ramps import JudgedRamps
from capstat.capture.sensitivity_surface import SENSITIVITIES, SPECIFICITIES, sensitivity_surface
from capstat.distributions import fit_npmle

CURRENTS = np.arange(40.0, 121.0, 10.0)


def simulated(n, seed, sensitivity=0.9, specificity=0.94, reviewed=0.0):
    rng = np.random.default_rng(seed)
    captured = np.exp(rng.normal(np.log(75), 0.25, n))[:, None] <= CURRENTS
    claimed = rng.random(captured.shape) < np.where(captured, sensitivity, 1 - specificity)
    tested = np.cumsum(claimed, axis=1) - claimed == 0
    row, column = np.nonzero(tested)
    truth = np.where((rng.random(n) < reviewed)[:, None], captured, -1)
    return JudgedRamps.from_arrays(row, CURRENTS[column], claimed[tested], truth[tested])


def single(claimed, refused):
    n = claimed + refused
    return JudgedRamps.from_arrays(np.arange(n), np.full(n, 80.0), np.arange(n) < claimed)


def em_log_likelihood(ramps, sensitivity, specificity, steps=20_000):
    """Plain EM for the masses of the cells (Dempster, Laird & Rubin 1977), the likelihood a product over judgements."""
    upper = np.append(np.unique(ramps.current_ma), np.inf)
    yes = np.where(upper <= ramps.current_ma[:, None], sensitivity, 1 - specificity)
    like = np.ones((len(ramps), upper.size))
    np.multiply.at(like, ramps.ramp, np.where(ramps.claimed[:, None], yes, 1 - yes))
    rows, count = np.unique(like, axis=0, return_counts=True)
    mass = np.full(upper.size, 1 / upper.size)
    for _ in range(steps):
        mass = mass * (rows.T @ (count / (rows @ mass))) / count.sum()
    return float(count @ np.log(rows @ mass))


def test_perfect_judgement_is_as_claimed():
    ramps = simulated(200, 1)
    fractions = (0.25, 0.5, 0.9, 0.999)
    (point,) = sensitivity_surface(ramps, fractions=fractions, sensitivities=(1.0,), specificities=(1.0,))
    ordinary = fit_npmle(ramps.as_claimed())
    assert point.currents_ma == tuple(ordinary.capture_current(fraction) for fraction in fractions)
    assert point.log_likelihood == 0
    assert point.reason == ""


def test_every_pair_in_order():
    points = sensitivity_surface(simulated(60, 2), fractions=(0.5,))
    assert [(p.sensitivity, p.specificity) for p in points] == list(itertools.product(SENSITIVITIES, SPECIFICITIES))


def test_currents_of_one_setting_are_those_of_rogan_and_gladen():
    """60 of 100 claimed at 80 mA (1978, from memory): captured (0.6 + Sp - 1) / (Se + Sp - 1); at 80 mA or beyond it."""
    fractions = (0.3, 0.5, 0.6, 0.65)
    for point in sensitivity_surface(single(60, 40), fractions=fractions):
        share = min((0.6 + point.specificity - 1) / (point.sensitivity + point.specificity - 1), 1.0)
        for fraction, current in zip(fractions, point.currents_ma, strict=True):
            if abs(fraction - share) > 1e-6:
                assert current == ((0.0, 80.0) if fraction < share else None)


def test_likelihoods_are_those_of_a_plain_em():
    """Reference: the EM above; differences of maxima between pairs, and their meaning as a likelihood ratio."""
    ramps = simulated(120, 3)
    pairs = [(1.0, 1.0), (0.9, 0.94), (0.8, 1.0), (1.0, 0.8)]
    sensitivities, specificities = (1.0, 0.9, 0.8), (1.0, 0.94, 0.8)
    points = sensitivity_surface(ramps, fractions=(0.5,), sensitivities=sensitivities, specificities=specificities)
    found = {(p.sensitivity, p.specificity): p.log_likelihood for p in points}
    assert max(found.values()) == 0
    wanted = np.array([em_log_likelihood(ramps, *pair) for pair in pairs])
    got = np.array([found[pair] for pair in pairs])
    np.testing.assert_allclose(got - got[0], wanted - wanted[0], atol=2e-3)


def test_the_true_pair_is_not_spoken_against_and_recovers_the_truth():
    """8,000 ramps; likelihood ratio of the true pair below the 99.9 % point with two degrees of freedom."""
    points = sensitivity_surface(
        simulated(8_000, 4), fractions=(0.45,), sensitivities=(1.0, 0.9, 0.8), specificities=(1.0, 0.94, 0.8)
    )
    by_pair = {(p.sensitivity, p.specificity): p for p in points}
    true = by_pair[0.9, 0.94]
    assert -2 * true.log_likelihood < stats.chi2.ppf(0.999, 2)
    # 45 % are captured by 72.7 mA, in the cell (70, 80]; as claimed it looks lower
    assert true.currents_ma[0] == (70.0, 80.0)
    assert by_pair[1.0, 1.0].currents_ma[0][1] <= 70
    assert by_pair[1.0, 0.8].currents_ma[0] is None or by_pair[1.0, 0.8].currents_ma[0][0] >= 80


def test_a_reference_plays_no_part():
    with_it, without = simulated(80, 5, reviewed=0.5), simulated(80, 5, reviewed=0.5).without_reference()
    assert sensitivity_surface(with_it, fractions=(0.5,)) == sensitivity_surface(without, fractions=(0.5,))


def test_pairs_without_an_answer_say_why():
    # a step down: refused at 80, captured at 60, which never-wrong judgements exclude
    rows = [(0, 80.0, False), (0, 60.0, True), (1, 60.0, False), (1, 80.0, True)]
    ramps = JudgedRamps.from_arrays(*zip(*rows, strict=True))
    points = sensitivity_surface(
        ramps, fractions=(0.5, 0.9), sensitivities=(1.0, 0.9, 0.1), specificities=(1.0, 0.9)
    )  # fmt: skip
    by_pair = {(p.sensitivity, p.specificity): p for p in points}
    assert "contradict" in by_pair[1.0, 1.0].reason
    assert "no better than chance" in by_pair[0.1, 0.9].reason
    for pair in ((1.0, 1.0), (0.1, 0.9)):
        assert by_pair[pair].currents_ma == (None, None)
        assert by_pair[pair].log_likelihood is None
    assert by_pair[0.9, 0.9].reason == ""
    assert max(p.log_likelihood for p in points if p.log_likelihood is not None) == 0


@pytest.mark.parametrize("pair", [(0.5, 0.5), (0.2, 0.3)])
def test_no_pair_with_an_answer(pair):
    (point,) = sensitivity_surface(
        single(3, 4), fractions=(0.5,), sensitivities=pair[:1], specificities=pair[1:]
    )  # fmt: skip
    assert (point.currents_ma, point.log_likelihood) == ((None,), None)
    assert point.reason


def test_a_fraction_that_is_nowhere_reached():
    points = sensitivity_surface(single(0, 5), fractions=(0.5,), sensitivities=(1.0, 0.9), specificities=(1.0, 0.9))
    assert all(p.currents_ma == (None,) and p.reason == "" for p in points)
