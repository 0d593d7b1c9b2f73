"""Partial likelihood and its maximum by Newton's method: what both hazards regressions share."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from capstat.numerics.hazards_sets import binary_parts, exposure, loses_digits, seen
from capstat.results import NotEstimableError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from capstat.numerics.hazards_sets import RiskSets

__all__ = ["Evaluation", "Maximum", "evaluate", "information", "maximise", "term_means"]

_ENOUGH = 1e-9  # largest score in units of its standard error
_STEPS = 60
_WIDEST = 600.0  # range of log relative hazards that floating point holds


@dataclass(frozen=True, slots=True, eq=False)
class Evaluation:
    """The likelihood at coefficients.

    Attributes
    ----------
    sets : RiskSets
        Who was at risk, in the form that these coefficients need.
    beta : ndarray, shape (p,)
    log_likelihood : float
    risk : ndarray, shape (n,)
        Weight times relative hazard, divided by ``exp(shift)``.
    shift : float
    at_risk : ndarray, shape (e,)
        Sum of ``risk`` that each term sees.
    hazard : ndarray, shape (n,)
        Cumulative baseline hazard that each row was exposed to, times ``exp(shift)``.
    score : ndarray, shape (p,)
    """

    sets: RiskSets
    beta: NDArray[np.float64]
    log_likelihood: float
    risk: NDArray[np.float64]
    shift: float
    at_risk: NDArray[np.float64]
    hazard: NDArray[np.float64]
    score: NDArray[np.float64]


def evaluate(sets: RiskSets, design: NDArray[np.float64], beta: NDArray[np.float64]) -> Evaluation:
    """Log partial likelihood and score; O(n p)."""
    linear = design @ beta
    shift = float(linear.max())
    risk = sets.weight * np.exp(linear - shift)
    if loses_digits(sets, risk):
        sets = replace(sets, parts=binary_parts(sets))
    at_risk = seen(sets, risk)
    hazard = exposure(sets, sets.term_weight / at_risk)
    value = float(sets.weight[sets.died] @ linear[sets.died] - sets.term_weight @ (np.log(at_risk) + shift))
    residual = -risk * hazard
    residual[sets.died] += sets.weight[sets.died]
    return Evaluation(sets, beta, value, risk, shift, at_risk, hazard, design.T @ residual)


def term_means(design: NDArray[np.float64], at: Evaluation) -> NDArray[np.float64]:
    """Mean of each column over those at risk, by relative hazard, at each term: shape (e, p)."""
    return seen(at.sets, design * at.risk[:, None]) / at.at_risk[:, None]


def information(
    design: NDArray[np.float64],
    at: Evaluation,
    means: NDArray[np.float64],
    factor: NDArray[np.float64] | None = None,
) -> NDArray[np.float64]:
    """Observed information, shape (p, p); O(n p^2): second moments are summed over rows, never over risk sets.

    ``factor`` (e,) multiplies the covariance matrix of each term.
    """
    sets = at.sets
    by_term = sets.term_weight if factor is None else sets.term_weight * factor
    by_row = at.risk * (at.hazard if factor is None else exposure(sets, by_term / at.at_risk))
    return np.asarray((design * by_row[:, None]).T @ design - (means * by_term[:, None]).T @ means)


@dataclass(frozen=True, slots=True, eq=False)
class Maximum:
    """The maximum of the likelihood.

    Attributes
    ----------
    at : Evaluation
    means : ndarray, shape (e, p)
    information : ndarray, shape (p, p)
    scaled_score : float
        Certificate: the largest score over the square root of its information.
    iterations : int
    null_log_likelihood : float
    """

    at: Evaluation
    means: NDArray[np.float64]
    information: NDArray[np.float64]
    scaled_score: float
    iterations: int
    null_log_likelihood: float


def maximise(
    sets: RiskSets, design: NDArray[np.float64], names: Sequence[str], start: NDArray[np.float64] | None
) -> Maximum:
    """Newton's method with step halving on columns that were centred and scaled.

    Raises
    ------
    NotEstimableError
        When a column follows from others among those at risk, or the likelihood has no maximum.
    """
    at = evaluate(sets, design, np.zeros(design.shape[1]))
    means = term_means(design, at)
    inner = information(design, at, means)
    _check_rank(inner, names, float(sets.term_weight.sum()))
    null = at.log_likelihood
    if start is not None:
        at = _climb(sets, design, at, start)
        means = term_means(design, at)
        inner = information(design, at, means)
    typical = float(sets.term_weight.mean())
    for iteration in range(_STEPS):
        scaled = float(np.max(np.abs(at.score) / np.sqrt(np.maximum(np.diag(inner), np.finfo(float).tiny))))
        try:
            step = np.linalg.solve(inner, at.score)
        except np.linalg.LinAlgError:
            step = at.score / np.maximum(np.diag(inner), np.finfo(float).tiny)
        change = design @ step
        reach = float(np.ptp(change))
        # nothing left to gain, and yet Newton's step stays as long as it was: towards a maximum it would vanish
        if float(at.score @ step) < 1e-6 * typical and reach > 0.5:
            raise NotEstimableError(_monotone(names[int(np.argmax(np.abs(step)))]))
        if scaled < _ENOUGH * np.sqrt(typical):
            return Maximum(at, means, inner, scaled, iteration, null)
        at = _climb(sets, design, at, np.asarray(step / max(reach / 20, 1.0)))
        means = term_means(design, at)
        inner = information(design, at, means)
    raise NotEstimableError(_monotone(names[int(np.argmax(np.abs(at.beta)))]))


def _climb(sets: RiskSets, design: NDArray[np.float64], at: Evaluation, step: NDArray[np.float64]) -> Evaluation:
    """Halve the step until the likelihood does not fall, rounding aside, and relative hazards can be held."""
    lowest = at.log_likelihood - 1e-11 * (1 + abs(at.log_likelihood))
    for _ in range(40):
        beta = at.beta + step
        if np.ptp(design @ beta) < _WIDEST:
            found = evaluate(sets, design, beta)
            if found.log_likelihood >= lowest:
                return found
        step = step / 2
    return at


def _monotone(name: str) -> str:
    return (
        f"{name} separates the events (the likelihood rises without end in its direction), so that its hazard ratio "
        "has no finite estimate."
    )


def _check_rank(inner: NDArray[np.float64], names: Sequence[str], events: float) -> None:
    """Refuse a column that does not vary, or follows from those before it, among those at risk at the events."""
    for j, name in enumerate(names):
        own = inner[j, j]
        if own <= 1e-10 * events:
            raise NotEstimableError(f"{name} does not vary among those at risk when events happened.")
        rest = own - inner[j, :j] @ np.linalg.solve(inner[:j, :j], inner[:j, j]) if j else own
        if rest <= 1e-9 * own:
            raise NotEstimableError(f"{name} follows from the columns before it among those at risk.")
