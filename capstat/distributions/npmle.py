"""Nonparametric maximum likelihood estimate of the threshold distribution.

Turnbull (1976) for the support, Gentleman & Geyer (1994) for the optimality conditions, Wang (2007) for the
maximisation.  Intervals are half-open throughout: (60, 65] and (65, 70] share no point, so each keeps its
mass.  Tools that close the intervals put both masses on 65 mA.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.numerics.mixing import IntervalLikelihood, maximise_mixing
from capstat.numerics.uniqueness import movable_columns
from capstat.results import NotEstimableError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from capstat.thresholds import CensoredThresholds

__all__ = ["NpmleFit", "Support", "fit_npmle", "innermost_intervals", "maximise_on_support"]


@dataclass(frozen=True, slots=True, eq=False)
class Support:
    """Innermost intervals of a set of cells, and the run of them that every cell covers.

    Attributes
    ----------
    lower_ma, upper_ma : ndarray, shape (k,)
        Intervals (lower, upper] that can carry mass; equal bounds are a point.
    first, last : ndarray of int, shape (m,)
        First and last innermost interval inside each cell.
    """

    lower_ma: NDArray[np.float64]
    upper_ma: NDArray[np.float64]
    first: NDArray[np.intp]
    last: NDArray[np.intp]


def innermost_intervals(lower_ma: NDArray[np.float64], upper_ma: NDArray[np.float64]) -> Support:
    """Find where mass can be (Peto 1973; Turnbull 1976).

    The left end of (lower, upper] lies just after ``lower``, its right end at ``upper``; an exact value has
    both ends at the point.  An innermost interval is a left end directly followed by a right end.
    """
    values = np.unique(np.concatenate((lower_ma, upper_ma)))
    exact = lower_ma == upper_ma
    left = 2 * np.searchsorted(values, lower_ma) + np.where(exact, 0, 1)
    right = 2 * np.searchsorted(values, upper_ma)
    # At one position a left end precedes a right end, so that a point keeps its own mass.
    ends = np.unique(np.concatenate((2 * left, 2 * right + 1)))
    is_right = ends % 2 == 1
    starts = np.flatnonzero(~is_right[:-1] & is_right[1:])
    inner_left, inner_right = ends[starts] // 2, ends[starts + 1] // 2
    first = np.searchsorted(inner_left, left, side="left")
    last = np.searchsorted(inner_right, right, side="right") - 1
    return Support(values[inner_left // 2], values[inner_right // 2], first, last)


def maximise_on_support(support: Support, weights: NDArray[np.float64]) -> tuple[NDArray[np.float64], float, float]:
    """Mass, log-likelihood and optimality gap for cells with the given weights.

    Cells that each contain a single innermost interval need no iteration: the mass is the observed share.
    """
    k = support.lower_ma.size
    if np.array_equal(support.first, support.last):
        mass = np.bincount(support.first, weights=weights, minlength=k) / weights.sum()
        return mass, float(weights @ np.log(mass[support.first])), 0.0
    try:
        fit = maximise_mixing(IntervalLikelihood(support.first, support.last, k), weights)
    except ArithmeticError as error:
        raise NotEstimableError(f"{error} The weights may differ too much.") from error
    return fit.mass, fit.log_likelihood, fit.optimality_gap


@dataclass(frozen=True, slots=True, eq=False)
class NpmleFit:
    """The nonparametric estimate.

    Attributes
    ----------
    support : ndarray, shape (k, 2)
        Intervals (lower, upper] in mA that carry mass; an infinite upper end means "no capture at the highest
        current tested".
    mass : ndarray, shape (k,)
        Probability of each; where inside its interval it lies is not identified.
    log_likelihood : float
        Maximum of the log-likelihood.
    optimality_gap : float
        Certificate: no distribution has a log-likelihood per attempt that is larger by more than this.
    n, n_patients : int
        Attempts and patients.
    unique : bool
        Whether no other masses have the same likelihood (where mass lies inside its interval is never
        identified).  Always true for plain intervals; see Notes of :func:`fit_npmle`.
    """

    support: NDArray[np.float64]
    mass: NDArray[np.float64]
    log_likelihood: float
    optimality_gap: float
    n: int
    n_patients: int
    unique: bool

    def capture_probability(self, current_ma: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Share captured at each current: lower and upper bound, equal where the data identify it.

        Inside an interval that carries mass the data do not say on which side of the current the mass lies;
        beyond the highest current tested nobody knows either, so the upper bound there is 1.

        Parameters
        ----------
        current_ma : array-like
            Currents in mA.

        Returns
        -------
        lower, upper : ndarray
            Same shape as ``current_ma``.
        """
        current = np.asarray(current_ma, dtype=float)
        return bounds_at(self.support, self.mass, current)

    def capture_current(self, fraction: float) -> tuple[float, float] | None:
        """Interval (lower, upper] in mA that holds the current capturing ``fraction`` of patients.

        Convention: the lowest current at which at least that share captures.  The data do not tell the
        currents inside the interval apart; its upper end is the lowest current known to be enough.  ``None``
        when the estimate does not get that high at any current tested.

        Parameters
        ----------
        fraction : float
            Strictly between 0 and 1.

        Raises
        ------
        ValueError
            When the fraction is not strictly between 0 and 1.
        """
        if not 0 < fraction < 1:
            raise ValueError(f"A fraction of patients lies strictly between 0 and 1, not {fraction:g}.")
        cumulative = np.cumsum(self.mass)
        # 1e-9 because a share such as 0.5 is reached exactly on a grid and sums carry rounding
        reached = int(np.searchsorted(cumulative, fraction - 1e-9))
        if reached >= self.mass.size or np.isinf(self.support[reached, 1]):
            return None
        lower, upper = self.support[reached]
        return float(lower), float(upper)


