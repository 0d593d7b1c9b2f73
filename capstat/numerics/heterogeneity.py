"""How much studies differ: the variance between them, I2 and H2, with Q-profile limits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import stats

from capstat.numerics.between_variance import Tau2Method, between_variance, contrasts, mean_design, variance_at_q
from capstat.numerics.weighted_studies import checked_studies
from capstat.results import UsageError

__all__ = ["Heterogeneity", "Limited", "heterogeneity", "q_profile"]


@dataclass(frozen=True, slots=True)
class Limited:
    """A number with its limits; the value may lie outside them (see :class:`Heterogeneity`)."""

    value: float
    lower: float
    upper: float


@dataclass(frozen=True, slots=True)
class Heterogeneity:
    """What the studies tell about their differences.

    Attributes
    ----------
    tau2, tau : Limited
        Variance and standard deviation between studies.
    i2 : Limited
        Share of the variance that lies between studies, in percent: ``100 tau2/(tau2 + s2)`` with the typical variance
        within studies ``s2``.
    h2 : Limited
        ``(tau2 + s2)/s2``.
    i2_from_q : float
        ``max(0, 100 (Q - df)/Q)``: the other definition of I2, the same as ``i2.value`` for DerSimonian-Laird only.
    typical_variance : float
        ``(k - 1)/(sum w - sum w^2 / sum w)`` with ``w = 1/v`` (Higgins & Thompson 2002, from memory).
    q, p_value : float
        Cochran's Q and its p-value.
    df : int
        ``k - 1``.
    level : float
        Confidence level of the limits.
    method : str
        Estimator and limits.
    notes : tuple of str
        When the limits are the single point zero, and when the value lies outside of them.
    """

    tau2: Limited
    tau: Limited
    i2: Limited
    h2: Limited
    i2_from_q: float
    typical_variance: float
    q: float
    df: int
    p_value: float
    level: float
    method: str
    notes: tuple[str, ...]


def q_profile(yi: Any, vi: Any, *, level: float = 0.95) -> tuple[float, float, bool]:
    """Limits of the variance between studies: those at which Q has the quantiles of its chi-square distribution.

    Viechtbauer (2007, Stat Med 26:37, from memory).  The upper limit is always finite, because Q falls to zero; with
    two studies it is (y1 - y2)^2/(2 * 0.00098) less the mean variance, at 95 %.

    Returns
    -------
    lower, upper : float
        The limits.
    only_zero : bool
        Whether Q is below its lower quantile already at zero: the studies differ less than chance would make them, no
        variance is compatible with them, and both limits are set to zero.
    """
    if not 0 < level < 1:
        raise UsageError(f"level is a share between 0 and 1, not {level!r}.")
    y, v = checked_studies(yi, vi)
    parts = contrasts(y, v, mean_design(y.size))
    low, high = (float(stats.chi2.ppf(share, parts.df)) for share in ((1 - level) / 2, (1 + level) / 2))
    return variance_at_q(parts, high), variance_at_q(parts, low), parts.q(0.0) < low


def heterogeneity(yi: Any, vi: Any, *, tau2_method: Tau2Method, level: float = 0.95) -> Heterogeneity:
    """Estimate the variance between studies, I2 and H2, with limits by the Q-profile method.

    Limits of I2 and H2 are those of tau2, put into their formulas with the typical variance.

    Raises
    ------
    UsageError, NotEstimableError
        As :func:`capstat.numerics.random_effects.pool`.
    """
    y, v = checked_studies(yi, vi)
    tau2 = between_variance(y, v, method=tau2_method)
    lower, upper, only_zero = q_profile(y, v, level=level)
    parts = contrasts(y, v, mean_design(y.size))
    typical, q, df = parts.typical_variance, parts.q(0.0), parts.df
    ends = np.array([tau2, lower, upper])
    notes = []
    if only_zero:
        notes.append("The studies differ less than chance alone would make them: the limits are the single value zero.")
    if not lower <= tau2 <= upper:
        notes.append("The estimate lies outside its Q-profile limits, which do not depend on the estimator.")

    def limited(values: Any) -> Limited:
        return Limited(*(float(value) for value in values))

    return Heterogeneity(
        tau2=limited(ends),
        tau=limited(np.sqrt(ends)),
        i2=limited(100 * ends / (ends + typical)),
        h2=limited((ends + typical) / typical),
        i2_from_q=max(0.0, 100 * (q - df) / q) if q > 0 else 0.0,
        typical_variance=typical,
        q=q,
        df=df,
        p_value=float(stats.chi2.sf(q, df)),
        level=level,
        method=f"{tau2_method}, Q-profile limits (Viechtbauer 2007)",
        notes=tuple(notes),
    )
