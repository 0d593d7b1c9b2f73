"""Policies beside each other: dominance, costs and regret by hand on made-up means, an order in the mathematical sense."""

from __future__ import annotations

from dataclasses import replace
from itertools import permutations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from capstat.distributions import LOGNORMAL
from capstat.protocol import RampPolicy
from capstat.protocol.compare_policies import CONSCIOUS, UNCONSCIOUS, Weights, compare_policies
from capstat.protocol.consequences import MeanConsequences, mean_consequences, policy_consequences
from capstat.protocol.expectation import Bounds
from capstat.protocol.threshold_law import ModelLaw, StepLaw
from capstat.results import NotEstimableError, UsageError

LAW = ModelLaw(LOGNORMAL, np.log([85.0]), np.log([[0.26]]), np.ones(1), 33, "everybody", "lognormal")
TEMPLATE = policy_consequences(RampPolicy(40, 5, 140, 1.0), LAW, discomfort_ma=70)
EQUAL = Weights("equal", 1.0, 1.0, 1.0)


def means(seconds, pulses, missed):
    """Means of the three criteria; each is one number or one for the estimate and every draw."""
    rows = np.broadcast_arrays(*(np.atleast_1d(np.asarray(part, dtype=float)) for part in (seconds, pulses, missed)))
    seconds, pulses, missed = (Bounds(row.copy(), row.copy()) for row in rows)
    nothing = Bounds(np.zeros(rows[0].size), np.zeros(rows[0].size))
    return MeanConsequences(missed, seconds, nothing, pulses, nothing)


def made_up(name, *criteria):
    return replace(TEMPLATE, policy=RampPolicy(40, 5, 140, 1.0, name=name), means=means(*criteria))


def compared(policies, if_higher=None, **words):
    return compare_policies(policies, if_higher or [found.means for found in policies], **words)


def test_dominance_by_hand():
    """A is best in all; C is worse than A and B in all; D is better than A in pulses only; E ties with D but is slower."""
    found = compared(
        [
            made_up("A", 10, 5, 0.1), made_up("B", 10, 6, 0.1), made_up("C", 20, 7, 0.2), made_up("D", 20, 1, 0.2),
            made_up("E", 21, 1, 0.2),
        ]
    )  # fmt: skip
    assert found.dominated_by == ((), ("A",), ("A", "B", "D"), (), ("D",))
    assert found.share_dominated == ()
    assert all(choice.share_best == () for choice in found.choices)


def test_equal_policies_do_not_dominate_each_other():
    found = compared([made_up("A", 10, 5, 0.1), made_up("B", 10 + 1e-10, 5 - 1e-10, 0.1)])
    assert found.dominated_by == ((), ())


def test_share_dominated_by_hand():
    """Estimate and four draws: B is dominated by A in the first two, by C in the third, by nobody in the last."""
    found = compared(
        [
            made_up("A", [1, 1, 1, 3, 3], 1, 0), made_up("B", [2, 2, 2, 2, 1], 1, 0), made_up("C", [3, 3, 3, 1, 2], 1, 0),
        ]
    )  # fmt: skip
    assert found.dominated_by == ((), ("A",), ("A", "B"))
    # A: by B and C in the last two; C: by A in the first two, by B in the last
    assert found.share_dominated == (0.5, 0.75, 0.75)


def test_costs_best_and_regret_by_hand():
    """Costs 2 s + 3 pulses + 100 shares: A 20 + 15 + 10 = 45, B 40 + 3 + 1 = 44; if higher A 24 + 18 + 20, B 60 + 3 + 4."""
    weights = Weights("mine", 2.0, 3.0, 100.0)
    found = compared(
        [made_up("A", 10, 5, 0.1), made_up("B", 20, 1, 0.01)], [means(12, 6, 0.2), means(30, 1, 0.04)],
        factor=1.3, weights=(weights,),
    )  # fmt: skip
    (choice,) = found.choices
    assert [cost.value for cost in choice.costs] == pytest.approx([45, 44])
    assert choice.best == 1
    assert [regret.value for regret in choice.regret] == pytest.approx([0, 67 - 62])
    assert found.factor == 1.3
    assert "1.3 times as high (mine weights)" in choice.regret[0].quantity
    assert (choice.costs[0].n, choice.costs[0].unit, choice.costs[0].lower) == (33, "s", None)
    assert compared([made_up("A", 1, 1, 0)], weights=()).choices == ()


def test_share_best_and_limits_by_hand():
    """Ten draws: A costs least in three of them; limits of a cost are order statistics of the draws."""
    a = np.array([5, 1, 1, 1, 9, 9, 9, 9, 9, 9, 9.0])
    found = compared([made_up("A", a, 0, 0), made_up("B", 4.0 + 0 * a, 0, 0)], weights=(EQUAL,), level=0.8)
    (choice,) = found.choices
    assert choice.share_best == (0.3, 0.7)
    assert choice.best == 1
    assert (choice.costs[0].value, choice.costs[0].lower, choice.costs[0].upper, choice.costs[0].level) == (
        5,
        1,
        9,
        0.8,
    )
    assert choice.regret[0].value == 1
    assert (choice.regret[1].lower, choice.regret[1].upper) == (0, 3)


def test_usual_weights():
    """The default weights differ in pulses only."""
    found = compared([made_up("A", 1, 100, 0), made_up("B", 2, 0, 0)])
    assert [choice.weights for choice in found.choices] == [CONSCIOUS, UNCONSCIOUS]
    assert [choice.best for choice in found.choices] == [1, 0]


criteria = st.tuples(st.integers(0, 3), st.integers(0, 3), st.integers(0, 3))


