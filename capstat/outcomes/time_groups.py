"""Groups of episodes whose times to capture are shown side by side: by a column, or by the speed of the ramp."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from capstat.distributions.covariates import NOT_BEFORE_PLACEMENT, PLACEMENT, Kind, read_column
from capstat.results import NotEstimableError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from capstat.attempts import Study
    from capstat.outcomes.episodes import Episodes

__all__ = ["Grouping", "group_by_column", "group_by_ramp_speed", "ramp_speed"]

MOST_GROUPS = 8
UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, eq=False)
class Grouping:
    """Which group each episode belongs to.

    Attributes
    ----------
    name : str
        What they are grouped by.
    labels : tuple of str
        The groups in their order: with two, differences are the first minus the second.
    code : ndarray of int, shape (n,)
        Position in ``labels``; -1 where that is not known.
    notes : tuple of str
        What a reader must know.
    """

    name: str
    labels: tuple[str, ...]
    code: NDArray[np.intp]
    notes: tuple[str, ...] = ()


def group_by_column(episodes: Episodes, column: str) -> Grouping:
    """Group by named values of patient or first attempt, such as "placement" or "setting".

    Groups are ordered by size, yes before no.  The value "unknown" counts as missing.

    Raises
    ------
    UsageError
        When there is no such column, it holds numbers, it is only known later, or it has very many values.
    NotEstimableError
        When it is missing in all of the episodes.
    """
    table = episodes.table
    if column not in table:
        raise UsageError(f"There is no column '{column}' to group by; there are: {', '.join(map(str, table.columns))}.")
    if column in NOT_BEFORE_PLACEMENT:
        raise UsageError(f"'{column}' is only known after pacing began, so times to capture are not grouped by it.")
    if table[column].isna().all():
        raise NotEstimableError(f"'{column}' is missing in all of the {len(episodes)} episodes.")
    kind, values = read_column(table[column], column)
    if kind is Kind.LINE:
        raise UsageError(f"'{column}' holds numbers; groups need named values.")
    named = values.map({1.0: "yes", 0.0: "no"}) if kind is Kind.YES_NO else values
    named = named.astype(object).where(named.notna() & (named != UNKNOWN).fillna(False).astype(bool), None)
    counts = named.dropna().astype(str).value_counts()
    if not len(counts):
        raise NotEstimableError(f"'{column}' is unknown in all of the {len(episodes)} episodes.")
    if len(counts) > MOST_GROUPS:
        raise UsageError(f"'{column}' has {len(counts)} values; groups may be up to {MOST_GROUPS}.")
    labels = tuple(sorted(map(str, counts.index), key=lambda label: (-int(counts[label]), label)))
    if kind is Kind.YES_NO:
        labels = tuple(sorted(labels, reverse=True))
    code = np.asarray(pd.Categorical(named, categories=list(labels)).codes, dtype=np.intp)
    notes: tuple[str, ...] = ()
    if column == PLACEMENT:
        notes = ("placement is that of the first attempt, whatever was tried later",)
    return Grouping(column, labels, code, notes)


def ramp_speed(study: Study, episodes: Episodes) -> NDArray[np.float64]:
    """Speed of the ramp of each episode's first attempt, in mA per second; shape (n,).

    Median over its settings of (change of current) / (time until the next setting), over rises alone; NaN where fewer
    than two settings have times, or the current never rose.  Only settings up to the end of the wait count, because
    what follows capture is another manoeuvre.

    Parameters
    ----------
    study : Study
        The records that the episodes were derived from.
    episodes : Episodes
        All of them.
    """
    steps = study.steps
    speed = np.full(len(episodes), np.nan)
    if not len(steps):
        return speed
    frame = pd.DataFrame(
        {
            "row": steps["attempt_row"].to_numpy(),
            "time": steps["time_s"].to_numpy(dtype=float),
            "current": steps["current_ma"].to_numpy(dtype=float),
        }
    ).dropna()
    by_attempt = frame.groupby("row", sort=False)
    rise, lapse = by_attempt["current"].diff(), by_attempt["time"].diff()
    # the wait ended when its setting did; settings that began later belong to something else
    zero = _time_zero(study, episodes)
    end = pd.Series(episodes.latest_s + zero, index=episodes.attempt_row).reindex(frame["row"]).to_numpy()
    used = (rise > 0) & (lapse > 0) & ~(frame["time"].to_numpy() > end)
    median = (rise / lapse)[used].groupby(frame["row"][used]).median()
    return np.asarray(median.reindex(episodes.attempt_row).to_numpy(dtype=float))


def _time_zero(study: Study, episodes: Episodes) -> NDArray[np.float64]:
    """Origin of each episode on the time axis of its first attempt, in s; the first setting where nothing else is."""
    zero = study.attempts[episodes.origin.column].to_numpy(dtype=float)[episodes.attempt_row]
    if not len(study.steps):
        return zero
    first = study.steps.groupby("attempt_row")["time_s"].min().reindex(episodes.attempt_row).to_numpy(dtype=float)
    return np.where(np.isnan(zero), first, zero)


def _middle(speed: NDArray[np.float64]) -> float:
    """Median; the next speed above it where nobody is slower, as with the few speeds of a few devices."""
    middle = float(np.median(speed))
    above = speed[speed > middle * (1 + 1e-9)]
    return float(above.min()) if above.size and not (speed < middle * (1 - 1e-9)).any() else middle


def group_by_ramp_speed(study: Study, episodes: Episodes, cuts_ma_per_s: Sequence[float] | None = None) -> Grouping:
    """Group by the speed of the first attempt's ramp, slowest first.

    Parameters
    ----------
    study : Study
        The records that the episodes were derived from.
    episodes : Episodes
        All of them.
    cuts_ma_per_s : sequence of float, optional
        Increasing cut points in mA per second; a speed at a cut point belongs to the faster group.  The median of the
        episodes when omitted, or the next speed above it where nobody is slower; a note says so.

    Raises
    ------
    UsageError
        When the cut points do not increase.
    NotEstimableError
        When no episode has a speed, or all have the same side of every cut point.
    """
    speed = ramp_speed(study, episodes)
    known = np.isfinite(speed)
    if not known.any():
        raise NotEstimableError("No first attempt has two settings with time_s and a rising current_ma.")
    one_setting = (
        "the speed is known only of ramps of two settings or more, so that captures at the first setting are left out "
        "and times in these groups are longer than in all"
    )
    notes = [] if known.all() else [one_setting]
    if cuts_ma_per_s is None:
        cuts = np.array([_middle(speed[known])])
        notes.append("the cut point is the median of these ramps, not one fixed beforehand")
    else:
        cuts = np.asarray(cuts_ma_per_s, dtype=float)
        if cuts.size == 0 or not (np.diff(cuts) > 0).all() or not (np.isfinite(cuts) & (cuts > 0)).all():
            raise UsageError("Cut points of the ramp speed must be positive and increase.")
    code = np.where(known, np.searchsorted(cuts, np.where(known, speed, 0.0), side="right"), -1)
    edges = [f"{cut:.3g}" for cut in cuts]
    names = [f"below {edges[0]} mA/s"]
    names += [f"{a} to below {b} mA/s" for a, b in itertools.pairwise(edges)]
    names.append(f"{edges[-1]} mA/s or faster")
    present = np.unique(code[known])
    if present.size < 2:
        raise NotEstimableError(f"All ramps have the same speed group, {names[int(present[0])]}.")
    place = np.full(len(names) + 1, -1)
    place[present] = np.arange(present.size)
    return Grouping("ramp speed", tuple(names[i] for i in present), place[code].astype(np.intp), tuple(notes))
