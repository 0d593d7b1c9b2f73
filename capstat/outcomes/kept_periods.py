"""Unbroken periods with capture of each episode, until when they are known, and how pacing ended."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from capstat.outcomes.episodes import CAPTURE

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.outcomes.episodes import Episodes

__all__ = ["ENDED_ALIVE", "ENDED_DEAD", "HANDED_OVER", "NOT_KNOWN", "KnownCapture", "known_capture"]

NOT_KNOWN: Final = 0
ENDED_ALIVE: Final = 1
ENDED_DEAD: Final = 2
HANDED_OVER: Final = 3

_SAME_TIME_S: Final = 1.0
_END_OF_WORD: Final = {
    "own-rhythm": ENDED_ALIVE,
    "other-therapy": ENDED_ALIVE,
    "abandoned": ENDED_ALIVE,
    "other": ENDED_ALIVE,
    "circulation-lost": ENDED_DEAD,
    "died": ENDED_DEAD,
    "handed-over": HANDED_OVER,
}
# how a wait that did not end with capture ended: position in episodes.CAUSES
_END_OF_CAUSE: Final = np.array([NOT_KNOWN, NOT_KNOWN, ENDED_ALIVE, ENDED_DEAD, ENDED_ALIVE, ENDED_ALIVE])


@dataclass(frozen=True, slots=True, eq=False)
class KnownCapture:
    """When each episode was with capture; times in seconds since the origin of the episodes.

    Attributes
    ----------
    episode : ndarray of int, shape (m,)
        Row of the episodes; in order, and in order of time within.
    from_s, to_s : ndarray, shape (m,)
        Period with capture.  Periods that touch or overlap are one; none begins before the first pulse.
    lost : ndarray of bool, shape (m,)
        Capture was lost at ``to_s`` although pacing went on.
    until_s : ndarray, shape (n,)
        Until when it is known whether there was capture.
    end : ndarray of int, shape (n,)
        What came then: ``ENDED_ALIVE``, ``ENDED_DEAD``, ``HANDED_OVER`` or ``NOT_KNOWN``.
    periods_kept : bool
        Whether the study has any period of this kind.  If not, each captured patient has one period, from capture to
        the end of pacing.
    notes : tuple of str
        What a reader must know.
    """

    episode: NDArray[np.intp]
    from_s: NDArray[np.float64]
    to_s: NDArray[np.float64]
    lost: NDArray[np.bool_]
    until_s: NDArray[np.float64]
    end: NDArray[np.intp]
    periods_kept: bool
    notes: tuple[str, ...]


def known_capture(episodes: Episodes) -> KnownCapture:
    """Find the periods with capture and the end of what is known.

    Periods of overlapping attempts are joined.  A period that another follows in the same attempt was lost, whatever
    ``lost`` says; between attempts it was lost only where that is recorded.  Pacing went on at least until the last
    period ended.  Where the last period ends before pacing did and was not lost, the record ended with it.

    The end of pacing is that of ``pacing_ended``, for patients without capture that of the wait.  An end for reasons
    with which a patient lives is counted as dead when death is recorded within a second of it.

    Parameters
    ----------
    episodes : Episodes
        One row for each patient.
    """
    n = len(episodes)
    kept = bool(len(episodes.periods))
    blocks = _joined(episodes) if kept else _assumed(episodes)
    of = blocks["episode"].to_numpy(dtype=np.intp)
    last = np.full(n, -1)
    last[of] = np.arange(of.size)  # in order of time: the last one stays
    has = last >= 0
    last_to, last_lost = np.full(n, np.nan), np.zeros(n, dtype=bool)
    last_to[has] = blocks["to"].to_numpy(dtype=float)[last[has]]
    last_lost[has] = blocks["lost"].to_numpy(dtype=bool)[last[has]]
    captured = episodes.cause == CAPTURE
    pacing_end = np.where(np.isnan(episodes.pacing_end_s) & ~captured, episodes.latest_s, episodes.pacing_end_s)
    end = _ends(episodes, pacing_end)
    # capture is known to have come; how long it lasted is not
    unknown_course = captured & ~has & (kept | np.isnan(pacing_end))
    record_ended = has & ~last_lost & (last_to < pacing_end - _SAME_TIME_S)
    # lost, and nobody wrote when pacing ended
    open_end = has & last_lost & np.isnan(pacing_end)
    until = np.where(has, np.fmax(pacing_end, last_to), pacing_end)
    until = np.where(record_ended | open_end, last_to, np.where(unknown_course, episodes.latest_s, until))
    until = np.maximum(until, episodes.entry_s)
    end = np.where(record_ended | open_end | unknown_course, NOT_KNOWN, end)
    notes = _notes(episodes, blocks, kept, int(unknown_course.sum()), int(record_ended.sum()), pacing_end)
    return KnownCapture(
        of, blocks["from"].to_numpy(dtype=float), blocks["to"].to_numpy(dtype=float),
        blocks["lost"].to_numpy(dtype=bool), until, end.astype(np.intp), kept, notes,
    )  # fmt: skip


def _joined(episodes: Episodes) -> pd.DataFrame:
    """Periods in order of time, those that touch or overlap joined."""
    periods = episodes.periods
    of = periods["episode"].to_numpy(dtype=np.intp)
    begin = np.maximum(periods["from_s"].to_numpy(dtype=float), episodes.entry_s[of])
    frame = pd.DataFrame({"episode": of, "from": begin, "to": periods["to_s"], "lost": periods["lost"].astype(bool)})
    frame = frame[frame["to"] > frame["from"]].sort_values(["episode", "from", "to"], kind="stable", ignore_index=True)
    reached = frame.groupby("episode")["to"].cummax().groupby(frame["episode"]).shift()
    frame["block"] = (~(frame["from"] <= reached)).cumsum()
    # what is recorded of the period that ends last holds for all that were joined
    ends = frame.sort_values(["block", "to"], kind="stable").groupby("block").tail(1).set_index("block")
    blocks = frame.groupby("block").agg(episode=("episode", "first"), begin=("from", "min"), to=("to", "max"))
    blocks = blocks.rename(columns={"begin": "from"}).assign(lost=ends["lost"]).reset_index(drop=True)
    followed = blocks["episode"].eq(blocks["episode"].shift(-1)).to_numpy()
    one_attempt = episodes.n_attempts[blocks["episode"].to_numpy(dtype=np.intp)] == 1
    blocks["lost"] = blocks["lost"].to_numpy(dtype=bool) | (followed & one_attempt)
    return blocks


def _assumed(episodes: Episodes) -> pd.DataFrame:
    """Without any periods: captured from the time of capture to the end of pacing, where both are known."""
    end = episodes.pacing_end_s
    of = np.flatnonzero((episodes.cause == CAPTURE) & (end > episodes.latest_s))
    return pd.DataFrame({"episode": of, "from": episodes.latest_s[of], "to": end[of], "lost": np.zeros(of.size, bool)})


def _ends(episodes: Episodes, pacing_end: NDArray[np.float64]) -> NDArray[np.intp]:
    words = pd.Series(episodes.pacing_ended, dtype=object).map(_END_OF_WORD).fillna(NOT_KNOWN).to_numpy(dtype=np.intp)
    of_cause = _END_OF_CAUSE[episodes.cause]
    waited = np.where((of_cause == NOT_KNOWN) & (words == HANDED_OVER), HANDED_OVER, of_cause)
    end = np.where(episodes.cause == CAPTURE, words, waited)
    with np.errstate(invalid="ignore"):
        died_then = episodes.died & (np.abs(episodes.followed_until_s - pacing_end) <= _SAME_TIME_S)
    return np.where(died_then & (end != HANDED_OVER), ENDED_DEAD, end)


def _notes(
    episodes: Episodes,
    blocks: pd.DataFrame,
    kept: bool,
    unknown_course: int,
    record_ended: int,
    pacing_end: NDArray[np.float64],
) -> tuple[str, ...]:
    notes = []
    if not kept:
        notes.append(
            "The study keeps no periods with capture (table periods): captured patients are taken to stay captured "
            "until pacing ended, so that no loss of capture can be seen."
        )
        if not episodes.exact:
            notes.append("Times of capture that are intervals count at their ends, when capture was certainly there.")
    if unknown_course:
        what = "have no period" if kept else "have no end of pacing after it"
        notes.append(f"{unknown_course} patients with a time of capture {what}; they are followed up to capture only.")
    if record_ended:
        notes.append(
            f"In {record_ended} patients the record of capture ended before pacing did; what followed is unknown."
        )
    if kept:
        of = blocks["episode"].to_numpy(dtype=np.intp)
        gap = np.where(np.diff(of) == 0, blocks["from"].to_numpy()[1:] - blocks["to"].to_numpy()[:-1], np.inf)
        short = int((gap < _SAME_TIME_S).sum())
        if short:
            notes.append(f"{short} gaps between periods are shorter than {_SAME_TIME_S:g} s and count like others.")
        at_end = int((blocks["lost"].to_numpy() & (blocks["to"].to_numpy() >= pacing_end[of] - _SAME_TIME_S)).sum())
        if at_end:
            notes.append(f"{at_end} losses are recorded at the moment when pacing ended; they count as losses.")
    return tuple(notes)
