"""What was printed, as conditions on sums of recorded currents."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["PrintedArm", "PrintedCrossover", "rounding"]


def rounding(decimals: int) -> float:
    """Half a unit of the last printed place; a tie may have been rounded either way, and is allowed."""
    return 0.5 * 10.0**-decimals + 1e-9


def _outside(value: NDArray[np.float64], printed: float, slack: float) -> NDArray[np.float64]:
    """How far a value lies from everything that is printed as ``printed``, in mA."""
    return np.asarray(np.maximum(np.abs(value - printed) - slack, 0.0))


@dataclass(frozen=True, slots=True)
class PrintedArm:
    """Mean and SD of n recorded currents.

    Attributes
    ----------
    n : int
        Recorded currents in the mean.
    mean_ma, sd_ma : float
        As printed.
    mean_slack, sd_slack : float
        Half a unit of the last place.
    """

    n: int
    mean_ma: float
    sd_ma: float
    mean_slack: float
    sd_slack: float

    def excess(self, sums: NDArray[np.float64], squares: NDArray[np.float64]) -> NDArray[np.float64]:
        """Distance from the printed numbers in mA; 0 where all agree.

        Parameters
        ----------
        sums : ndarray, shape (1, ...)
            Sums of the recorded currents.
        squares : ndarray, shape (...)
            Sums of their squares.
        """
        total = sums[0]
        sd = np.sqrt(np.maximum(squares - total**2 / self.n, 0.0) / (self.n - 1))
        return _outside(total / self.n, self.mean_ma, self.mean_slack) + _outside(sd, self.sd_ma, self.sd_slack)

    @staticmethod
    def squared(recorded: NDArray[np.float64]) -> NDArray[np.float64]:
        """The square that is summed, from recorded currents of shape (rows, 1, ...)."""
        return recorded[:, 0] ** 2


@dataclass(frozen=True, slots=True)
class PrintedCrossover:
    """Two means, their difference (second minus first) and its t interval, from n pairs of recorded currents.

    Attributes
    ----------
    n : int
        Pairs in the means.
    first_ma, second_ma, difference_ma, lower_ma, upper_ma : float
        As printed.
    t_quantile : float
        Factor of the standard error in the printed interval.
    slack : float
        Half a unit of the last place.
    """

    n: int
    first_ma: float
    second_ma: float
    difference_ma: float
    lower_ma: float
    upper_ma: float
    t_quantile: float
    slack: float

    def excess(self, sums: NDArray[np.float64], squares: NDArray[np.float64]) -> NDArray[np.float64]:
        """Distance from the printed numbers in mA; 0 where all agree.

        Parameters
        ----------
        sums : ndarray, shape (2, ...)
            Sums of the recorded currents of both placements.
        squares : ndarray, shape (...)
            Sums of squared differences.
        """
        first, second = sums[0] / self.n, sums[1] / self.n
        difference = second - first
        variance = np.maximum(squares - self.n * difference**2, 0.0) / (self.n - 1)
        half = self.t_quantile * np.sqrt(variance / self.n)
        checks = (
            (first, self.first_ma), (second, self.second_ma), (difference, self.difference_ma),
            (difference - half, self.lower_ma), (difference + half, self.upper_ma),
        )  # fmt: skip
        return np.asarray(sum(_outside(value, printed, self.slack) for value, printed in checks))

    @staticmethod
    def squared(recorded: NDArray[np.float64]) -> NDArray[np.float64]:
        """The square that is summed, from recorded currents of shape (rows, 2, ...)."""
        return (recorded[:, 1] - recorded[:, 0]) ** 2
