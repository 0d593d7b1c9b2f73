"""How a threshold moves within a patient: a random walk, or a return to the patient's own mean."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["REFERENCE_MINUTES", "DriftLaw", "DriftModel", "checks_covariance", "elapsed_factor", "percent_change"]

REFERENCE_MINUTES: Final = 30.0
"""Elapsed time for which the typical change is stated, in minutes."""


class DriftModel(Enum):
    """Course of the logarithm of a threshold within a patient."""

    RANDOM_WALK = "random walk"
    MEAN_REVERTING = "mean-reverting"


def elapsed_factor(minutes: ArrayLike, reversion: ArrayLike) -> NDArray[np.float64]:
    """Variance of change after ``minutes`` for a rate of 1: ``(1 - exp(-k u)) / k``, which is ``u`` without reversion.

    This is the stationary Ornstein-Uhlenbeck process with standard deviation s, ``2 s^2 (1 - exp(-k u))``, written by
    its rate ``2 s^2 k``, so that the random walk is its limit for ``k = 0``.
    """
    u, k = np.broadcast_arrays(np.asarray(minutes, dtype=float), np.asarray(reversion, dtype=float))
    returning = np.where(k > 0, k, 1.0)
    return np.where(k > 0, -np.expm1(-returning * u) / returning, u)


def percent_change(log_sd: float) -> float:
    """Standard deviation of a log ratio as a percent change: one standard deviation upwards."""
    with np.errstate(over="ignore"):
        return float(100 * np.expm1(log_sd))


def checks_covariance(
    minutes: NDArray[np.float64], between_sd: float, rate: float, reversion: float
) -> NDArray[np.float64]:
    """Covariance of the log thresholds of a patient at several times.

    Parameters
    ----------
    minutes : ndarray, shape (..., d)
        Times since the first check, which is at 0.
    between_sd : float
        Standard deviation of the patients' means, for the random walk of their thresholds at time 0.
    rate : float
        Variance of change in the first minute, per minute.
    reversion : float
        Return to the patient's mean, per minute; 0 for the random walk.

    Returns
    -------
    ndarray, shape (..., d, d)
        Covariances.
    """
    u, v = minutes[..., :, None], minutes[..., None, :]
    if reversion == 0:
        return np.asarray(between_sd**2 + rate * np.minimum(u, v))
    return np.asarray(between_sd**2 + rate / (2 * reversion) * np.exp(-reversion * np.abs(u - v)))


@dataclass(frozen=True, slots=True, eq=False)
class DriftLaw:
    """Parameters of drift: the estimate in row 0, draws that carry its uncertainty in the other rows.

    Attributes
    ----------
    rate : ndarray, shape (B + 1,)
        Variance of change of the log threshold in the first minute, per minute.
    reversion : ndarray, shape (B + 1,)
        Return to the patient's own mean, per minute; 0 for the random walk.
    between_sd, log_median : ndarray, shape (B + 1,), or None
        Law of the patients' means on the log scale, mA; ``None`` where the drift is assumed.
    n : int
        Patients with repeated checks; 0 where the drift is assumed.
    source : str
        Where the parameters come from, in words.
    notes : tuple of str
        What a reader must know.
    """

    rate: NDArray[np.float64]
    reversion: NDArray[np.float64]
    between_sd: NDArray[np.float64] | None
    log_median: NDArray[np.float64] | None
    n: int
    source: str
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Refuse rows that are no drift."""
        if self.rate.ndim != 1 or self.rate.size == 0 or self.reversion.shape != self.rate.shape:
            raise ValueError("A drift law needs one rate and one reversion for each row.")
        if not (np.isfinite(self.rate).all() and np.isfinite(self.reversion).all()):
            raise ValueError("Rates and reversions of drift must be finite numbers.")
        if (self.rate < 0).any() or (self.reversion < 0).any():
            raise ValueError("Rates and reversions of drift cannot be negative.")
