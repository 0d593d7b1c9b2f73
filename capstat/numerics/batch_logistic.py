"""Logistic regressions on the same grouped rows with many sets of weights at once."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import special

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["batch_logistic"]

ITERATIONS = 60
# largest change of a coefficient in one step
LARGEST_STEP = 3.0
SETTLED = 1e-7


def batch_logistic(
    design: NDArray[np.float64],
    events: NDArray[np.float64],
    trials: NDArray[np.float64],
    *,
    prior_sd: float,
    start: NDArray[np.float64] | None = None,
) -> NDArray[np.float64]:
    """Coefficients that maximise the likelihood with a normal prior on all but the first.

    The wide prior (centre 0) keeps a coefficient finite where a column separates events from non-events.

    Parameters
    ----------
    design : ndarray, shape (k, p)
        One row for each group; the first column is the constant.
    events, trials : ndarray, shape (b, k)
        In every group, for each of b sets of weights.
    prior_sd : float
        Standard deviation of the prior, on the scale of log odds.
    start : ndarray, shape (p,), optional
        Where to begin.

    Returns
    -------
    ndarray, shape (b, p)
        NaN for a set with which the search did not settle.
    """
    sets, p = events.shape[0], design.shape[1]
    precision = np.full(p, prior_sd**-2)
    # the constant has hardly any prior, but a set without events must not send it to infinity
    precision[0] = 1e-6
    products = (design[:, :, None] * design[:, None, :]).reshape(design.shape[0], -1)
    beta = np.tile(np.zeros(p) if start is None else start, (sets, 1))
    open_sets = np.ones(sets, dtype=bool)
    for _ in range(ITERATIONS):
        mean = special.expit(beta[open_sets] @ design.T)
        weight = trials[open_sets] * mean * (1 - mean)
        slope = (events[open_sets] - trials[open_sets] * mean) @ design - precision * beta[open_sets]
        bend = (weight @ products).reshape(-1, p, p) + np.diag(precision)
        step = np.linalg.solve(bend, slope[:, :, None])[:, :, 0]
        largest = np.abs(step).max(axis=1)
        step *= np.minimum(1.0, LARGEST_STEP / np.maximum(largest, LARGEST_STEP))[:, None]
        beta[open_sets] += step
        open_sets[np.flatnonzero(open_sets)[largest < SETTLED]] = False
        if not open_sets.any():
            return beta
    beta[open_sets] = np.nan
    return beta
