"""A distribution of capture thresholds with draws of its uncertainty, as policies are applied to it.

Whatever the estimate was, a policy asks one thing of it: how much probability lies in each cell between neighbouring
currents.  A model answers with a number, the estimate without a model with a number of intervals whose mass may lie in
one of several cells; what follows is then known between two bounds.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Protocol

import numpy as np

from capstat.distributions.families.location_scale import LocationScale

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.distributions.families import Family

__all__ = [
    "ContinuousLaw",
    "ModelLaw",
    "Pieces",
    "SelectedLaw",
    "StepLaw",
    "ThresholdLaw",
    "mean_within_of",
    "pieces_of",
]

Shares = Callable[["NDArray[np.float64]"], "NDArray[np.float64]"]


@dataclass(frozen=True, slots=True, eq=False)
class Pieces:
    """Probability that lies somewhere in a run of neighbouring cells.

    Attributes
    ----------
    first, last : ndarray of int, shape (k,)
        First and last cell of each piece; equal where the cell is known.
    mass : ndarray, shape (draws + 1, k)
        Probability of each piece, the estimate first.
    """

    first: NDArray[np.intp]
    last: NDArray[np.intp]
    mass: NDArray[np.float64]

    @property
    def identified(self) -> bool:
        """Whether every piece is a single cell."""
        return bool((self.first == self.last).all())

    def expect(self, values: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Expected value of a function of the cell: lower and upper bound.

        Parameters
        ----------
        values : ndarray, shape (cells, ...)
            Value in each cell.

        Returns
        -------
        lower, upper : ndarray, shape (draws + 1, ...)
            The same array where the cell of every piece is known.
        """
        if self.identified:
            known = np.tensordot(self.mass, values[self.first], axes=1)
            return known, known
        # a row below the last cell, so that a run may end with the last one
        padded = np.concatenate((values, values[-1:]))
        runs = np.column_stack((self.first, self.last + 1)).ravel()
        low, high = (pick.reduceat(padded, runs, axis=0)[::2] for pick in (np.minimum, np.maximum))
        return np.tensordot(self.mass, low, axes=1), np.tensordot(self.mass, high, axes=1)


class ThresholdLaw(Protocol):
    """What policies need of a distribution of thresholds."""

    @property
    def label(self) -> str:
        """Whose thresholds."""

    @property
    def method(self) -> str:
        """How they were estimated."""

    @property
    def n_patients(self) -> int:
        """Patients behind the estimate."""

    @property
    def draws(self) -> int:
        """Draws of the uncertainty beside the estimate."""

    def pieces(self, edges_ma: NDArray[np.float64]) -> Pieces:
        """Probability of cells; cell j is above edge j - 1 (0 for the first), at or below edge j; the last is open."""

    def mean_within(self, edges_ma: NDArray[np.float64]) -> NDArray[np.float64] | None:
        """Integral of the threshold (mA) over each closed cell, shape (draws + 1, edges); ``None`` if not known."""

    def scaled(self, factor: float) -> ThresholdLaw:
        """Return the law with every threshold times ``factor``."""


# Gauss-Legendre rule on (0, 1) for the mean threshold inside a cell, whose distribution function is smooth
_POINTS, _WEIGHTS = ((x + 1) / 2 if k == 0 else x / 2 for k, x in enumerate(np.polynomial.legendre.leggauss(6)))


def pieces_of(share_captured: Shares, edges_ma: NDArray[np.float64]) -> Pieces:
    """Probability of each cell of a continuous law."""
    mass = np.diff(share_captured(edges_ma), prepend=0.0, append=1.0, axis=1)
    cells = np.arange(edges_ma.size + 1)
    return Pieces(cells, cells, mass)


def mean_within_of(share_captured: Shares, edges_ma: NDArray[np.float64]) -> NDArray[np.float64]:
    """Integral of the threshold over each closed cell: b F(b) - a F(a) less the integral of F."""
    low = np.concatenate(([0.0], edges_ma[:-1]))
    width = edges_ma - low
    nodes = low[:, None] + width[:, None] * _POINTS
    inside = share_captured(nodes.ravel()).reshape(-1, edges_ma.size, _POINTS.size) @ _WEIGHTS
    weighted = edges_ma * share_captured(edges_ma)
    return np.asarray(np.diff(weighted, prepend=0.0, axis=1) - width * inside)


