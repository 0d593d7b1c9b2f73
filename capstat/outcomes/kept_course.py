"""What happened to capture once it was there: first loss, losses, and how it came back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.outcomes.episodes import CAPTURE
from capstat.outcomes.kept_periods import ENDED_ALIVE, ENDED_DEAD

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.outcomes.episodes import Episodes
    from capstat.outcomes.kept_periods import KnownCapture

__all__ = ["FIRST_LOSS", "PACING_ENDED", "REGAINED", "KeptCourse", "kept_course"]

FIRST_LOSS = 1
REGAINED = 1
PACING_ENDED = 2

# capture that was lost at once was there for some time: no stay may be empty
_TICK_S = 0.001
_SECONDS = 60.0


@dataclass(frozen=True, slots=True, eq=False)
class KeptCourse:
    """Captured patients, in minutes since their capture (with sustained capture, since it had lasted long enough).

    Attributes
    ----------
    episode : ndarray of int, shape (n,)
        Row of the episodes.
    kept_min, kept_cause : ndarray, shape (n,)
        How long capture was kept, and what ended it: ``FIRST_LOSS``, ``PACING_ENDED`` or 0 (record or handover).
    regain_min, regain_cause : ndarray, shape (n,)
        Time from first loss until capture came back: ``REGAINED``, ``PACING_ENDED`` or 0; NaN without a loss.
    person, start_min, stop_min, lost : ndarray, shape (r,)
        Stays with capture, the row of this object that each belongs to, and whether capture was lost at their end.
    until_min : ndarray, shape (n,)
        Until when losses are known.
    terminal : ndarray of bool, shape (n,)
        Whether pacing ended then, so that no loss can follow.
    """

    episode: NDArray[np.intp]
    kept_min: NDArray[np.float64]
    kept_cause: NDArray[np.intp]
    regain_min: NDArray[np.float64]
    regain_cause: NDArray[np.intp]
    person: NDArray[np.intp]
    start_min: NDArray[np.float64]
    stop_min: NDArray[np.float64]
    lost: NDArray[np.bool_]
    until_min: NDArray[np.float64]
    terminal: NDArray[np.bool_]


def kept_course(episodes: Episodes, known: KnownCapture) -> KeptCourse:
    """Follow each captured patient with periods on from capture.

    Pacing that ends with capture, for whatever reason but handover, competes with loss; so does the end of an attempt
    with capture before a later attempt.  Handover and the end of the record are censoring.

    Parameters
    ----------
    episodes : Episodes
        One row for each patient.
    known : KnownCapture
        That of the episodes; its periods must be recorded ones.
    """
    n = len(episodes)
    since = np.where(episodes.cause == CAPTURE, episodes.latest_s, np.nan)
    with np.errstate(invalid="ignore"):
        counts = known.to_s >= since[known.episode]
    of, begin, end, lost = known.episode[counts], known.from_s[counts], known.to_s[counts], known.lost[counts]
    row = np.full(n, -1)
    patients = np.unique(of)
    row[patients] = np.arange(patients.size)
    person = row[of]
    zero = since[patients]
    start = np.maximum(begin - zero[person], 0.0)
    stop = np.maximum(end - zero[person], start + _TICK_S)
    until = np.maximum(known.until_s[patients] - zero, 0.0)
    np.maximum.at(until, person, stop)
    over = np.isin(known.end[patients], (ENDED_ALIVE, ENDED_DEAD))
    first = np.flatnonzero(np.diff(person, prepend=-1))
    later = np.append(first[1:], person.size) > first + 1
    following = np.minimum(first + 1, person.size - 1)
    ends_here = np.where(later | over, PACING_ENDED, 0)
    kept_cause = np.where(lost[first], FIRST_LOSS, ends_here).astype(np.intp)
    again = np.where(later, start[following], until) - stop[first]
    regain_cause = np.where(later, REGAINED, np.where(over, PACING_ENDED, 0)).astype(np.intp)
    return KeptCourse(
        patients, stop[first] / _SECONDS, kept_cause, np.where(lost[first], again, np.nan) / _SECONDS, regain_cause,
        person, start / _SECONDS, stop / _SECONDS, lost, until / _SECONDS, over,
    )  # fmt: skip
