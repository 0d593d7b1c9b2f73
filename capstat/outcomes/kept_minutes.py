"""Share of paced minutes with capture: of all minutes together, and of each patient."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy import stats

from capstat.numerics.proportions import wilson
from capstat.outcomes.episodes import CAPTURE
from capstat.results import Estimate

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.outcomes.episodes import Episodes
    from capstat.outcomes.kept_periods import KnownCapture

__all__ = ["PUBLISHED", "PacedMinutes", "paced_minutes", "share_of_minutes", "shares_of_patients"]

PUBLISHED: Final = (
    "For comparison: 56 patients of one service (conference abstract, 2025, ress2025-4369852, read as an abstract) "
    "were paced for a median of 18.9 min (7.6 to 29.0), with complete capture for 13.8 % of it (1.7 to 60); what "
    "counted as capture may differ."
)
"""A published share, to stand beside the user's own."""

TOGETHER: Final = (
    "ratio of summed minutes (Cochran 1977, from memory); Wilson limits with the effective sample size by patient and "
    "t quantile (Korn & Graubard 1998, from memory)"
)
OF_PATIENTS: Final = "sample quantile; limits are order statistics (binomial, Conover 1999, from memory)"


@dataclass(frozen=True, slots=True, eq=False)
class PacedMinutes:
    """Minutes from the first pulse to the end of pacing, and those of them with capture.

    Attributes
    ----------
    paced, captured : ndarray, shape (n,)
        Minutes of each episode; NaN where the end of pacing or the course of capture is not known.
    """

    paced: NDArray[np.float64]
    captured: NDArray[np.float64]


def paced_minutes(episodes: Episodes, known: KnownCapture) -> PacedMinutes:
    """Minutes paced and captured of each episode.

    Known where pacing has a recorded end and the record of capture reaches it.  Pauses between attempts count as paced.
    """
    n = len(episodes)
    with_capture = np.bincount(known.episode, weights=known.to_s - known.from_s, minlength=n)
    with_period = np.bincount(known.episode, minlength=n) > 0
    end = np.fmax(episodes.pacing_end_s, np.where(with_period, known.until_s, -np.inf))
    usable = np.isfinite(episodes.pacing_end_s) & ((episodes.cause != CAPTURE) | with_period)
    usable &= known.until_s >= end - 1.0
    paced = np.where(usable, np.maximum(end - episodes.entry_s, 0.0), np.nan)
    return PacedMinutes(paced / 60, np.where(usable, np.minimum(with_capture, paced), np.nan) / 60)


def share_of_minutes(paced: NDArray[np.float64], captured: NDArray[np.float64], level: float) -> Estimate:
    """Share of all paced minutes that were with capture, in percent.

    The variance is ``G/(G-1) sum (c_i - R p_i)^2 / (sum p)^2`` over G patients.  At 0 and 100 % there is none and every
    patient counts once.

    Parameters
    ----------
    paced, captured : ndarray, shape (n,)
        Minutes of each patient; NaN where not known.
    level : float
        Confidence level.
    """
    quantity = "share of paced minutes with capture"
    known = np.isfinite(paced)
    p, c = paced[known], captured[known]
    n = int(known.sum())
    if not p.sum() > 0:
        why = "no paced minutes are known from the first pulse to the end"
        return Estimate(quantity, None, None, None, level, "%", "score", n, TOGETHER, reason=why)
    share = min(float(c.sum() / p.sum()), 1.0)
    notes = ["patients paced for long count for more"]
    counted = int((p > 0).sum())
    variance = counted / max(counted - 1, 1) * float(((c - share * p) ** 2).sum()) / float(p.sum()) ** 2
    plain = share * (1 - share)
    # equal shares, or one patient alone, leave only rounding
    size = plain / variance if variance > 1e-12 * max(plain, 1e-12) else float(counted)
    z, t = stats.norm.ppf(0.5 + level / 2), stats.t.ppf(0.5 + level / 2, max(counted - 1, 1))
    size *= float(z / t) ** 2
    lower, upper = wilson(share * size, size, level)
    if n < paced.size:
        notes.append(f"{paced.size - n} patients without a known end of pacing or course of capture are left out")
    return Estimate(
        quantity, 100 * share, 100 * min(lower, share), 100 * max(upper, share), level, "%", "score", n, TOGETHER,
        notes=tuple(notes),
    )  # fmt: skip


def shares_of_patients(paced: NDArray[np.float64], captured: NDArray[np.float64], level: float) -> tuple[Estimate, ...]:
    """Lower quartile, median and upper quartile of the patients' own shares, in percent.

    Patients without any paced time have no share.  Limits are order statistics; where too few patients make them, they
    are 0 or 100 %.
    """
    own = np.isfinite(paced) & (paced > 0)
    shares = np.sort(100 * captured[own] / paced[own])
    n = shares.size
    found = []
    for name, q in (("lower quartile", 0.25), ("median", 0.5), ("upper quartile", 0.75)):
        quantity = f"{name} of the patients' shares of paced minutes with capture"
        if not n:
            why = "no patient has known paced minutes"
            found.append(Estimate(quantity, None, None, None, level, "%", "order", 0, OF_PATIENTS, reason=why))
            continue
        # P(fewer than r of n lie below the quantile) is at most half of the error on each side
        low, high = (int(stats.binom.ppf(tail, n, q)) for tail in (0.5 - level / 2, 0.5 + level / 2))
        lower = float(shares[low - 1]) if low >= 1 else 0.0
        upper = float(shares[high]) if high < n else 100.0
        value = float(np.quantile(shares, q))
        found.append(Estimate(quantity, value, lower, upper, level, "%", "order", n, OF_PATIENTS))
    return tuple(found)
