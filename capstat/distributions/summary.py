"""The answers about one group of thresholds: the capture curve, capture currents, and the share not captured."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.distributions.bootstrap import BootstrapCurve, bootstrap_curves
from capstat.distributions.invert import capture_current
from capstat.distributions.limits import METHOD, PointwiseLimits, highest_seen, pointwise_limits, simultaneous_band
from capstat.distributions.npmle import NpmleFit, fit_npmle
from capstat.distributions.restricted_mean import highest_known, restricted_mean_threshold
from capstat.results import Curve, Estimate

if TYPE_CHECKING:
    from collections.abc import Sequence

    from capstat.thresholds import CensoredThresholds

__all__ = [
    "CaptureSummary",
    "PointwiseLimits",
    "highest_seen",
    "pointwise_limits",
    "summarise_capture",
    "summarise_curve",
    "summarise_fit",
]


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
    simultaneous : Curve
        The same curve with a band that holds all of it at once with the stated confidence.
    restricted_mean : Estimate
        Mean threshold up to the highest current at which the curve is known, in mA.
    """

    label: str
    fit: NpmleFit
    curve: Curve
    capture_currents: tuple[Estimate, ...]
    capture_probabilities: tuple[Estimate, ...]
    not_captured: Estimate
    replicates: int
    seed: int
    simultaneous: Curve
    restricted_mean: Estimate


def _proportion(
    limits: PointwiseLimits,
    position: int,
    level: float,
    n: int,
    quantity: str,
    method: str,
    *,
    complement: bool = False,
) -> Estimate:
    ends = [float(a[position]) for a in (limits.lower, limits.upper, limits.limit_lower, limits.limit_upper)]
    if complement:
        ends = [1 - ends[1], 1 - ends[0], 1 - ends[3], 1 - ends[2]]
    low, high, limit_low, limit_high = ends
    settled = high - low < 1e-9
    return Estimate(
        quantity, low if settled else None, limit_low, limit_high, level, "proportion", "score", n, method,
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
    collapses, and they allow for several attempts in one patient.  The band of ``simultaneous`` holds the whole
    curve at once; see :func:`capstat.distributions.limits.simultaneous_band`.

    When the bootstrap can be trusted: on a fixed grid of currents, that of the devices, the estimate is an ordinary
    multinomial problem, and the bootstrap variance is sound in large samples.  Where every patient is tested at
    currents of their own, the curve at a point converges at the rate n^(1/3) and the plain bootstrap is not
    consistent for it (Banerjee & Wellner 2001, Ann Stat 29:1699, for the law; Sen, Banerjee & Woodroofe 2010,
    Ann Stat 38:1953, for the same failure with Grenander's estimator; both from memory).  The limits are then
    rough, and those of :func:`capstat.distributions.likelihood_ratio.likelihood_ratio_curve` are to be preferred.

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
    return summarise_fit(
        curve, fit_npmle(curve.thresholds), label=label, fractions=fractions, currents_ma=currents_ma, level=level,
        top_ma=highest_seen(curve.thresholds), method=METHOD,
    )  # fmt: skip


def summarise_fit(
    curve: BootstrapCurve,
    fit: NpmleFit,
    *,
    label: str,
    fractions: Sequence[float],
    currents_ma: Sequence[float],
    level: float,
    top_ma: float,
    method: str,
) -> CaptureSummary:
    """Describe a nonparametric estimate and its bootstrap, however they were made.

    Parameters
    ----------
    curve : BootstrapCurve
        Replicates; its thresholds tell which currents settle whose capture.
    fit : NpmleFit
        The estimate.
    label, fractions, currents_ma, level
        As in :func:`summarise_capture`.
    top_ma : float
        Highest current tested, in mA.
    method : str
        Name of the estimator and of its limits.
    """
    edges = fit.support[np.isfinite(fit.support) & (fit.support > 0)]
    edges = np.unique(np.concatenate((edges, np.asarray(currents_ma, dtype=float), [top_ma])))
    limits = pointwise_limits(curve, edges[edges <= top_ma], level)
    wanted = np.asarray(currents_ma, dtype=float)
    probabilities = pointwise_limits(curve, wanted, level)
    shown = Curve(
        f"share captured, {label}", limits.x, limits.lower, limits.upper, limits.limit_lower,
        limits.limit_upper, level, method,
    )  # fmt: skip
    return CaptureSummary(
        label,
        fit,
        shown,
        tuple(capture_current(fit, shown, fraction) for fraction in fractions),
        tuple(
            _proportion(probabilities, i, level, fit.n_patients, f"share captured at {wanted[i]:g} mA", method)
            for i in range(wanted.size)
        ),
        _proportion(
            limits, -1, level, fit.n_patients, f"share not captured at {top_ma:g} mA, the highest current tested",
            method, complement=True,
        ),
        curve.masses.shape[0],
        curve.seed,
        simultaneous_band(curve, limits.x, level, f"share captured, {label}"),
        _restricted_mean(curve, level, top_ma),
    )  # fmt: skip


def _restricted_mean(curve: BootstrapCurve, level: float, top_ma: float) -> Estimate:
    """Mean up to the highest current at which the curve is known."""
    up_to = min(highest_known(curve), top_ma)
    if not up_to > 0:
        return Estimate(
            "mean threshold", None, None, None, level, "mA", "identity", curve.thresholds.n_patients, METHOD,
            reason="at no current is it known whether it captures",
        )  # fmt: skip
    return restricted_mean_threshold(curve, up_to_ma=up_to, level=level)
