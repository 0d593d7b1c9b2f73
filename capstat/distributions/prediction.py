"""What a fitted model says about the share captured at a current, with the delta method.

Everything is computed on the probit scale: a lognormal capture curve is a straight line there, and limits stay between
0 and 1.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from capstat.distributions.likelihood import IntervalData, row_scores, row_terms

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.distributions.families import Family

__all__ = ["capture_scores", "log_capture"]

_HALF_LOG_2PI = 0.5 * np.log(2 * np.pi)


def log_capture(
    family: Family,
    current_ma: NDArray[np.float64],
    design: NDArray[np.float64],
    capturable: NDArray[np.float64] | None,
    parameters: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Logarithms of the share captured and of the share not captured, row by row.

    Parameters
    ----------
    current_ma : ndarray, shape (m,)
        Currents in mA.
    design, capturable : ndarray, shape (m, p) and (m, q)
        Covariates of each row; ``capturable`` is ``None`` without a share that is never captured.
    parameters : ndarray, shape (p + k + q,)
        As in :class:`ThresholdRegression`.

    Returns
    -------
    log_share, log_rest : ndarray, shape (m,)
    """
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        return tuple(  # type: ignore[return-value]
            row_terms(family, rows, parameters).value for rows in _two_sides(current_ma, design, capturable)
        )


def _two_sides(
    current_ma: NDArray[np.float64], design: NDArray[np.float64], capturable: NDArray[np.float64] | None
) -> tuple[IntervalData, IntervalData]:
    """The events "captured at this current" and "not captured" as rows of a likelihood."""
    ones, low, high = np.ones(current_ma.size), np.zeros(current_ma.size), np.full(current_ma.size, np.inf)
    return (
        IntervalData(low, current_ma, design, ones, capturable),
        IntervalData(current_ma, high, design, ones, capturable),
    )


def capture_scores(
    family: Family,
    current_ma: NDArray[np.float64],
    design: NDArray[np.float64],
    capturable: NDArray[np.float64] | None,
    parameters: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Probit of the share captured in every row, and its gradient in the parameters.

    Returns
    -------
    probit : ndarray, shape (m,)
    gradient : ndarray, shape (m, p + k + q)
    """
    below, above = _two_sides(current_ma, design, capturable)
    log_share, log_rest = log_capture(family, current_ma, design, capturable, parameters)
    # the smaller of the two sides keeps its digits
    low = log_share < log_rest
    probit = np.where(low, special.ndtri_exp(np.minimum(log_share, 0.0)), -special.ndtri_exp(np.minimum(log_rest, 0.0)))
    log_density = -0.5 * probit**2 - _HALF_LOG_2PI
    # the factor of the side that is not used may overflow
    factor = np.where(low, 1.0, -1.0) * np.exp(np.where(low, log_share, log_rest) - log_density)
    scores = np.where(low[:, None], row_scores(family, below, parameters), row_scores(family, above, parameters))
    return probit, factor[:, None] * scores
