"""Firth's logistic regression: R's brglm2, the closed form of a two-by-two table, brute force, symmetries."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from capstat.numerics.firth import firth_logistic
from capstat.numerics.firth_search import PenalisedLikelihood, curvature
from capstat.results import NotEstimableError, UsageError


def two_by_two(x1: int, n1: int, x2: int, n2: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Four rows with the counts as weights: design, outcome, weight."""
    design = np.array([[1.0, 1.0], [1.0, 1.0], [1.0, 0.0], [1.0, 0.0]])
    return design, np.array([1.0, 0.0, 1.0, 0.0]), np.array([x1, n1 - x1, x2, n2 - x2], dtype=float)


def penalised(beta, design, outcome, weight):
    """The definition, written down separately."""
    mean = 1 / (1 + np.exp(-design @ beta))
    information = design.T @ (design * (weight * mean * (1 - mean))[:, None])
    fit = weight @ np.log(np.where(outcome == 1, mean, 1 - mean))
    return fit + np.linalg.slogdet(information)[1] / 2


@pytest.mark.reference
@pytest.mark.parametrize("name", ["endometrial", "weighted"])
def test_against_brglm2_and_optim(reference, name):
    """r18: brglm2 (estimates), optim and uniroot in R (limits, tests)."""
    case = reference("r18")
    rows = np.array(case.data[name])
    columns, weight = (rows[:, :3], rows[:, 3]) if name == "weighted" else (rows, None)
    design = np.column_stack((np.ones(len(rows)), columns[:, 1:]))
    fit = firth_logistic(design, columns[:, 0], [f"c{j}" for j in range(design.shape[1])], weight=weight)
    case.check(f"{name}.coefficients", fit.coefficients)
    case.check(f"{name}.standard_errors", np.sqrt(np.diag(fit.covariance)))
    for key in ("penalised_log_likelihood", "lower", "upper", "p_value"):
        case.check(f"{name}.{key}", getattr(fit, key))


def test_endometrial_as_printed(reference):
    """Printed by the R package brglm (seen in the description of mbrglm); limits of NV from memory (Agresti 2015)."""
    rows = np.array(reference("r18").data["endometrial"])
    fit = firth_logistic(np.column_stack((np.ones(79), rows[:, 1:])), rows[:, 0], ("intercept", "NV", "PI", "EH"))
    assert fit.coefficients == pytest.approx([3.77456, 2.92927, -0.03475, -2.60416], abs=5e-6)
    assert -2 * fit.penalised_log_likelihood == pytest.approx(48.0745, abs=5e-5)
    assert (fit.lower[1], fit.upper[1]) == pytest.approx((0.61, 7.85), abs=5e-3)


@given(st.tuples(st.integers(1, 40), st.integers(1, 40)).flatmap(
    lambda n: st.tuples(st.integers(0, n[0]), st.just(n[0]), st.integers(0, n[1]), st.just(n[1]))))  # fmt: skip
@settings(max_examples=25, deadline=None)
def test_saturated_table_adds_a_half_to_each_cell(table):
    """Closed form: log odds with 1/2 added to each cell (Firth 1993)."""
    x1, n1, x2, n2 = table
    fit = firth_logistic(*two_by_two(*table)[:2], ("intercept", "group"), weight=two_by_two(*table)[2])
    one, two = (np.log((x + 0.5) / (n - x + 0.5)) for x, n in ((x1, n1), (x2, n2)))
    assert fit.coefficients == pytest.approx([two, one - two], abs=1e-7)
    errors = np.sqrt([
        1 / (n2 * (q := (x2 + 0.5) / (n2 + 1)) * (1 - q)),
        1 / (n1 * (p := (x1 + 0.5) / (n1 + 1)) * (1 - p)) + 1 / (n2 * q * (1 - q)),
    ])  # fmt: skip
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx(errors, rel=1e-6)
    # the test and the limits speak of the same thing
    assert ((fit.lower > 0) | (fit.upper < 0)).tolist() == (fit.p_value < 0.05).tolist()


@pytest.mark.parametrize("table", [(3, 10, 0, 12), (0, 8, 0, 9), (7, 7, 2, 15), (4, 11, 6, 13)])
def test_limits_by_brute_force(table):
    """The highest penalised likelihood over the intercept has fallen by half the quantile, from a search in one line."""
    design, outcome, weight = two_by_two(*table)
    fit = firth_logistic(design, outcome, ("intercept", "group"), weight=weight, level=0.9)

    def highest(group):
        grid = optimize.minimize_scalar(
            lambda a: -penalised(np.array([a, group]), design, outcome, np.maximum(weight, 0)), bounds=(-15, 15),
            method="bounded", options={"xatol": 1e-10},
        )  # fmt: skip
        return -grid.fun

    for limit in (fit.lower[1], fit.upper[1]):
        drop = 2 * (fit.penalised_log_likelihood - highest(limit))
        assert drop == pytest.approx(stats.chi2.ppf(0.9, 1), rel=1e-6)
    drop = 2 * (fit.penalised_log_likelihood - highest(0.0))
    assert fit.p_value[1] == pytest.approx(stats.chi2.sf(drop, 1), rel=1e-5, abs=1e-8)


