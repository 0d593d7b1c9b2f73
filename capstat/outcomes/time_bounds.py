"""Shares captured, or otherwise ended, by a time, where times of capture may only be known to lie in intervals.

With interval times a curve is bounded, not estimated: nothing is put at a midpoint and nothing is drawn at random.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.numerics.cumulative_incidence import incidence_limits, nothing_yet
from capstat.numerics.event_curves import EventCurves, event_curves
from capstat.outcomes.episodes import CAPTURE, CAUSES

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.outcomes.episodes import Episodes

__all__ = ["ShareBounds", "Waits", "share_bounds", "waits_of"]

N_CAUSES = len(CAUSES) - 1


@dataclass(frozen=True, slots=True, eq=False)
class Waits:
    """How patients' waits for capture ended, in minutes since the origin.

    Attributes
    ----------
    entry : ndarray, shape (n,), or None
        Just before the first pulse, so that a capture with the first pulse is an event of somebody at risk; ``None``
        where everybody is observed from time zero.
    earliest, latest : ndarray, shape (n,)
        Bounds of the end; equal where it is known.
    cause : ndarray of int, shape (n,)
        Position in ``CAUSES``.
    """

    entry: NDArray[np.float64] | None
    earliest: NDArray[np.float64]
    latest: NDArray[np.float64]
    cause: NDArray[np.intp]

    def __len__(self) -> int:
        """Return the number of patients."""
        return len(self.cause)

    @property
    def exact(self) -> bool:
        """Whether every time is known."""
        return bool((self.earliest == self.latest).all())

    @property
    def competing(self) -> tuple[int, ...]:
        """Causes other than capture that occurred."""
        return tuple(int(cause) for cause in np.unique(self.cause[self.cause > CAPTURE]))

    @property
    def edges(self) -> NDArray[np.float64]:
        """All times at which a curve or a bound of it can change, increasing."""
        return np.unique(np.concatenate([self.earliest, self.latest]))

    def curves(self, time: NDArray[np.float64]) -> EventCurves:
        """Aalen-Johansen curves with the ends at ``time``."""
        return event_curves(time, self.cause, entry=self.entry, n_causes=N_CAUSES)


def waits_of(episodes: Episodes, rows: NDArray[np.bool_]) -> Waits:
    """Take the waits of some patients.

    Parameters
    ----------
    episodes : Episodes
        All of them.
    rows : ndarray of bool, shape (n,)
        Which to take, one at least.
    """
    entry = episodes.entry_s[rows]
    # nobody can have been captured before the first pulse
    earliest, latest = (np.maximum(x[rows], entry) / 60 for x in (episodes.earliest_s, episodes.latest_s))
    delayed = np.nextafter(entry / 60, -np.inf) if episodes.delayed else None
    return Waits(delayed, np.minimum(earliest, latest), latest, episodes.cause[rows])


@dataclass(frozen=True, slots=True, eq=False)
class ShareBounds:
    """A rising share at given times; shares from 0 to 1.

    Attributes
    ----------
    x : ndarray, shape (k,)
        Times in minutes, increasing; the values hold up to the next one.
    low, high : ndarray, shape (k,)
        Bounds, equal where all times are known.
    limit_low, limit_high : ndarray, shape (k,)
        Pointwise confidence limits around them.
    reached : ndarray of bool, shape (k,)
        Whether the data say anything about the time.
    at_risk : ndarray, shape (k,)
        Patients at risk just before, with every end as late as it can have been.
    """

    x: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    limit_low: NDArray[np.float64]
    limit_high: NDArray[np.float64]
    reached: NDArray[np.bool_]
    at_risk: NDArray[np.float64]


def _on_steps(
    curves: EventCurves, cause: int, x: NDArray[np.float64], level: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Incidence of a cause with its limits at ``x``."""
    nothing = np.asarray(nothing_yet(curves, x, level), dtype=float)
    if not curves.times.size:
        return np.zeros(x.size), np.zeros(x.size), nothing
    place = np.searchsorted(curves.times, x, side="right") - 1
    value = np.where(place < 0, 0.0, curves.incidence[cause - 1][place])
    lower, upper = (limit[place] for limit in incidence_limits(curves, cause, level))
    return value, np.where(value > 0, lower, 0.0), np.where(value > 0, upper, nothing)


def share_bounds(waits: Waits, cause: int, x: NDArray[np.float64], level: float) -> ShareBounds:
    """Cumulative incidence of a cause by Aalen and Johansen, bounded where times of capture are intervals.

    Censored patients' mass goes to those at risk after them (Efron 1967, from memory).  So a capture that is certainly
    over by ``x`` counts the more, the later it was.  The share captured by ``x`` is largest with every capture that
    can have come by then as late as that allows, and smallest with every capture that can have come after ``x`` there
    and the others as early as they can have been.  That is exact for each ``x`` where everybody is observed from time
    zero, and the tests try it on random times.  Competing ends have known times: their share is smallest with all
    captures late, largest with all early.  With delayed entry risk sets may be so small that the two change places;
    they are then put in order, without a proof that nothing lies outside.

    Parameters
    ----------
    waits : Waits
        One group.
    cause : int
        Position in ``CAUSES``, not 0.
    x : ndarray, shape (k,)
        Times in minutes, increasing.
    level : float
        Confidence level.
    """
    late = waits.curves(waits.latest)
    until = np.inf if late.times.size and late.event_free[-1] <= 0 else late.last
    early = late if waits.exact else waits.curves(waits.earliest)
    for curves in (late, early):
        if curves.emptied_at is not None:
            until = min(until, float(np.nextafter(curves.emptied_at, -np.inf)))
    entered = len(waits) if waits.entry is None else np.searchsorted(np.sort(waits.entry), x, side="left")
    at_risk = entered - np.searchsorted(np.sort(waits.latest), x, side="left")
    if waits.exact:
        low = high = _on_steps(late, cause, x, level)
    elif cause != CAPTURE:
        low, high = _in_order(_on_steps(late, cause, x, level), _on_steps(early, cause, x, level))
    else:
        low, high = _in_order(*_captured(waits, x, level))
    return ShareBounds(x, low[0], high[0], low[1], high[2], x <= until, at_risk.astype(float))


_Steps = tuple["NDArray[np.float64]", "NDArray[np.float64]", "NDArray[np.float64]"]


def _in_order(one: _Steps, two: _Steps) -> tuple[_Steps, _Steps]:
    """Pointwise smaller and larger of two curves and their limits."""
    small, large = (np.minimum, np.maximum)
    return (
        (small(one[0], two[0]), small(one[1], two[1]), small(one[2], two[2])),
        (large(one[0], two[0]), large(one[1], two[1]), large(one[2], two[2])),
    )


def _captured(waits: Waits, x: NDArray[np.float64], level: float) -> tuple[_Steps, _Steps]:
    """Smallest and largest share captured by each time, each with its limits."""
    found = []
    for t in x:
        # the values hold up to the next time, so that an end at t itself has passed
        after = np.array([np.nextafter(t, np.inf)])
        by_then = np.where(waits.earliest <= t, np.minimum(waits.latest, after[0]), waits.latest)
        not_yet = np.where(waits.latest <= t, waits.earliest, waits.latest)
        smallest, largest = (_on_steps(waits.curves(time), CAPTURE, after, level) for time in (not_yet, by_then))
        found.append([*(part[0] for part in smallest), *(part[0] for part in largest)])
    columns = np.asarray(found, dtype=float).reshape(-1, 6).T
    return (columns[0], columns[1], columns[2]), (columns[3], columns[4], columns[5])
