"""How far a threshold rises within some minutes: the chance that a current left on is no longer enough."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from capstat.protocol.drift_law import DriftLaw

__all__ = ["MaximumRise"]

# simulated courses of a mean-reverting threshold; the standard error of a chance of 5 % is 0.3 %
COURSES = 4096
# a time step is at most this share of the time in which a deviation falls to 1/e
FINEST, FEWEST_STEPS, MOST_STEPS = 0.25, 8, 320


@lru_cache(maxsize=4)
def _standard(seed: int) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Start, standard normals and minus log uniforms of every step: (courses,), (steps, courses) twice."""
    rng = np.random.default_rng(seed)
    half = rng.standard_normal((MOST_STEPS + 1, COURSES // 2))
    # with every course its mirror image: what is odd in the deviations averages out
    normal = np.concatenate([half, -half], axis=1)
    return normal[0], normal[1:], rng.standard_exponential((MOST_STEPS, COURSES))


def _sorted_maxima(
    rate: float, reversion: float, minutes: float, start: tuple[float, float], seed: int
) -> NDArray[np.float64]:
    """Largest rise of an Ornstein-Uhlenbeck process about 0 above where it starts, simulated and sorted, (courses,).

    The ends of the time steps follow the exact law.  Between two ends x and y the process is a Brownian bridge in
    another time, whose maximum exceeds L with probability ``exp(-2 (L - x)(L - y) / v)``, v being
    ``rate sinh(k h) / k`` for a step h, but for the bend of a constant level in that time, which is of third order in
    the step.  ``start`` is mean and standard deviation of the deviation at the start.
    """
    first, normal, exponential = _standard(seed)
    variance = rate / (2 * reversion)
    # faster than the steps can follow: the largest of so many independent values hardly depends on their number
    reversion = min(reversion, MOST_STEPS * FINEST / minutes)
    steps = max(int(np.ceil(reversion * minutes / FINEST)), FEWEST_STEPS)
    step = minutes / steps
    keep = np.exp(-reversion * step)
    noise = np.sqrt(variance * -np.expm1(-2 * reversion * step))
    bridge = 2 * variance * np.sinh(reversion * step)
    begin = start[0] + start[1] * first
    x, largest = begin, begin.copy()
    for j in range(steps):
        y = keep * x + noise * normal[j]
        within = (x + y + np.sqrt((x - y) ** 2 + 2 * bridge * exponential[j])) / 2
        np.maximum(largest, within, out=largest)
        x = y
    return np.sort(largest - begin)


@dataclass(frozen=True, slots=True, eq=False)
class MaximumRise:
    """Law of the largest rise of a log threshold within some minutes, for each row of a drift law.

    Random walk: exact, by the reflection principle.  Mean-reverting: the share of 4096 simulated courses, the same
    random numbers for every row and time.  The deviation from the patient's mean at the start follows its stationary
    law, which averages over patients, or its law given the threshold at the start: a high one is more likely to fall.

    Attributes
    ----------
    law : DriftLaw
        Estimate and draws of the parameters of drift.
    seed : int
        Seed of the courses.
    """

    law: DriftLaw
    seed: int = 1
    _maxima: dict[tuple[float, float | None], NDArray[np.float64]] = field(default_factory=dict, repr=False)

    def _start(self, row: int, start_ma: float | None) -> tuple[float, float]:
        """Mean and standard deviation of the deviation from the patient's mean at the start."""
        variance = self.law.rate[row] / (2 * self.law.reversion[row])
        if start_ma is None or self.law.between_sd is None or self.law.log_median is None:
            return 0.0, float(np.sqrt(variance))
        own = variance / (variance + self.law.between_sd[row] ** 2)
        return float(own * (np.log(start_ma) - self.law.log_median[row])), float(np.sqrt(variance * (1 - own)))

    def _simulated(self, minutes: float, start_ma: float | None) -> NDArray[np.float64]:
        """Sorted rises of the rows that revert, shape (rows, courses); worked out once for each time and start."""
        key = (minutes, start_ma)
        if key not in self._maxima:
            self._maxima[key] = np.array(
                [
                    _sorted_maxima(
                        self.law.rate[i], self.law.reversion[i], minutes, self._start(int(i), start_ma), self.seed
                    )
                    for i in np.flatnonzero(self.law.reversion > 0)
                ]
            )
        return self._maxima[key]

    def exceeds(self, log_margin: ArrayLike, minutes: float, start_ma: float | None = None) -> NDArray[np.float64]:
        """Chance that the threshold rises by more than a margin at some time within ``minutes``.

        Parameters
        ----------
        log_margin : array-like, shape (...)
            Logarithm of the current left on over the threshold at the start; 1 is returned for margins of 0 or less.
        minutes : float
            Time from the start.
        start_ma : float, optional
            Threshold at the start; all patients' when left out.  Matters for mean-reverting drift only.

        Returns
        -------
        ndarray, shape (B + 1, ...)
            Row 0 with the estimated drift, the other rows with its draws.

        Raises
        ------
        ValueError
            When ``minutes`` is not positive.
        """
        if not minutes > 0:
            raise ValueError(f"The time in which capture may be lost must be more than 0 minutes, not {minutes:g}.")
        margin = np.asarray(log_margin, dtype=float)
        flat = np.maximum(margin.ravel(), 0.0)
        found = np.empty((self.law.rate.size, flat.size))
        walks = self.law.reversion == 0
        sd = np.sqrt(self.law.rate[walks] * minutes)[:, None]
        # without any drift every margin holds
        with np.errstate(divide="ignore", invalid="ignore"):
            found[walks] = np.where(sd > 0, 2 * special.ndtr(-flat / sd), 0.0)
        if not walks.all():
            for i, maxima in zip(np.flatnonzero(~walks), self._simulated(minutes, start_ma), strict=True):
                found[i] = 1 - np.searchsorted(maxima, flat, side="right") / maxima.size
        found[:, margin.ravel() <= 0] = 1.0
        return found.reshape(-1, *margin.shape)

    def margin(self, chance: float, minutes: float) -> NDArray[np.float64]:
        """Logarithm of the margin that is exceeded within ``minutes`` with a given chance, shape (B + 1,)."""
        walks = self.law.reversion == 0
        found = np.sqrt(self.law.rate * minutes) * -float(special.ndtri(chance / 2))
        if not walks.all():
            found[~walks] = np.quantile(self._simulated(minutes, None), 1 - chance, axis=1)
        return np.asarray(found)