@dataclass(frozen=True, slots=True, eq=False)
class ModelLaw:
    """A family of thresholds with draws of its parameters.

    Attributes
    ----------
    family : Family
        Law of ``log T`` around its location.
    location : ndarray, shape (draws + 1,)
        Location of log current (mA), the estimate first.
    ancillary : ndarray, shape (draws + 1, k)
        Ancillary parameters.
    capturable : ndarray, shape (draws + 1,)
        Share that some current captures.
    n_patients : int
        Patients behind the estimate.
    label, method : str
        Whose thresholds, and how they were estimated.
    """

    family: Family
    location: NDArray[np.float64]
    ancillary: NDArray[np.float64]
    capturable: NDArray[np.float64]
    n_patients: int
    label: str
    method: str

    @property
    def draws(self) -> int:
        """Draws beside the estimate."""
        return self.location.size - 1

    def share_captured(self, current_ma: NDArray[np.float64]) -> NDArray[np.float64]:
        """Share captured at currents (mA): shape (draws + 1, m) for currents of shape (m,) or (draws + 1, m)."""
        # far below all thresholds a probability is 0 and its logarithm minus infinity
        with np.errstate(divide="ignore", over="ignore", under="ignore"):
            residual = np.log(current_ma) - self.location[:, None]
            if isinstance(self.family, LocationScale):
                # one call for all draws: the scale is a column
                log_cdf = self.family.log_cdf(residual, self.ancillary.T[:, :, None])
            else:
                log_cdf = np.array([self.family.log_cdf(r, a) for r, a in zip(residual, self.ancillary, strict=True)])
            share = np.exp(log_cdf)
        return np.asarray(self.capturable[:, None] * share)

    def pieces(self, edges_ma: NDArray[np.float64]) -> Pieces:
        """Probability of each cell; see :class:`ThresholdLaw`."""
        return pieces_of(self.share_captured, edges_ma)

    def mean_within(self, edges_ma: NDArray[np.float64]) -> NDArray[np.float64]:
        """Integral of the threshold over each closed cell."""
        return mean_within_of(self.share_captured, edges_ma)

    def scaled(self, factor: float) -> ModelLaw:
        """Return the law with every threshold times ``factor``."""
        return replace(self, location=self.location + np.log(factor))


@dataclass(frozen=True, slots=True, eq=False)
class SelectedLaw:
    """The model with the lowest Akaike criterion, chosen anew in every draw.

    Attributes
    ----------
    models : tuple of ModelLaw
        Each with the draws in which it was chosen.
    rows : tuple of ndarray of int
        Which draws these are; 0 is the estimate.
    n_patients : int
        Patients behind the estimate.
    label, method : str
        Whose thresholds, and how they were estimated.
    """

    models: tuple[ModelLaw, ...]
    rows: tuple[NDArray[np.intp], ...]
    n_patients: int
    label: str
    method: str

    @property
    def draws(self) -> int:
        """Draws beside the estimate."""
        return sum(rows.size for rows in self.rows) - 1

    def share_captured(self, current_ma: NDArray[np.float64]) -> NDArray[np.float64]:
        """Share captured at currents (mA) of shape (m,): shape (draws + 1, m)."""
        share = np.empty((self.draws + 1, current_ma.size))
        for model, rows in zip(self.models, self.rows, strict=True):
            share[rows] = model.share_captured(current_ma)
        return share

    def pieces(self, edges_ma: NDArray[np.float64]) -> Pieces:
        """Probability of each cell; see :class:`ThresholdLaw`."""
        return pieces_of(self.share_captured, edges_ma)

    def mean_within(self, edges_ma: NDArray[np.float64]) -> NDArray[np.float64]:
        """Integral of the threshold over each closed cell."""
        return mean_within_of(self.share_captured, edges_ma)

    def scaled(self, factor: float) -> SelectedLaw:
        """Return the law with every threshold times ``factor``."""
        return replace(self, models=tuple(model.scaled(factor) for model in self.models))


ContinuousLaw = ModelLaw | SelectedLaw


@dataclass(frozen=True, slots=True, eq=False)
class StepLaw:
    """Probability on intervals, without a model; equal bounds are a point.

    Attributes
    ----------
    lower_ma, upper_ma : ndarray, shape (k,)
        Intervals (lower, upper]; an infinite end is "no capture at the highest current tested".
    mass : ndarray, shape (draws + 1, k)
        Probability of each, the estimate first.
    n_patients : int
        Patients behind the estimate.
    label, method : str
        Whose thresholds, and how they were estimated.
    """

    lower_ma: NDArray[np.float64]
    upper_ma: NDArray[np.float64]
    mass: NDArray[np.float64]
    n_patients: int
    label: str
    method: str

    @property
    def draws(self) -> int:
        """Draws beside the estimate."""
        return int(self.mass.shape[0]) - 1

    def pieces(self, edges_ma: NDArray[np.float64]) -> Pieces:
        """Probability of runs of cells; see :class:`ThresholdLaw`."""
        last = np.searchsorted(edges_ma, self.upper_ma, side="left")
        # just above an open lower end; a point lies in the cell that it ends
        above = np.searchsorted(edges_ma, self.lower_ma, side="right")
        first = np.where(self.lower_ma == self.upper_ma, last, above)
        return Pieces(first.astype(np.intp), last.astype(np.intp), self.mass)

    def mean_within(self, edges_ma: NDArray[np.float64]) -> NDArray[np.float64] | None:
        """Return the means where every interval is a point; else where inside it the mass lies is not known."""
        if not np.array_equal(self.lower_ma, self.upper_ma):
            return None
        finite = np.isfinite(self.upper_ma)
        cell = np.searchsorted(edges_ma, self.upper_ma[finite], side="left")
        in_cell = cell[:, None] == np.arange(edges_ma.size)
        return np.asarray((self.mass[:, finite] * self.upper_ma[finite]) @ in_cell)

    def without_draws(self) -> StepLaw:
        """Return the estimate alone."""
        return replace(self, mass=self.mass[:1])

    def scaled(self, factor: float) -> StepLaw:
        """Return the law with every threshold times ``factor``."""
        return replace(self, lower_ma=self.lower_ma * factor, upper_ma=self.upper_ma * factor)
