"""Stays of each episode in its states: not captured, captured, capture lost, ended."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from capstat.numerics.multistate import NOWHERE
from capstat.outcomes.episodes import CAPTURE
from capstat.outcomes.kept_periods import ENDED_ALIVE, ENDED_DEAD, HANDED_OVER, NOT_KNOWN

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.outcomes.episodes import Episodes
    from capstat.outcomes.kept_periods import KnownCapture

__all__ = ["NOT_CAPTURED", "STATES", "Stays", "stays_of"]

STATES: Final = (
    "paced, not captured",
    "captured",
    "capture lost",
    "ended, alive",
    "circulation lost or dead",
    "handed over, still paced",
)
"""States in the order of their codes.  The last three are never left: what follows is not part of pacing."""

NOT_CAPTURED, _CAPTURED, _LOST = 0, 1, 2
_STATE_OF_END: Final = {NOT_KNOWN: NOWHERE, ENDED_ALIVE: 3, ENDED_DEAD: 4, HANDED_OVER: 5}
# a change at the moment of entry: the patient must have been at risk of it
_TICK_S: Final = 0.001


@dataclass(frozen=True, slots=True, eq=False)
class Stays:
    """Stays in a state, in seconds since the origin; one row each, by episode and time.

    Attributes
    ----------
    episode : ndarray of int, shape (m,)
        Row of the episodes.
    start, stop : ndarray, shape (m,)
        Beginning and end.
    state, target : ndarray of int, shape (m,)
        Position in :data:`STATES` of the state and of the next one; ``NOWHERE`` where nothing more is known.
    """

    episode: NDArray[np.intp]
    start: NDArray[np.float64]
    stop: NDArray[np.float64]
    state: NDArray[np.intp]
    target: NDArray[np.intp]

    def under_observation(self, times_s: NDArray[np.float64]) -> NDArray[np.intp]:
        """Patients in each of the first three states just after each time (in s), shape (3, m)."""
        inside = (self.start[:, None] <= times_s) & (times_s < self.stop[:, None])
        return np.array([inside[self.state == code].sum(axis=0) for code in range(3)], dtype=np.intp)


def stays_of(episodes: Episodes, known: KnownCapture) -> Stays:
    """Turn periods and ends into stays; those of no length are left out."""
    n = len(episodes)
    everyone = np.arange(n)
    ends = np.array([_STATE_OF_END[code] for code in known.end.tolist()], dtype=np.intp)
    # a change at the very end of what is known is known, although nothing after it is
    open_end = known.end == NOT_KNOWN
    without = np.ones(n, dtype=bool)
    without[known.episode] = False
    ends[open_end & without & (episodes.cause == CAPTURE)] = _CAPTURED
    lost_last = known.episode[known.lost & (known.to_s >= known.until_s[known.episode])]
    ends[lost_last[open_end[lost_last]]] = _LOST
    m = known.episode.size
    of = np.concatenate([everyone, known.episode, known.episode, everyone])
    at = np.concatenate([episodes.entry_s, known.from_s, known.to_s, known.until_s])
    state = np.concatenate([np.full(n, NOT_CAPTURED), np.full(m, _CAPTURED), np.full(m, _LOST), ends])
    rank = np.repeat([0, 1, 2, 3], [n, m, m, n])
    at = np.where(rank > 0, np.maximum(at, episodes.entry_s[of] + _TICK_S), at)
    # at equal times a period that begins comes after one that ended; the end of all comes last
    order = np.lexsort((np.where(rank == 3, 3, 0), at, of))
    of, at, state = of[order], at[order], state[order]
    superseded = np.append((np.diff(of) == 0) & (np.diff(at) <= 0), False)
    of, at, state = of[~superseded], at[~superseded], state[~superseded]
    inside = np.diff(of) == 0
    row = np.flatnonzero(inside)
    return Stays(of[row], at[row], at[row + 1], state[row], state[row + 1])
