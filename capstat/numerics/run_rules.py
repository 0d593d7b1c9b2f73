"""Rules for runs about a centre line, and probability limits of counts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import stats

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["RunRules", "binomial_limits", "geometric_limits", "run_rules"]


@dataclass(frozen=True, slots=True)
class RunRules:
    """Runs of points on one side of a centre line.

    Attributes
    ----------
    useful : int
        Points off the centre line; the others are left out.
    longest_run, longest_run_limit : int
        Points in the longest run, and the longest that is no signal.
    crossings, crossings_limit : int
        Changes of side, and the fewest that are no signal.
    """

    useful: int
    longest_run: int
    longest_run_limit: int
    crossings: int
    crossings_limit: int

    @property
    def unusually_long(self) -> bool:
        """Whether the longest run is a signal."""
        return self.longest_run > self.longest_run_limit

    @property
    def unusually_few(self) -> bool:
        """Whether the crossings are a signal."""
        return self.crossings < self.crossings_limit


def run_rules(values: NDArray[np.float64], centre: float) -> RunRules:
    """Apply the rules of Anhoj & Olesen (2014, PLoS One 9:e113825, from memory).

    Signals are a run longer than ``round(log2(n) + 3)`` and fewer crossings than the 5 % quantile of the binomial
    with n - 1 trials of 1/2, n being the points off the centre line.

    Parameters
    ----------
    values : ndarray, shape (k,)
        In order of time.
    centre : float
        Centre line, usually the median.

    Raises
    ------
    ValueError
        When fewer than two points lie off the centre line.
    """
    side = np.sign(values - centre)
    side = side[side != 0]
    n = side.size
    if n < 2:
        raise ValueError("Runs need at least two points off the centre line.")
    changes = np.flatnonzero(np.diff(side) != 0)
    ends = np.concatenate(([-1], changes, [n - 1]))
    return RunRules(
        n,
        int(np.diff(ends).max()),
        round(float(np.log2(n)) + 3),
        changes.size,
        int(stats.binom.ppf(0.05, n - 1, 0.5)),
    )


def binomial_limits(trials: Any, probability: float, error: float) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Smallest and largest count that is no signal, with at most ``error / 2`` of the probability beyond either."""
    law = stats.binom(np.asarray(trials), probability)
    return np.asarray(law.ppf(error / 2), dtype=np.int64), np.asarray(law.isf(error / 2), dtype=np.int64)


def geometric_limits(probability: float, error: float) -> tuple[int, int]:
    """As :func:`binomial_limits`, for the failures before a success: P(X = k) = p (1 - p)^k."""
    law = stats.geom(probability, loc=-1)
    return int(law.ppf(error / 2)), int(law.isf(error / 2))
