"""Two classes in which one pair of items has a correlation that is given, not estimated."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import optimize, special

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from capstat.numerics.latent_patterns import PatternTable

__all__ = ["FixedCorrelationFit", "fit_fixed_correlations"]

# logit beyond which a probability counts as 0 or 1
_FURTHEST = 16.0
_ZERO = 1e-6


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


@dataclass(frozen=True, slots=True, eq=False)
class _Problem:
    """Likelihood in coordinates whose limits are a box.

    The coordinates are the logit of the share and, for each class, the logits of all items; but in place of the logit
    of the pair's second item stands its distance from that of the first (their sum, for a negative correlation).  The
    four joint probabilities of the pair are at least 0 exactly when that is at most -2 log |correlation| in size.

    ``table`` has the pair as its last block and every other item as a block of its own.
    """

    table: PatternTable
    weights: NDArray[np.float64]
    correlation: float

    @property
    def pair(self) -> tuple[int, int]:
        first, second = self.table.blocks[-1]
        return first, second

    @property
    def sign(self) -> float:
        return -1.0 if self.correlation < 0 else 1.0

    @property
    def limits(self) -> NDArray[np.float64]:
        """Largest size of each coordinate."""
        size = np.full((2, self.table.answers.shape[1]), _FURTHEST)
        if self.correlation != 0:
            size[:, self.pair[1]] = min(_FURTHEST, -2 * np.log(abs(self.correlation)))
        return np.append(_FURTHEST, size)

    def coordinates(self, theta: NDArray[np.float64]) -> NDArray[np.float64]:
        """Of share and probabilities, brought inside the limits."""
        x = special.logit(theta)
        first, second = self.pair
        items = x[1:].reshape(2, -1)
        items[:, second] -= self.sign * items[:, first]
        limits = self.limits
        return np.clip(x, -limits, limits)

    def probabilities(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Share and probabilities of coordinates."""
        logits = x.copy()
        first, second = self.pair
        items = logits[1:].reshape(2, -1)
        items[:, second] += self.sign * items[:, first]
        return np.asarray(special.expit(logits))

    def log_likelihood(self, x: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        """Without multinomial constants, and its gradient."""
        theta = self.probabilities(x)
        p = theta[1:].reshape(2, -1)
        single = [(block[0], seen) for block, seen in zip(self.table.blocks, self.table.compatible, strict=True)][:-1]
        seen_pair = self.table.compatible[-1].T
        a, b = p[:, self.pair[0]], p[:, self.pair[1]]
        va, vb = a * (1 - a), b * (1 - b)
        c = self.correlation * np.sqrt(va * vb)
        cells = np.stack([(1 - a) * (1 - b) + c, (1 - a) * b - c, a * (1 - b) - c, a * b + c], axis=1)
        of_pair = np.maximum(cells @ seen_pair, 0.0)
        factors = [np.stack([1 - p[:, item], p[:, item]], axis=1) @ seen.T for item, seen in single]
        share = np.array([[1 - theta[0]], [theta[0]]])
        given = np.prod([of_pair, *factors], axis=0)
        probability = np.maximum((share * given).sum(axis=0), 1e-300)
        ratio = self.weights / probability
        gradient = np.empty_like(theta)
        gradient[0] = float(ratio @ (given[1] - given[0])) * theta[0] * (1 - theta[0])
        by_item = gradient[1:].reshape(2, -1)
        for k, (item, seen) in enumerate(single):
            others = np.prod([of_pair, *factors[:k], *factors[k + 1 :]], axis=0)
            slope = (share * others * (seen[:, 1] - seen[:, 0])) @ ratio
            by_item[:, item] = slope * p[:, item] * (1 - p[:, item])
        rest = share * np.prod(factors, axis=0) if factors else share
        ca, cb = c * (0.5 - a), c * (0.5 - b)
        in_a = np.stack([ca - va * (1 - b), -va * b - ca, va * (1 - b) - ca, va * b + ca], axis=1)
        in_b = np.stack([cb - vb * (1 - a), vb * (1 - a) - cb, -vb * a - cb, vb * a + cb], axis=1)
        slope_a, slope_b = ((rest * (slopes @ seen_pair)) @ ratio for slopes in (in_a, in_b))
        by_item[:, self.pair[0]] = slope_a + self.sign * slope_b
        by_item[:, self.pair[1]] = slope_b
        return float(self.weights @ np.log(probability)), gradient


def _climb(start: NDArray[np.float64], problem: _Problem) -> tuple[float, NDArray[np.float64]]:
    rows, limits = float(problem.weights.sum()), problem.limits

    def minus(x: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        value, gradient = problem.log_likelihood(x)
        return -value / rows, -gradient / rows

    found = optimize.minimize(
        minus, problem.coordinates(start), jac=True, method="SLSQP", bounds=optimize.Bounds(-limits, limits),
        options={"ftol": 1e-13, "maxiter": 500},
    )  # fmt: skip
    x = np.clip(found.x, -limits, limits)
    return problem.log_likelihood(x)[0], problem.probabilities(x)


def fit_fixed_correlations(
    table: PatternTable,
    weights: NDArray[np.float64],
    correlations: Sequence[float],
    start: tuple[float, NDArray[np.float64]],
    starts: int,
    rng: np.random.Generator,
) -> list[FixedCorrelationFit]:
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
    list of FixedCorrelationFit
    """
    items = table.answers.shape[1]
    first = np.concatenate([[start[0]], start[1].ravel()]).clip(0.01, 0.99)
    before = first
    out: list[FixedCorrelationFit] = []
    for correlation in correlations:
        random = np.sort(rng.uniform(0.05, 0.95, (starts, 2, items)), axis=1).reshape(starts, -1)
        random = np.column_stack([rng.uniform(0.1, 0.9, starts), random])
        problem = _Problem(table, weights, correlation)
        found = [_climb(point, problem) for point in (before, first, *random)]
        highest = max(height for height, _ in found)
        # of solutions that fit equally well, the one that continues the correlation before
        height, theta = next(one for one in found if one[0] >= highest - 1e-6)
        before = theta.clip(1e-6, 1 - 1e-6)
        theta = np.where(theta < _ZERO, 0.0, np.where(theta > 1 - _ZERO, 1.0, theta))
        share, p = float(theta[0]), theta[1:].reshape(2, -1)
        if p[1].sum() < p[0].sum():
            share, p = 1 - share, p[::-1]
        out.append(FixedCorrelationFit(correlation, share, p, height))
    return out
