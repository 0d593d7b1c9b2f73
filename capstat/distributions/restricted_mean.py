"""Restricted mean threshold: the mean current needed when nobody is given more than a highest one.

It is the area above the capture curve from 0 to that current, the analogue of restricted mean survival time
(Royston & Parmar 2013, BMC Med Res Methodol 13:152, from memory), and needs no guess about patients who were
not captured: at the highest current they have used all of it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from capstat.distributions.limits import highest_seen
from capstat.results import Estimate, NotEstimableError

if TYPE_CHECKING:
    from capstat.distributions.bootstrap import BootstrapCurve

__all__ = ["highest_known", "restricted_mean_threshold"]

METHOD = (
    "area above the nonparametric capture curve (Turnbull); t limits with the standard error of a patient bootstrap"
)


def highest_known(curve: BootstrapCurve) -> float:
    """Highest current (mA) at which the share captured is known; infinite once everybody has been captured."""
    lower, upper = curve.intervals.T
    return float(np.min(lower[np.isinf(upper) & (curve.mass > 1e-12)], initial=np.inf))


def restricted_mean_threshold(curve: BootstrapCurve, *, up_to_ma: float | None = None, level: float = 0.95) -> Estimate:
    """Mean of min(threshold, m): the integral from 0 to m of the share not captured, in mA.

    Mass may lie anywhere inside its innermost interval, so the mean is identified between the value with all mass
    at the left ends and the one with all mass at the right ends.  The lower limit is the lower bound less
    t times its bootstrap standard error, the upper limit the upper bound plus t times its own; the interval is for
    the whole identified set, and so conservative for the mean itself (Imbens & Manski 2004, Econometrica
    72:1845, from memory).  With G patients the variance is inflated by G/(G-1) and t has G-1 degrees of freedom:
    for uncensored thresholds this is Student's interval.

    Parameters
    ----------
    curve : BootstrapCurve
        One group, as made by :func:`capstat.distributions.bootstrap.bootstrap_curves`.
    up_to_ma : float, optional
        The highest current m in mA; the highest at which any attempt was seen when omitted.
    level : float
        Confidence level.

    Returns
    -------
    Estimate
        In mA, with ``identified``; it has a value only when both bounds are equal, and no limits when all
        resamples are alike.

    Raises
    ------
    NotEstimableError
        When ``up_to_ma`` is not positive, or above the highest current at which the curve is known.
    """
    top = highest_seen(curve.thresholds) if up_to_ma is None else float(up_to_ma)
    lower, upper = curve.intervals.T
    known = highest_known(curve)
    if not top > 0:
        raise NotEstimableError(f"A restricted mean needs a highest current above 0 mA, not {top:g} mA.")
    if top > known:
        raise NotEstimableError(
            f"The mean threshold up to {top:g} mA is not estimable: nobody knows which of the patients not captured at "
            f"{known:g} mA a higher current would have captured."
        )
    low, high = (np.minimum(ends, top) for ends in (lower, upper))
    bounds = float(curve.mass @ low), float(curve.mass @ high)
    limits, notes = _limits(curve, np.column_stack((low, high)), bounds, top, level)
    settled = bounds[1] - bounds[0] < 1e-9 * top
    return Estimate(
        f"mean threshold up to {top:g} mA", bounds[0] if settled else None, *limits, level, "mA", "identity",
        curve.thresholds.n_patients, METHOD, notes=notes, identified=bounds,
        reason="" if settled else f"only known to lie between {bounds[0]:.1f} and {bounds[1]:.1f} mA",
    )  # fmt: skip


def _limits(
    curve: BootstrapCurve, ends: np.ndarray, bounds: tuple[float, float], top: float, level: float
) -> tuple[tuple[float | None, float | None], tuple[str, ...]]:
    groups = curve.thresholds.n_patients
    errors = np.std(curve.masses @ ends, axis=0, ddof=1) * np.sqrt(groups / max(groups - 1, 1))
    if groups < 2 or errors.max() < 1e-9 * top:
        return (None, None), ("all resamples of patients are alike, so they put no limits on the mean",)
    t = float(stats.t.ppf(0.5 + level / 2, groups - 1))
    return (max(0.0, bounds[0] - t * float(errors[0])), min(top, bounds[1] + t * float(errors[1]))), ()
