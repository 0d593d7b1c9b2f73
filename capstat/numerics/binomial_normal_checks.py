"""What counts of several studies must be."""

from __future__ import annotations

from typing import Any

import numpy as np

from capstat.numerics.binomial_normal_fit import Studies
from capstat.results import NotEstimableError, UsageError

__all__ = ["checked_counts", "checked_level", "checked_pair"]


def checked_level(level: float) -> float:
    """Return the confidence level.

    Raises
    ------
    UsageError
        When it is not a share between 0 and 1.
    """
    if not 0 < level < 1:
        raise UsageError(f"level is a share between 0 and 1, not {level!r}.")
    return float(level)


def _numbers(events: Any, totals: Any) -> tuple[Any, Any]:
    try:
        return np.asarray(events, dtype=float), np.asarray(totals, dtype=float)
    except (TypeError, ValueError) as error:
        raise UsageError("events and totals must be whole numbers.") from error


def _refuse_wrong_counts(x: Any, n: Any) -> None:
    if not (np.isfinite(x).all() and np.isfinite(n).all()) or (x % 1 != 0).any() or (n % 1 != 0).any():
        raise UsageError("events and totals must be whole numbers.")
    if (n < 1).any():
        raise UsageError("Every total must be at least 1: a study in which nothing was observed has no share.")
    if (x < 0).any() or (x > n).any():
        raise UsageError("events must lie between 0 and the total of the same study.")


def checked_pair(events: Any, total: Any) -> tuple[int, int]:
    """Return the events and the total of one centre.

    Raises
    ------
    UsageError
        When they are not whole numbers with ``0 <= events <= total`` and ``total >= 1``.
    """
    x, n = _numbers(events, total)
    if x.ndim != 0 or n.ndim != 0:
        raise UsageError("One centre has one number of events and one total.")
    _refuse_wrong_counts(x, n)
    return int(x), int(n)


def checked_counts(events: Any, totals: Any) -> Studies:
    """Return events and totals as arrays of shape (k,).

    Raises
    ------
    UsageError
        When the shapes differ, a number is not whole, a total is below 1, or events exceed their total.
    NotEstimableError
        When there are fewer than two studies.
    """
    x, n = _numbers(events, totals)
    if x.ndim != 1 or x.shape != n.shape:
        raise UsageError(f"events and totals need one number for each study; their shapes are {x.shape} and {n.shape}.")
    _refuse_wrong_counts(x, n)
    if x.size == 0:
        raise NotEstimableError("There is no study to pool.")
    if x.size == 1:
        raise NotEstimableError("one study only: nothing to pool")
    return Studies(x, n)
