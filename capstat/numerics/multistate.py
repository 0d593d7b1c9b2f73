"""Probabilities of being in each of several states over time (Aalen-Johansen), with errors by person."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from capstat.numerics.proportions import clopper_pearson, wilson

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["NOWHERE", "StateProbabilities", "state_limits", "state_probabilities"]

NOWHERE = -1
"""Code of ``to_state`` where observation ended without a change."""


@dataclass(frozen=True, slots=True, eq=False)
class StateProbabilities:
    """Right-continuous step curves of ``s`` states; before the first change they are ``initial``.

    Attributes
    ----------
    times : ndarray, shape (k,)
        Distinct times of a change, increasing, in the unit of the times given.
    probability : ndarray, shape (s, k)
        Probability of being in each state; columns sum to 1.
    se : ndarray, shape (s, k)
        Standard errors.
    at_risk : ndarray, shape (s, k)
        Rows under observation in each state just before.
    persons : int
        Persons.
    known : ndarray, shape (k,)
        Persons whose state is known at each time: under observation or in an end state; with late entries the smallest
        number so far.
    last : float
        Time up to which anybody was observed.
    """

    times: NDArray[np.float64]
    probability: NDArray[np.float64]
    se: NDArray[np.float64]
    at_risk: NDArray[np.float64]
    persons: int
    known: NDArray[np.float64]
    last: float


def state_probabilities(
    person: ArrayLike,
    start: ArrayLike,
    stop: ArrayLike,
    from_state: ArrayLike,
    to_state: ArrayLike,
    *,
    n_states: int,
    initial: ArrayLike,
) -> StateProbabilities:
    """Aalen-Johansen estimate of state occupation (Aalen & Johansen 1978, from memory).

    A row is at risk of leaving its state in ``(start, stop]``; changes come before ends of observation at equal times,
    and all changes at one time are handled together.  Under independent censoring the probabilities of being in a state
    are right without the Markov property (Datta & Satten 2001, from memory).  Without censoring and late entry they are
    the shares of persons in each state.

    Standard errors are the infinitesimal jackknife by person (Jaeckel 1972; as R's survfit for several states; both
    from memory): the root of the summed squared derivatives of the probabilities in the weight of each person, with
    ``initial`` taken as known and no correction for few persons.

    Parameters
    ----------
    person : array, shape (n,)
        Labels; rows of one person do not overlap.
    start, stop : array, shape (n,)
        Stay in a state; ``start < stop``, any unit.
    from_state : array of int, shape (n,)
        State of the row, 0 to ``n_states - 1``.
    to_state : array of int, shape (n,)
        State after ``stop``; :data:`NOWHERE` where observation ended.  A state that nobody leaves needs no rows.
    n_states : int
        Number of states.
    initial : array, shape (n_states,)
        Distribution over the states at the beginning; with late entry, before the first entry.

    Raises
    ------
    ValueError
        When there are no rows, a stay has no length, a person's rows overlap or a code is not a state.
    """
    codes, labels = pd.factorize(np.asarray(person))
    begin, end = np.asarray(start, dtype=float), np.asarray(stop, dtype=float)
    state, target = np.asarray(from_state, dtype=np.intp), np.asarray(to_state, dtype=np.intp)
    p = np.asarray(initial, dtype=float)
    _check(codes, begin, end, state, target, n_states, p)
    moved = (target != NOWHERE) & (target != state)
    times = np.unique(end[moved])
    k, n = times.size, len(labels)
    # a row is at risk at the event times first, ..., beyond - 1; one that ends with a change has it at beyond - 1
    first, beyond = np.searchsorted(times, begin, side="right"), np.searchsorted(times, end, side="right")
    entering, leaving = _by_position(first, k + 1), _by_position(beyond, k + 1)
    changing = _by_position(np.where(moved, beyond - 1, k), k + 1)
    where = np.full(n, NOWHERE)
    probability, se, at_risk = (np.empty((n_states, k)) for _ in range(3))
    derivative = np.zeros((n, n_states))
    for i in range(k):
        left = leaving[i]
        where[codes[left]] = NOWHERE
        new = entering[i]
        # a row may come and go between two event times
        new = new[beyond[new] > i]
        where[codes[new]] = state[new]
        inside = np.flatnonzero(where != NOWHERE)
        risk = np.bincount(where[inside], minlength=n_states).astype(float)
        rows = changing[i]
        counts = np.zeros((n_states, n_states))
        np.add.at(counts, (state[rows], target[rows]), 1.0)
        rate = counts / np.maximum(risk, 1.0)[:, None]
        rate[np.diag_indices(n_states)] = -rate.sum(axis=1)
        # derivative of p (I + dA) in the weight of a person: through p, and through the rates of the person's state
        derivative += derivative @ rate
        pull = p / np.maximum(risk, 1.0)
        own = where[inside]
        derivative[inside] -= (pull[:, None] * rate)[own]
        np.add.at(derivative, (codes[rows], target[rows]), pull[state[rows]])
        np.add.at(derivative, (codes[rows], state[rows]), -pull[state[rows]])
        p = p + p @ rate
        probability[:, i], at_risk[:, i] = p, risk
        se[:, i] = np.sqrt(np.einsum("ij,ij->j", derivative, derivative))
    # sums of many changes leave rounding at 0 and 1, and in the errors there
    probability = np.where(
        np.abs(probability) < 1e-12, 0.0, np.where(np.abs(1 - probability) < 1e-12, 1.0, probability)
    )
    se = np.where(se < 1e-10, 0.0, se)
    known = _known(codes, begin, end, state, target, n, times)
    return StateProbabilities(times, probability, se, at_risk, n, known, float(end.max()))


def _check(
    codes: NDArray[np.intp],
    begin: NDArray[np.float64],
    end: NDArray[np.float64],
    state: NDArray[np.intp],
    target: NDArray[np.intp],
    n_states: int,
    initial: NDArray[np.float64],
) -> None:
    if not codes.size:
        raise ValueError("State probabilities need at least one row.")
    if not (np.isfinite(begin).all() and np.isfinite(end).all() and (begin < end).all()):
        raise ValueError("Each stay needs finite times, and must end after it began.")
    if state.min() < 0 or state.max() >= n_states or target.min() < NOWHERE or target.max() >= n_states:
        raise ValueError(f"States must be whole numbers from 0 to {n_states - 1}.")
    if initial.shape != (n_states,) or initial.min() < 0 or abs(initial.sum() - 1) > 1e-9:
        raise ValueError("The initial distribution needs one probability for each state, with sum 1.")
    order = np.lexsort((begin, codes))
    same = np.diff(codes[order]) == 0
    if (same & (begin[order][1:] < end[order][:-1])).any():
        raise ValueError("The rows of a person may not overlap.")


def _by_position(position: NDArray[np.intp], size: int) -> list[NDArray[np.intp]]:
    """Rows with each position, as a list of ``size`` arrays."""
    order = np.argsort(position, kind="stable")
    return np.split(order, np.searchsorted(position[order], np.arange(1, size)))


def _known(
    codes: NDArray[np.intp],
    begin: NDArray[np.float64],
    end: NDArray[np.float64],
    state: NDArray[np.intp],
    target: NDArray[np.intp],
    n: int,
    times: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Persons whose state is known at each time."""
    since, until = np.full(n, np.inf), np.full(n, -np.inf)
    np.minimum.at(since, codes, begin)
    ended = (target != NOWHERE) & ~np.isin(target, np.unique(state))
    np.maximum.at(until, codes, np.where(ended, np.inf, end))
    number = np.searchsorted(np.sort(since), times, side="left") - np.searchsorted(np.sort(until), times, side="left")
    return np.minimum.accumulate(number.astype(float)) if times.size else np.zeros(0)


def state_limits(found: StateProbabilities, level: float = 0.95) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Pointwise limits of the probabilities at ``found.times``, each of shape (s, k).

    Wilson limits with the effective sample size ``p (1 - p) / se^2`` (Korn & Graubard 1998, from memory), at most the
    number of persons: without censoring these are Wilson's plain limits.  Where the standard error is 0 nothing was
    estimated from it, and the limits are Clopper and Pearson's for none, or all, of the persons whose state is known.
    """
    p, se = found.probability, found.se
    usable = (se > 0) & (p > 0) & (p < 1)
    spread = np.where(usable, p * (1 - p), 1.0)
    size = np.minimum(np.divide(spread, se**2, out=np.ones_like(p), where=usable), found.persons)
    lower, upper = wilson(np.where(usable, p, 0.5) * size, size, level)
    known: Any = np.broadcast_to(np.maximum(found.known, 1e-9), p.shape)
    exact_lower, exact_upper = clopper_pearson(p * known, known, level)
    return np.where(usable, lower, exact_lower), np.where(usable, upper, exact_upper)
