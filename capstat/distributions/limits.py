"""Confidence limits of the capture curve from a bootstrap of patients: at one current, and over the whole curve."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from capstat.distributions.npmle import bounds_at
from capstat.numerics.proportions import clopper_pearson, wilson
from capstat.results import Curve

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from capstat.distributions.bootstrap import BootstrapCurve
    from capstat.thresholds import CensoredThresholds

    Interval = Callable[
        [NDArray[np.float64], NDArray[np.float64], float], tuple[NDArray[np.float64], NDArray[np.float64]]
    ]

__all__ = ["METHOD", "PointwiseLimits", "highest_seen", "pointwise_limits", "simultaneous_band"]

METHOD = (
    "nonparametric maximum likelihood (Turnbull); Wilson limits with the effective sample size of a patient bootstrap"
)
SIMULTANEOUS_METHOD = (
    "nonparametric maximum likelihood (Turnbull); simultaneous band: Clopper-Pearson limits with the effective "
    "sample size, at the critical value of the largest studentised deviation in a patient bootstrap"
)


@dataclass(frozen=True, slots=True, eq=False)
class PointwiseLimits:
    """Capture curve of one group at given currents.

    Attributes
    ----------
    x : ndarray, shape (q,)
        Currents in mA.
    lower, upper : ndarray, shape (q,)
        Identified bounds.
    limit_lower, limit_upper : ndarray, shape (q,)
        Confidence limits.
    replicate_lower : ndarray, shape (B, q)
        Lower identified bound in every bootstrap replicate.
    """

    x: NDArray[np.float64]
    lower: NDArray[np.float64]
    upper: NDArray[np.float64]
    limit_lower: NDArray[np.float64]
    limit_upper: NDArray[np.float64]
    replicate_lower: NDArray[np.float64]


def _settled_patients(thresholds: CensoredThresholds, x: float) -> int:
    """Patients with an attempt that says whether the current ``x`` (mA) captures."""
    settled = (thresholds.upper_ma <= x) | (thresholds.lower_ma >= x)
    return int(pd.unique(thresholds.patient[settled]).size)


def _effective_n(
    value: NDArray[np.float64],
    replicates: NDArray[np.float64],
    x: NDArray[np.float64],
    thresholds: CensoredThresholds,
    level: float,
) -> NDArray[np.float64]:
    """Sample size of a plain proportion with the bootstrap's variance (Korn & Graubard 1998).

    With several attempts in a patient the bootstrap variance is inflated by G/(G-1) and the size reduced by the
    ratio of t quantiles for attempts and for the G patients.  At 0 and 1 the bootstrap has no variance; there the
    patients whose interval settles the question count.
    """
    n, groups = len(thresholds), thresholds.n_patients
    inflation, degrees = 1.0, 1.0
    if groups < n:
        inflation = groups / max(groups - 1, 1)
        quantiles = np.asarray(stats.t.ppf(0.5 + level / 2, [n - 1, max(groups - 1, 1)]))
        degrees = float((quantiles[0] / quantiles[1]) ** 2)
    variance = replicates.var(axis=0, ddof=1) * inflation
    plain = value * (1 - value)
    inside = (variance > 0) & (plain > 1e-9)
    effective = plain / np.where(inside, variance, 1.0)
    effective[~inside] = [_settled_patients(thresholds, current) for current in x[~inside]]
    return np.asarray(np.clip(effective, 0.0, n) * degrees)


def pointwise_limits(
    curve: BootstrapCurve, x: NDArray[np.float64], level: float, interval: Interval = wilson
) -> PointwiseLimits:
    """Bounds and confidence limits of the share captured at each current ``x`` (mA), in the order given.

    ``interval`` makes limits of a proportion from counts, sizes and the level.
    """
    thresholds = curve.thresholds
    # monotone over all steps of the curve, so that limits at one current do not depend on the others asked for
    edges = curve.intervals[np.isfinite(curve.intervals) & (curve.intervals > 0)]
    grid = np.unique(np.concatenate((edges, x)))
    lower, upper = bounds_at(curve.intervals, curve.mass, grid)
    rep_lower, rep_upper = bounds_at(curve.intervals, curve.masses, grid)
    n_low = _effective_n(lower, rep_lower, grid, thresholds, level)
    n_high = _effective_n(upper, rep_upper, grid, thresholds, level)
    limit_lower, limit_upper = np.zeros_like(lower), np.ones_like(upper)
    some = n_low > 0
    limit_lower[some] = interval(lower[some] * n_low[some], n_low[some], level)[0]
    some = n_high > 0
    limit_upper[some] = interval(upper[some] * n_high[some], n_high[some], level)[1]
    # a distribution function does not fall, so neither do its limits
    limit_lower = np.maximum.accumulate(limit_lower)
    limit_upper = np.minimum.accumulate(limit_upper[::-1])[::-1]
    at = np.searchsorted(grid, x)
    return PointwiseLimits(x, lower[at], upper[at], limit_lower[at], limit_upper[at], rep_lower[:, at])


def _critical_value(curve: BootstrapCurve, x: NDArray[np.float64], level: float) -> float:
    """Quantile over replicates of the largest distance to the estimate, in bootstrap standard deviations."""
    lower, upper = bounds_at(curve.intervals, curve.mass, x)
    identified = (upper - lower < 1e-9) & (lower > 1e-9) & (lower < 1 - 1e-9)
    replicates, _ = bounds_at(curve.intervals, curve.masses, x[identified])
    deviation = replicates.std(axis=0, ddof=1)
    varies = deviation > 0
    if not varies.any():
        return 0.0
    distance = np.abs(replicates - lower[identified])[:, varies] / deviation[varies]
    return float(np.quantile(distance.max(axis=1), level))


def simultaneous_band(curve: BootstrapCurve, x: NDArray[np.float64], level: float, label: str) -> Curve:
    """Band that holds the whole capture curve with the given confidence.

    The critical value c is the quantile, over bootstrap replicates, of the largest absolute difference between
    replicate and estimate, each in bootstrap standard deviations.  It is taken over the edges in ``x`` at which
    the estimate is identified and neither 0 nor 1: elsewhere there is no deviation to divide by.  The band is
    made of Clopper-Pearson limits with the effective sample size (Korn & Graubard 1998) at level 2 Phi(c) - 1,
    never below ``level``, and never lies inside the pointwise limits.  Wilson limits, as used at a single
    current, are not enough: over a whole curve some first or last attempt always lies where the truth is nearly 0
    or 1, and at these high levels they then miss far too often (the band held in 78 % of simulated studies).

    Parameters
    ----------
    curve : BootstrapCurve
        The group.
    x : ndarray, shape (q,)
        Currents (mA): all edges of the estimate, or more.
    level : float
        Confidence that the band holds the curve at all currents together.
    label : str
        What the curve is of.
    """
    critical = _critical_value(curve, x, level)
    pointwise = pointwise_limits(curve, x, level)
    wide = pointwise_limits(curve, x, max(level, 2 * float(stats.norm.cdf(critical)) - 1), clopper_pearson)
    return Curve(
        label, x, wide.lower, wide.upper,
        np.minimum(wide.limit_lower, pointwise.limit_lower), np.maximum(wide.limit_upper, pointwise.limit_upper),
        level, SIMULTANEOUS_METHOD,
    )  # fmt: skip


def highest_seen(thresholds: CensoredThresholds) -> float:
    """Highest current (mA) at which some attempt was seen to capture or not to capture."""
    finite = thresholds.upper_ma[np.isfinite(thresholds.upper_ma)]
    return float(max(thresholds.lower_ma.max(), finite.max(initial=0.0)))