@given(st.integers(0, 10_000))
@settings(max_examples=8, deadline=None)
def test_symmetries(seed):
    """Swapping the outcome flips signs; another unit of a column changes its coefficient alone; copies are weights."""
    rng = np.random.default_rng(seed)
    n = 30
    design = np.column_stack((np.ones(n), rng.random(n) < 0.4, rng.normal(70, 12, n)))
    if np.linalg.matrix_rank(design) < 3:
        return
    outcome, weight = (rng.random(n) < 0.2).astype(float), rng.integers(0, 4, n).astype(float)
    names = ("intercept", "group", "age")
    fit = firth_logistic(design, outcome, names)
    swapped = firth_logistic(design, 1 - outcome, names)
    assert swapped.coefficients == pytest.approx(-fit.coefficients, abs=1e-6)
    assert swapped.lower == pytest.approx(-fit.upper, rel=1e-5, abs=1e-6)
    assert swapped.p_value == pytest.approx(fit.p_value, rel=1e-5)
    months = firth_logistic(design * [1, 1, 12], outcome, names)
    assert months.coefficients * [1, 1, 12] == pytest.approx(fit.coefficients, rel=1e-6, abs=1e-7)
    assert months.upper * [1, 1, 12] == pytest.approx(fit.upper, rel=1e-5, abs=1e-6)
    copies = np.repeat(np.arange(n), weight.astype(int))
    if np.linalg.matrix_rank(design[copies]) == 3:
        one = firth_logistic(design, outcome, names, weight=weight)
        two = firth_logistic(design[copies], outcome[copies], names)
        assert one.coefficients == pytest.approx(two.coefficients, rel=1e-6, abs=1e-7)
        assert one.n == two.n == weight.sum()


def test_refuses_in_one_sentence():
    rng = np.random.default_rng(1)
    age = rng.normal(size=12)
    outcome = np.array([0.0, 1.0] * 6)
    design = np.column_stack((np.ones(12), age, 2 * age + 1))
    with pytest.raises(NotEstimableError, match="The column 'age in months' follows from the other columns"):
        firth_logistic(design, outcome, ("intercept", "age", "age in months"))
    with pytest.raises(NotEstimableError, match="'always' follows"):
        firth_logistic(np.column_stack((np.ones(12), np.ones(12))), outcome, ("intercept", "always"))
    with pytest.raises(NotEstimableError, match="'nothing' follows"):
        firth_logistic(np.column_stack((np.ones(12), np.zeros(12))), outcome, ("intercept", "nothing"))
    with pytest.raises(NotEstimableError, match="there are none"):
        firth_logistic(design[:, :2], outcome, ("a", "b"), weight=np.zeros(12))
    with pytest.raises(UsageError, match="0 or 1"):
        firth_logistic(design[:, :2], outcome * 2, ("a", "b"))
    with pytest.raises(UsageError, match="negative"):
        firth_logistic(design[:, :2], outcome, ("a", "b"), weight=-np.ones(12))
    with pytest.raises(UsageError, match="a column for each name"):
        firth_logistic(design, outcome, ("a", "b"))
    with pytest.raises(UsageError, match="missing or infinite"):
        firth_logistic(np.where(design > 1, np.nan, design), outcome, ("a", "b", "c"))


def test_curvature_is_the_derivative_of_the_slope():
    """Central differences of the slope, and of the value for the slope."""
    rng = np.random.default_rng(3)
    design = np.column_stack((np.ones(25), rng.random(25) < 0.4, rng.normal(size=25)))
    model = PenalisedLikelihood(design, (rng.random(25) < 0.3).astype(float), rng.integers(1, 4, 25).astype(float))
    point = model.at(np.array([-0.8, 0.6, 1.1]))
    ends = [(model.at(point.beta + move), model.at(point.beta - move)) for move in 1e-5 * np.eye(3)]
    slope = [(high.value - low.value) / 2e-5 for high, low in ends]
    assert point.slope == pytest.approx(slope, rel=1e-6)
    bend = np.array([(low.slope - high.slope) / 2e-5 for high, low in ends])
    assert curvature(model, point) == pytest.approx(bend, rel=1e-6)