@given(st.lists(criteria, min_size=1, max_size=6))
def test_dominance_is_a_strict_order(rows):
    """Irreflexive, asymmetric, transitive; somebody is not dominated; and as a double loop finds it."""
    names = [f"P{k}" for k in range(len(rows))]
    found = compared([made_up(name, *row) for name, row in zip(names, rows, strict=True)])
    above = {name: set(by) for name, by in zip(names, found.dominated_by, strict=True)}
    for name in names:
        assert name not in above[name]
        for by in above[name]:
            assert name not in above[by]
            assert above[by] <= above[name]
    assert any(not by for by in above.values())
    for (one, a), (other, b) in permutations(zip(names, rows, strict=True), 2):
        expected = all(x <= y for x, y in zip(a, b, strict=True)) and a != b
        assert (one in above[other]) == expected
    for choice in found.choices:
        assert choice.costs[choice.best].value == min(cost.value for cost in choice.costs)
        assert min(regret.value for regret in choice.regret) == 0
    # with weights above 0 the cheapest is dominated by nobody
    assert found.dominated_by[found.choices[0].best] == ()


@given(
    st.lists(st.lists(criteria, min_size=5, max_size=5), min_size=2, max_size=4),
    st.tuples(st.floats(0, 10), st.floats(0, 10), st.floats(0.01, 1000)),
)
def test_shares_of_draws(rows, numbers):
    """Shares of being best add to 1; regret is never negative and nought for one policy in every draw."""
    arrays = np.array(rows, dtype=float)
    policies = [made_up(f"P{k}", *array.T) for k, array in enumerate(arrays)]
    found = compared(policies, weights=(Weights("any", *numbers),))
    (choice,) = found.choices
    assert sum(choice.share_best) == pytest.approx(1)
    costs = arrays @ np.array(numbers)
    assert [cost.value for cost in choice.costs] == pytest.approx(costs[:, 0])
    assert costs[choice.best, 0] == pytest.approx(costs[:, 0].min())
    assert all(0 <= share <= 1 for share in found.share_dominated)
    assert all(regret.lower >= 0 for regret in choice.regret)


def test_real_policies():
    """Waiting twice as long at every setting is dominated; with higher thresholds everything takes longer."""
    fast, slow = (RampPolicy(40, 5, 140, dwell, name=f"{dwell:g} s") for dwell in (1.0, 2.0))
    law = replace(LAW, location=np.log([85, 80, 90.0]), ancillary=np.full((3, 1), np.log(0.26)), capturable=np.ones(3))
    both = [policy_consequences(policy, law, discomfort_ma=70) for policy in (fast, slow)]
    higher = [mean_consequences(policy, law.scaled(1.2), discomfort_ma=70) for policy in (fast, slow)]
    found = compare_policies(both, higher)
    assert found.dominated_by == ((), ("1 s",))
    assert found.share_dominated == (0.0, 1.0)
    assert found.choices[0].share_best == (1.0, 0.0)
    cost = [
        one.without_output_s.lower[0] + one.pulses_above_discomfort.lower[0] + 600 * one.not_captured.lower[0]
        for one in higher
    ]
    expected = cost[1] - cost[0]
    assert found.choices[0].regret[1].value == pytest.approx(expected)


@pytest.mark.parametrize("numbers", [(0, 0, 0), (-1, 1, 1), (1, np.inf, 1), (1, 1, np.nan)])
def test_weights_that_rank_nothing(numbers):
    with pytest.raises(UsageError, match="numbers of at least 0, one of them above 0"):
        Weights("none", *numbers)


def test_refusals():
    one = made_up("A", 1, 1, 0)
    for policies, higher in (([], []), ([one, one], [one.means] * 2), ([one], [one.means] * 2), ([one], [])):
        with pytest.raises(UsageError, match="one or more policies with different names"):
            compare_policies(policies, higher)
    steps = StepLaw(np.array([40.0, 100.0]), np.array([63.0, np.inf]), np.array([[0.5, 0.5]]), 10, "a", "b")
    bounds = policy_consequences(RampPolicy(40, 10, 120, 1.0, name="B"), steps, discomfort_ma=70)
    with pytest.raises(NotEstimableError, match="between bounds only"):
        compare_policies([one, bounds], [one.means, one.means])


def test_bounds_under_higher_thresholds_are_refused():
    one = made_up("A", 1, 1, 0)
    vague = replace(one.means, without_output_s=Bounds(np.array([1.0]), np.array([50.0])))
    with pytest.raises(NotEstimableError, match="between bounds only"):
        compare_policies([one], [vague])


def test_different_numbers_of_draws():
    """A pair of placements without draws may stand beside one placement with some: the smallest number counts."""
    few, many = made_up("A", [1, 1, 2], 1, 0), made_up("B", [2, 1, 2, 3], 1, 0)
    (choice,) = compared([few, many], weights=(EQUAL,)).choices
    assert choice.share_best == (0.5, 0.5)
    none = compared([made_up("A", 1, 1, 0), many], weights=(EQUAL,))
    assert none.choices[0].share_best == none.share_dominated == ()
    assert none.choices[0].costs[1].lower is None


@pytest.mark.parametrize("factor", [0.0, -1.0, float("nan"), float("inf")])
def test_factor_that_is_none(factor):
    with pytest.raises(UsageError, match="factor"):
        compared([made_up("A", 1, 1, 0)], factor=factor)


def test_ties_are_shared():
    (choice,) = compared([made_up("A", [1, 1, 1], 1, 0), made_up("B", [1, 1, 1], 1, 0)], weights=(EQUAL,)).choices
    assert choice.share_best == (0.5, 0.5)
