"""The answers about one group of thresholds: the capture curve, capture currents, and the share not captured."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from capstat.distributions.bootstrap import BootstrapCurve, bootstrap_curves
from capstat.distributions.npmle import NpmleFit, bounds_at, fit_npmle
from capstat.numerics.proportions import wilson
from capstat.results import Curve, Estimate

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from capstat.thresholds import CensoredThresholds

__all__ = [
    "CaptureSummary",
    "PointwiseLimits",
    "highest_seen",
    "pointwise_limits",
    "summarise_capture",
    "summarise_curve",
]

METHOD = (
    "nonparametric maximum likelihood (Turnbull); Wilson limits with the effective sample size of a patient bootstrap"
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


def _effective_n(
    value: NDArray[np.float64],
    replicates: NDArray[np.float64],
    determined: NDArray[np.float64],
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
    effective = np.where(inside, plain / np.where(inside, variance, 1.0), determined)
    return np.asarray(np.clip(effective, 0.0, n) * degrees)


def pointwise_limits(curve: BootstrapCurve, x: NDArray[np.float64], level: float) -> PointwiseLimits:
    """Bounds and confidence limits of the share captured at each current ``x`` (mA), in the order given."""
    thresholds = curve.thresholds
    # monotone over all steps of the curve, so that limits at one current do not depend on the others asked for
    edges = curve.intervals[np.isfinite(curve.intervals) & (curve.intervals > 0)]
    grid = np.unique(np.concatenate((edges, x)))
    lower, upper = bounds_at(curve.intervals, curve.mass, grid)
    rep_lower, rep_upper = bounds_at(curve.intervals, curve.masses, grid)
    settled = (thresholds.upper_ma[:, None] <= grid) | (thresholds.lower_ma[:, None] >= grid)
    patients = np.array([pd.unique(thresholds.patient[column]).size for column in settled.T], dtype=float)
    n_low = _effective_n(lower, rep_lower, patients, thresholds, level)
    n_high = _effective_n(upper, rep_upper, patients, thresholds, level)
    limit_lower, limit_upper = np.zeros_like(lower), np.ones_like(upper)
    some = n_low > 0
    limit_lower[some] = wilson(lower[some] * n_low[some], n_low[some], level)[0]
    some = n_high > 0
    limit_upper[some] = wilson(upper[some] * n_high[some], n_high[some], level)[1]
    # a distribution function does not fall, so neither do its limits
    limit_lower = np.maximum.accumulate(limit_lower)
    limit_upper = np.minimum.accumulate(limit_upper[::-1])[::-1]
    at = np.searchsorted(grid, x)
    return PointwiseLimits(x, lower[at], upper[at], limit_lower[at], limit_upper[at], rep_lower[:, at])


@dataclass(frozen=True, slots=True, eq=False)
class CaptureSummary:
    """What is known about the capture thresholds of one group.

    Attributes
    ----------
    label : str
        The group.
    fit : NpmleFit
        The nonparametric estimate with its certificate.
    curve : Curve
        Share captured by current, with identified bounds and pointwise limits.
    capture_currents : tuple of Estimate
        One for each requested fraction, in mA.
    capture_probabilities : tuple of Estimate
        One for each requested current, as proportions.
    not_captured : Estimate
        Share not captured at the highest current tested.  Nobody saw what a higher current would have done.
    replicates, seed : int
        Bootstrap size and seed.
    """

    label: str
    fit: NpmleFit
    curve: Curve
    capture_currents: tuple[Estimate, ...]
    capture_probabilities: tuple[Estimate, ...]
    not_captured: Estimate
    replicates: int
    seed: int


def _capture_current(fit: NpmleFit, limits: PointwiseLimits, fraction: float, level: float) -> Estimate:
    """Interval of a capture current by inverting the pointwise limits (as Brookmeyer & Crowley 1982)."""
    edges = np.concatenate(([0.0], limits.x))
    can_reach = np.flatnonzero(limits.limit_upper >= fraction)
    must_reach = np.flatnonzero(limits.limit_lower >= fraction)
    # between two edges mass may lie anywhere, so the lower limit is the edge before
    low = float(edges[can_reach[0]]) if can_reach.size else float(limits.x[-1])
    high = float(limits.x[must_reach[0]]) if must_reach.size else np.inf
    identified = fit.capture_current(fraction)
    quantity = f"current that captures {100 * fraction:g} % of patients"
    if identified is None:
        reached = 100 * float(limits.lower[-1])
        return Estimate(
            quantity, None, low, high, level, "mA", "current", fit.n_patients, METHOD,
            reason=f"not reached: {reached:.0f} % were captured at the highest informative current, "
            f"{limits.x[-1]:g} mA",
        )  # fmt: skip
    return Estimate(
        quantity, identified[1], low, high, level, "mA", "current", fit.n_patients, METHOD,
        notes=("the value is the lowest tested current known to capture that share",),
        identified=identified,
    )  # fmt: skip


def _proportion(
    limits: PointwiseLimits, position: int, level: float, n: int, quantity: str, *, complement: bool = False
) -> Estimate:
    ends = [float(a[position]) for a in (limits.lower, limits.upper, limits.limit_lower, limits.limit_upper)]
    if complement:
        ends = [1 - ends[1], 1 - ends[0], 1 - ends[3], 1 - ends[2]]
    low, high, limit_low, limit_high = ends
    settled = high - low < 1e-9
    return Estimate(
        quantity, low if settled else None, limit_low, limit_high, level, "proportion", "score", n, METHOD,
        reason="" if settled else f"only known to lie between {100 * low:.0f} % and {100 * high:.0f} %",
        identified=(low, high),
    )  # fmt: skip


def summarise_capture(
    thresholds: CensoredThresholds,
    *,
    label: str,
    fractions: Sequence[float] = (0.5, 0.9, 0.95),
    currents_ma: Sequence[float] = (),
    level: float = 0.95,
    replicates: int = 1000,
    seed: int,
) -> CaptureSummary:
    """Describe how capture thresholds are distributed, with confidence limits.

    The limits of the curve are Wilson score limits with the effective sample size that the variance of a
    patient bootstrap implies (Korn & Graubard 1998): they hold at 0 and 100 %, where a percentile bootstrap
    collapses, and they allow for several attempts in one patient.  On a fixed grid of currents the estimate
    is an ordinary multinomial problem and the bootstrap variance is sound; with currents chosen continuously
    it is not consistent for the curve at a point (Banerjee & Wellner 2001), and the limits are then rough.

    Parameters
    ----------
    thresholds : CensoredThresholds
        Attempts of one group.
    label : str
        Name of the group.
    fractions : sequence of float
        Capture currents wanted, as shares between 0 and 1.
    currents_ma : sequence of float
        Currents at which the share captured is wanted, in mA.
    level : float
        Confidence level.
    replicates : int
        Bootstrap resamples of patients.
    seed : int
        Seed of the bootstrap; recorded in the result.

    Raises
    ------
    NotEstimableError
        When there are no attempts.
    """
    (curve,) = bootstrap_curves([thresholds], replicates=replicates, seed=seed)
    return summarise_curve(curve, label=label, fractions=fractions, currents_ma=currents_ma, level=level)


def summarise_curve(
    curve: BootstrapCurve,
    *,
    label: str,
    fractions: Sequence[float],
    currents_ma: Sequence[float],
    level: float,
) -> CaptureSummary:
    """Describe one bootstrapped group; see :func:`summarise_capture`."""
    fit = fit_npmle(curve.thresholds)
    top = highest_seen(curve.thresholds)
    edges = fit.support[np.isfinite(fit.support) & (fit.support > 0)]
    edges = np.unique(np.concatenate((edges, np.asarray(currents_ma, dtype=float), [top])))
    limits = pointwise_limits(curve, edges[edges <= top], level)
    wanted = np.asarray(currents_ma, dtype=float)
    probabilities = pointwise_limits(curve, wanted, level)
    return CaptureSummary(
        label,
        fit,
        Curve(
            f"share captured, {label}", limits.x, limits.lower, limits.upper, limits.limit_lower,
            limits.limit_upper, level, METHOD,
        ),
        tuple(_capture_current(fit, limits, fraction, level) for fraction in fractions),
        tuple(
            _proportion(probabilities, i, level, fit.n_patients, f"share captured at {wanted[i]:g} mA")
            for i in range(wanted.size)
        ),
        _proportion(
            limits, -1, level, fit.n_patients, f"share not captured at {top:g} mA, the highest current tested",
            complement=True,
        ),
        curve.masses.shape[0],
        curve.seed,
    )  # fmt: skip


def highest_seen(thresholds: CensoredThresholds) -> float:
    """Highest current (mA) at which some attempt was seen to capture or not to capture."""
    finite = thresholds.upper_ma[np.isfinite(thresholds.upper_ma)]
    return float(max(thresholds.lower_ma.max(), finite.max(initial=0.0)))