def bounds_at(
    support: NDArray[np.float64], mass: NDArray[np.float64], current: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Identified bounds of the distribution function; ``mass`` may have leading replicate axes."""
    cumulative = np.concatenate((np.zeros((*mass.shape[:-1], 1)), np.cumsum(mass, axis=-1)), axis=-1)
    cumulative = np.where(cumulative > 1 - 1e-12, 1.0, cumulative)  # "everybody" is exact, sums of shares are not
    surely = np.searchsorted(support[:, 1], current, side="right")
    exact = support[:, 0] == support[:, 1]
    # mass may lie at or below the current once the current exceeds the open left end
    starts = np.where(exact, support[:, 0], np.nextafter(support[:, 0], np.inf))
    possibly = np.searchsorted(starts, current, side="right")
    return cumulative[..., surely], cumulative[..., possibly]


def fit_npmle(thresholds: CensoredThresholds) -> NpmleFit:
    """Estimate the distribution of capture thresholds without assuming its shape.

    Parameters
    ----------
    thresholds : CensoredThresholds
        Any mix of left-, interval- and right-censored and exact thresholds.

    Returns
    -------
    NpmleFit
        With its certificate.

    Raises
    ------
    NotEstimableError
        When there are no attempts.

    Notes
    -----
    In one dimension without truncation the masses are unique; only their place inside the support intervals
    is not: every innermost interval ends with some attempt's interval, and these attempts tell all of them apart
    (Gentleman & Geyer 1994, from memory).  It is checked all the same.

    Examples
    --------
    >>> from capstat import CensoredThresholds
    >>> fit = fit_npmle(CensoredThresholds.from_bounds([60, 65], [65, 70]))
    >>> fit.support.tolist(), fit.mass.tolist()
    ([[60.0, 65.0], [65.0, 70.0]], [0.5, 0.5])
    """
    cells = thresholds.cells()
    support = innermost_intervals(cells.lower_ma, cells.upper_ma)
    mass, log_likelihood, gap = maximise_on_support(support, cells.count)
    carries = mass > 1e-12
    kept = mass[carries] / mass[carries].sum()
    intervals = np.column_stack((support.lower_ma, support.upper_ma))[carries]
    kept.setflags(write=False)
    intervals.setflags(write=False)
    likelihood = IntervalLikelihood(support.first, support.last, mass.size)
    unique = movable_columns(likelihood, cells.count, mass).size == 0
    return NpmleFit(intervals, kept, log_likelihood, gap, len(thresholds), thresholds.n_patients, unique)
