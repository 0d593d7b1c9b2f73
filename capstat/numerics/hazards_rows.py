"""Rows of hazards regressions: checked, and with columns in units of their standard deviation."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from capstat.results import NotEstimableError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

__all__ = ["check_names", "checked_rows", "cluster_codes", "standardised"]


def checked_rows(
    time: ArrayLike, event: ArrayLike, design: ArrayLike, weight: ArrayLike | None, names: Sequence[str] | None
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Times, events or causes, columns and weights as arrays of equal length."""
    at, what, columns = (np.asarray(x, dtype=float) for x in (time, event, design))
    if at.ndim != 1 or at.size == 0 or what.shape != at.shape:
        raise UsageError("A regression needs at least one row, and one event for each time.")
    if columns.ndim != 2 or columns.shape[0] != at.size or columns.shape[1] == 0:
        raise UsageError(f"The design must have {at.size} rows and at least one column, not shape {columns.shape}.")
    if not (np.isfinite(at).all() and (at >= 0).all()):
        raise UsageError("Times must be finite and not negative.")
    if not np.isfinite(columns).all():
        bad = int(np.flatnonzero(~np.isfinite(columns).all(axis=0))[0])
        raise UsageError(f"{check_names(names, columns.shape[1])[bad]} must be finite in every row.")
    used = np.ones(at.size) if weight is None else np.asarray(weight, dtype=float)
    if used.shape != at.shape or not (np.isfinite(used).all() and (used >= 0).all() and used.any()):
        raise UsageError("Weights must be finite, not negative and not all zero, one for each row.")
    return at, what, columns, used


def check_names(names: Sequence[str] | None, p: int) -> tuple[str, ...]:
    """Names of the columns, numbered where none are given."""
    labels = tuple(f"column {j + 1}" for j in range(p)) if names is None else tuple(names)
    if len(labels) != p:
        raise UsageError(f"There are {p} columns and {len(labels)} names.")
    return labels


def cluster_codes(cluster: ArrayLike, n: int) -> NDArray[np.intp]:
    """Clusters as numbers from 0."""
    label = np.asarray(cluster)
    if label.shape != (n,) or pd.isna(label).any():
        raise UsageError("Every row needs a cluster.")
    return np.asarray(pd.factorize(label)[0])


def standardised(
    columns: NDArray[np.float64], weight: NDArray[np.float64], names: Sequence[str]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Columns with mean 0 and standard deviation 1, their means and deviations: the fit is the same in any unit.

    Raises
    ------
    NotEstimableError
        When a column has one value only.
    """
    constant = np.flatnonzero(np.ptp(columns, axis=0) == 0)
    if constant.size:
        raise NotEstimableError(f"{names[int(constant[0])]} has the same value in every row.")
    share = weight / weight.sum()
    means = share @ columns
    centred = columns - means
    scales = np.sqrt(share @ centred**2)
    return centred / scales, means, scales
