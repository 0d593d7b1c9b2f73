"""Two classes in which one pair of items has a correlation that is given, not estimated."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import optimize

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from capstat.numerics.latent_patterns import PatternTable

__all__ = ["FixedCorrelationFit", "fit_fixed_correlations"]

_EDGE = 1e-7
_POOR = 1e300


@dataclass(frozen=True, slots=True, eq=False)
class FixedCorrelationFit:
    """The best fit with one correlation.

    Attributes
    ----------
    correlation : float
        Of the pair, in both classes.
    share : float
        Share of the class in which the items say 1 more often.
    probability : ndarray, shape (2, items)
        Probability of 1; the second row is that class.
    log_likelihood : float
        Without multinomial constants.
    """

    correlation: float
    share: float
    probability: NDArray[np.float64]
    log_likelihood: float


def _pair_cells(p: NDArray[np.float64], pair: tuple[int, int], correlation: float) -> NDArray[np.float64]:
    """Joint probabilities 00, 01, 10, 11 of the pair in both classes, shape (2, 4)."""
    a, b = p[:, pair[0]], p[:, pair[1]]
    c = correlation * np.sqrt(np.maximum(a * (1 - a) * b * (1 - b), 0.0))
    return np.stack([(1 - a) * (1 - b) + c, (1 - a) * b - c, a * (1 - b) - c, a * b + c], axis=1)


def _log_likelihood(
    theta: NDArray[np.float64], table: PatternTable, weights: NDArray[np.float64], correlation: float
) -> float:
    """``table`` has the pair as its last block and every other item as a block of its own."""
    p = theta[1:].reshape(2, -1)
    given = np.maximum(_pair_cells(p, table.blocks[-1], correlation) @ table.compatible[-1].T, 0.0)  # type: ignore[arg-type]
    for (item,), fits in zip(table.blocks[:-1], table.compatible[:-1], strict=True):
        given *= np.stack([1 - p[:, item], p[:, item]], axis=1) @ fits.T
    probability = np.array([1 - theta[0], theta[0]]) @ given
    return float(weights @ np.log(np.maximum(probability, 1e-12)))


def _climb(
    start: NDArray[np.float64], table: PatternTable, weights: NDArray[np.float64], correlation: float
) -> tuple[float, NDArray[np.float64]]:
    rows = weights.sum()

    def cells(theta: NDArray[np.float64]) -> NDArray[np.float64]:
        return _pair_cells(theta[1:].reshape(2, -1), table.blocks[-1], correlation).ravel()  # type: ignore[arg-type]

    def minus(theta: NDArray[np.float64]) -> float:
        return -_log_likelihood(theta, table, weights, correlation) / float(rows)

    found = optimize.minimize(
        minus,
        start,
        method="SLSQP",
        bounds=optimize.Bounds(_EDGE, 1 - _EDGE),
        constraints=optimize.NonlinearConstraint(cells, 0.0, np.inf),
        options={"ftol": 1e-13, "maxiter": 500},
    )
    theta = np.clip(found.x, _EDGE, 1 - _EDGE)
    # SLSQP may leave a constraint by its own tolerance
    allowed = np.isfinite(theta).all() and cells(theta).min() > -1e-8
    return (_log_likelihood(theta, table, weights, correlation) if allowed else -_POOR), theta


def fit_fixed_correlations(
    table: PatternTable,
    weights: NDArray[np.float64],
    correlations: Sequence[float],
    start: tuple[float, NDArray[np.float64]],
    starts: int,
    rng: np.random.Generator,
) -> list[FixedCorrelationFit | None]:
    """Maximum likelihood with each correlation in turn (sequential quadratic programming), from many starts.

    A correlation bounds the probabilities of its pair: all four joint probabilities must be at least 0 in both classes.

    Parameters
    ----------
    table : PatternTable
        One group; the pair is the last block.
    weights : ndarray, shape (k,)
        Rows with each pattern.
    correlations : sequence of float
        Between -1 and 1.
    start : (float, ndarray)
        Share and probabilities, shape (2, items), of the fit without a correlation.
    starts : int
        Random starts besides; the fit with the correlation before is one as well.

    Returns
    -------
    list
        ``None`` for a correlation with which no start found an admissible fit.
    """
    items = table.answers.shape[1]
    first = np.concatenate([[start[0]], start[1].ravel()]).clip(0.01, 0.99)
    before = first
    out: list[FixedCorrelationFit | None] = []
    for correlation in correlations:
        random = np.sort(rng.uniform(0.05, 0.95, (starts, 2, items)), axis=1).reshape(starts, -1)
        random = np.column_stack([rng.uniform(0.1, 0.9, starts), random])
        found = [_climb(point, table, weights, correlation) for point in (before, first, *random)]
        highest = max(height for height, _ in found)
        # of solutions that fit equally well, the one that continues the correlation before
        height, theta = next(one for one in found if one[0] >= highest - 1e-6)
        if height <= -_POOR:
            out.append(None)
            continue
        before = theta
        theta = np.where(theta < 2 * _EDGE, 0.0, np.where(theta > 1 - 2 * _EDGE, 1.0, theta))
        share, p = float(theta[0]), theta[1:].reshape(2, -1)
        if p[1].sum() < p[0].sum():
            share, p = 1 - share, p[::-1]
        out.append(FixedCorrelationFit(correlation, share, p, height))
    return out
