"""Gray's test of equal cumulative incidence of one cause in several groups."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from capstat.results import NotEstimableError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["GrayTest", "gray_test"]


@dataclass(frozen=True, slots=True)
class GrayTest:
    """Test that groups share the cumulative incidence of a cause.

    Attributes
    ----------
    statistic : float
        Quadratic form of the scores.
    df : int
        Degrees of freedom: groups less one, less what the data leave without variance.
    p_value : float
        From the chi-square distribution.
    """

    statistic: float
    df: int
    p_value: float


def _shifted(after: NDArray[np.floating], start: float) -> NDArray[np.float64]:
    """Left-continuous version of a curve, shape (k,) or (k, groups)."""
    return np.concatenate([np.full(after[:1].shape, start), after[:-1]])


def _correction(tied: NDArray[np.float64], size: NDArray[np.float64]) -> NDArray[np.float64]:
    """Variance factor ``1 - (tied - 1) / (size - 1)`` where events are tied."""
    spread = (tied > 1) & (size > 1)
    return np.where(spread, 1 - (tied - 1) / np.where(spread, size - 1, 1.0), np.where(tied > 1, 0.0, 1.0))


def gray_test(time: ArrayLike, cause: ArrayLike, group: ArrayLike, *, which: int) -> GrayTest:
    """K-sample test of the cumulative incidence of cause ``which`` (Gray 1988, Ann Stat 16:1141; weight rho = 0).

    The scores compare events with what is expected when those who had another event stay at risk with the weight ``1
    - F(t-)`` over ``S(t-)``; ties as in R's cmprsk.  It compares what happens to the groups, not the rate among those
    still at risk.  Rows must be observed from time 0: delayed entry, weights and clusters are not allowed for.  With
    one cause only it is close to the log-rank test but not identical.

    Parameters
    ----------
    time : array, shape (n,)
        Time of the event or of the end of follow-up.
    cause : array of int, shape (n,)
        0 for no event, else the cause.
    group : array, shape (n,)
        Labels of two groups or more.
    which : int
        The cause that is tested, 1 or more.

    Raises
    ------
    NotEstimableError
        When there are fewer than two groups, no event of the cause, or no variance.
    ValueError
        When times or causes are missing or negative.
    """
    time, cause = np.asarray(time, dtype=float), np.asarray(cause, dtype=float)
    if not (np.isfinite(time).all() and (time >= 0).all() and np.isin(cause, np.unique(np.abs(np.round(cause)))).all()):
        raise ValueError("Times must be finite and not negative, causes whole numbers from 0.")
    codes, labels = pd.factorize(np.asarray(group))
    groups = len(labels)
    if groups < 2:
        raise NotEstimableError("Gray's test needs two groups.")
    if not (cause == which).any():
        raise NotEstimableError(f"Gray's test needs an event of cause {which}.")
    times = np.unique(time[cause > 0])
    k = times.size
    mine = cause == which
    own, other = (_counts(times, time[kept], codes[kept], groups) for kept in (mine, (cause > 0) & ~mine))
    place = np.searchsorted(times, time, side="right") - 1
    inside = place >= 0
    leaving = np.bincount(place[inside] * groups + codes[inside], minlength=k * groups).reshape(k, groups)
    at_risk = np.cumsum(leaving[::-1], axis=0)[::-1].astype(float)
    score, variance = _score(own, other, at_risk)
    score, variance = score[:-1], variance[:-1, :-1]
    df = int(np.linalg.matrix_rank(variance, hermitian=True))
    if df == 0:
        raise NotEstimableError("Gray's test has no variance: the groups were never at risk together.")
    statistic = float(score @ np.linalg.pinv(variance, hermitian=True) @ score)
    return GrayTest(statistic, df, float(stats.chi2.sf(statistic, df)))


def _counts(
    times: NDArray[np.float64], time: NDArray[np.float64], codes: NDArray[np.intp], groups: int
) -> NDArray[np.float64]:
    """Events at each time in each group, shape (k, groups)."""
    flat = np.searchsorted(times, time) * groups + codes
    return np.bincount(flat, minlength=times.size * groups).reshape(times.size, groups).astype(float)


def _score(
    own: NDArray[np.float64], other: NDArray[np.float64], at_risk: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Scores, shape (groups,), and their covariance, from counts of shape (k, groups)."""
    present = at_risk > 0
    safe = np.where(present, at_risk, 1.0)
    free = np.cumprod(1 - (own + other) / safe, axis=0)
    free_before = _shifted(free, 1.0)
    incidence_before = _shifted(np.cumsum(free_before * own / safe, axis=0), 0.0)
    R = np.divide(at_risk, free_before, out=np.zeros_like(at_risk), where=present)
    total, events = R.sum(axis=1), own.sum(axis=1)
    staying = R * (1 - incidence_before)
    score = (own - events[:, None] * staying / staying.sum(axis=1, keepdims=True)).sum(axis=0)

    pooled = np.cumsum(events / total)
    a = -R[:, :, None] * R[:, None, :] / total[:, None, None]
    diagonal = np.arange(R.shape[1])
    a[:, diagonal, diagonal] += R
    # where everybody has had the event there are no more of them
    left = total * (1 - _shifted(pooled, 0.0))
    c = np.cumsum(a * np.divide(events, left, out=np.zeros_like(left), where=left > 0)[:, None, None], axis=0)
    ahead = c[-1] - c
    # the share that will not have the event, for each one of the group that is still free of any
    lasting = np.divide(1 - pooled[:, None], free, out=np.zeros_like(free), where=free > 0)
    own_variance = free_before * (events / total)[:, None] / safe
    own_variance *= present * _correction(np.broadcast_to(events[:, None], R.shape), total[:, None] * free_before)
    other_variance = free_before**2 * other / safe**2 * _correction(other, at_risk) * (free > 0)
    by_own = a + (1 - lasting)[:, None, :] * ahead
    by_other = lasting[:, None, :] * ahead
    covariance = np.einsum("tik,tjk,tk->ij", by_own, by_own, own_variance)
    covariance += np.einsum("tik,tjk,tk->ij", by_other, by_other, other_variance)
    return score, covariance
