"""Cumulative incidences that follow from hazards regressions of every competing cause."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from capstat.results import UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    from capstat.numerics.hazards import HazardsFit

__all__ = ["cause_specific_incidence", "standardised_incidence"]

_BLOCK = 1_000_000  # rows times event times held at once
_FAR = 500.0  # log relative hazards beyond are certain or impossible events


def cause_specific_incidence(
    fits: Sequence[HazardsFit], designs: Sequence[ArrayLike], times: ArrayLike
) -> NDArray[np.float64]:
    """Cumulative incidence of each cause for each row, from regressions of all causes, others censored in each.

    Between event times nothing happens; at one the hazards of all causes compete at constant rates: the share free of
    any event falls by ``exp(-sum of the increments)``, and what it loses is shared out by the increments.  This is the
    product of matrix exponentials that R's survfit takes for multistate models; shares never leave 0 to 1, and with
    the event-free share add up to 1.

    Parameters
    ----------
    fits : sequence of HazardsFit, length c
        One for each cause; together they must be all causes.
    designs : sequence of array, each of shape (rows, p)
        Columns of the rows for each fit.
    times : array, shape (k,)
        In the unit of the fits; beyond the last event the curves stay level, also where nobody was followed.

    Returns
    -------
    ndarray, shape (c, rows, k)

    Raises
    ------
    UsageError
        When the designs do not fit.
    """
    at = np.asarray(times, dtype=float)
    ratios = _relative_hazards(fits, designs)
    grid, increments = _increments(fits, at)
    fallen = _losses(ratios, increments)
    parts = ratios.T[:, :, None] * increments[:, None, :]
    shares = parts / parts.sum(axis=0)
    levels = np.concatenate([np.zeros((*ratios.T.shape, 1)), np.cumsum(shares * fallen, axis=2)], axis=2)
    return np.asarray(levels[:, :, np.searchsorted(grid, at, side="right")])


def standardised_incidence(
    fits: Sequence[HazardsFit],
    designs: Sequence[ArrayLike],
    times: ArrayLike,
    weight: ArrayLike | None = None,
) -> NDArray[np.float64]:
    """Mean over the rows of :func:`cause_specific_incidence`, fast enough for bootstrap replicates.

    Parameters
    ----------
    fits, designs, times
        As there.
    weight : array, shape (rows,), optional
        Weights of the rows.

    Returns
    -------
    ndarray, shape (c, k)

    Raises
    ------
    UsageError
        When the designs do not fit, or the weights are negative or all zero.
    """
    at = np.asarray(times, dtype=float)
    ratios = _relative_hazards(fits, designs)
    share = np.ones(ratios.shape[0]) if weight is None else np.asarray(weight, dtype=float)
    if share.shape != ratios.shape[:1] or not (np.isfinite(share).all() and (share >= 0).all() and share.any()):
        raise UsageError("Weights must be finite, not negative and not all zero, one for each row.")
    used = share > 0
    ratios, share = ratios[used], share[used] / share.sum()
    grid, increments = _increments(fits, at)
    several = np.flatnonzero((increments > 0).sum(axis=0) > 1)
    among = increments[:, several]
    lost, mean = np.zeros(grid.size), np.zeros_like(increments)
    block = max(_BLOCK // max(grid.size, 1), 1)
    for i in range(0, share.size, block):
        some, part = ratios[i : i + block], share[i : i + block]
        fallen = _losses(some, increments)
        lost += part @ fallen
        mean[:, several] += among * (some.T @ (part[:, None] * fallen[:, several] / (some @ among)))
    # where one cause alone has an event it takes all
    alone = np.setdiff1d(np.arange(grid.size), several)
    mean[:, alone] = (increments[:, alone] > 0) * lost[alone]
    levels = np.concatenate([np.zeros((len(fits), 1)), np.cumsum(mean, axis=1)], axis=1)
    return np.asarray(levels[:, np.searchsorted(grid, at, side="right")])


def _relative_hazards(fits: Sequence[HazardsFit], designs: Sequence[ArrayLike]) -> NDArray[np.float64]:
    """Hazards of each row relative to a row at the means of the fit, shape (rows, c)."""
    columns = [np.asarray(design, dtype=float) for design in designs]
    if not fits or len(columns) != len(fits) or any(x.ndim != 2 or x.shape[0] != columns[0].shape[0] for x in columns):
        raise UsageError("Every fit needs a design, all with the same number of rows.")
    for fit, x in zip(fits, columns, strict=True):
        if x.shape[1] != fit.means.size:
            raise UsageError(f"The design must have the columns {', '.join(fit.names)}.")
    linear = [(x - fit.means) @ fit.coefficients for fit, x in zip(fits, columns, strict=True)]
    return np.exp(np.clip(np.column_stack(linear), -_FAR, _FAR))


def _increments(
    fits: Sequence[HazardsFit], times: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Event times up to the last one asked for, and the baseline increments of each cause there: (g,) and (c, g)."""
    last = times.max(initial=-np.inf)
    grid = np.unique(np.concatenate([fit.baseline_times for fit in fits]))
    grid = grid[grid <= last]
    increments = np.zeros((len(fits), grid.size))
    for row, fit in zip(increments, fits, strict=True):
        k = int(np.searchsorted(fit.baseline_times, last, side="right"))
        row[np.searchsorted(grid, fit.baseline_times[:k])] = np.diff(fit.baseline_hazard[:k], prepend=0.0)
    return grid, increments


def _losses(ratios: NDArray[np.float64], increments: NDArray[np.float64]) -> NDArray[np.float64]:
    """What the event-free share of each row loses at each time, shape (rows, g)."""
    free = np.exp(-ratios @ np.cumsum(increments, axis=1))
    return np.asarray(-np.diff(free, axis=1, prepend=1.0))
