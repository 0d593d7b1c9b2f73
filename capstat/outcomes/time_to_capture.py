"""Time to capture: how soon patients were captured, beside the other ends that their wait had, in all and in groups."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.outcomes.episodes import CAPTURE
from capstat.outcomes.time_bounds import waits_of
from capstat.outcomes.time_differences import GroupTest, group_difference, group_test
from capstat.outcomes.time_group_results import TimeGroup, describe_group
from capstat.outcomes.time_groups import Grouping, group_by_column
from capstat.outcomes.time_turnbull import turnbull_curve
from capstat.results import NotEstimableError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from capstat.outcomes.episodes import Episodes
    from capstat.outcomes.time_turnbull import TurnbullCurve
    from capstat.results import Estimate

__all__ = ["TimeToCapture", "time_to_capture"]


@dataclass(frozen=True, slots=True, eq=False)
class TimeToCapture:
    """How soon patients were captured.

    Attributes
    ----------
    awaited : str
        What was waited for.
    origin : str
        Time zero.
    everybody : TimeGroup
        All episodes.
    grouped_by : str
        What the groups are made by; empty without groups.
    groups : tuple of TimeGroup
        In their order.
    n_without_group : int
        Episodes whose group is not known; they are in ``everybody`` alone.
    tests : tuple of GroupTest
        For capture and for each other end that occurred.
    differences : tuple of Estimate
        With two groups: difference of the shares captured by each of the given minutes, in percentage points.
    other_differences : tuple of (str, tuple of Estimate)
        The same for each other end that occurred.
    waiting_difference, with_capture_difference : Estimate or None
        With two groups: differences of the mean minutes.
    npmle : TurnbullCurve or None
        Share of all captured, where times are intervals, nothing competes and everybody is observed from time zero.
    left_out : tuple of (str, int)
        Patients without an episode.
    notes : tuple of str
        What a reader must know.
    """

    awaited: str
    origin: str
    everybody: TimeGroup
    grouped_by: str
    groups: tuple[TimeGroup, ...]
    n_without_group: int
    tests: tuple[GroupTest, ...]
    differences: tuple[Estimate, ...]
    other_differences: tuple[tuple[str, tuple[Estimate, ...]], ...]
    waiting_difference: Estimate | None
    with_capture_difference: Estimate | None
    npmle: TurnbullCurve | None
    left_out: tuple[tuple[str, int], ...]
    notes: tuple[str, ...]


def time_to_capture(
    episodes: Episodes,
    *,
    by: str | Grouping | None = None,
    times_min: Sequence[float] = (2.0, 5.0, 10.0),
    tau_min: float = 10.0,
    level: float = 0.95,
) -> TimeToCapture:
    """Describe how soon patients were captured, beside the other ends of their wait.

    Ends other than capture compete with it: whose own rhythm returned can no longer be captured.  So the share
    captured is a cumulative incidence, not 1 - Kaplan-Meier.  Patients who were handed over or whose record ends while
    they were paced are censored.  Where times of capture are intervals, everything is bounded, not estimated.

    Parameters
    ----------
    episodes : Episodes
        One row for each patient.
    by : str or Grouping, optional
        Column of ``episodes.table`` with named values, such as "placement" or "setting", or a grouping from
        :mod:`capstat.outcomes.time_groups`.
    times_min : sequence of float
        Minutes at which shares are wanted, increasing.
    tau_min : float
        Minutes to which mean times are restricted.
    level : float
        Confidence level.

    Raises
    ------
    UsageError
        When the minutes do not increase from above 0, or a column cannot make groups.
    NotEstimableError
        When there are no episodes, or the group is missing in all of them.
    """
    times = np.asarray(times_min, dtype=float)
    if times.size == 0 or not (np.isfinite(times).all() and times[0] > 0 and (np.diff(times) > 0).all()):
        raise UsageError("The minutes at which shares are wanted (times_min) must be positive and increase.")
    if not (np.isfinite(tau_min) and tau_min > 0):
        raise UsageError("Mean times must be restricted to a positive number of minutes (tau_min).")
    if not len(episodes):
        raise NotEstimableError(f"There are no episodes in which to look for {episodes.awaited.name}.")
    everybody = waits_of(episodes, np.ones(len(episodes), dtype=bool))
    ends = everybody.competing
    overall = describe_group("all", everybody, ends, times_min, tau_min, level)
    notes = list(episodes.notes)
    npmle = None
    if not everybody.exact:
        if everybody.competing or everybody.entry is not None:
            notes.append("Turnbull's estimate is not made: other ends compete with capture, or patients enter later")
        else:
            npmle = turnbull_curve(everybody)
    if by is None:
        return TimeToCapture(
            episodes.awaited.name, episodes.origin.value, overall, "", (), 0, (), (), (), None, None, npmle,
            episodes.left_out, tuple(notes),
        )  # fmt: skip
    grouping = group_by_column(episodes, by) if isinstance(by, str) else by
    groups = tuple(
        describe_group(label, waits_of(episodes, grouping.code == place), ends, times_min, tau_min, level)
        for place, label in enumerate(grouping.labels)
    )
    tests = tuple(group_test(episodes, grouping.code, cause) for cause in (CAPTURE, *ends))
    differences: tuple[Estimate, ...] = ()
    others: tuple[tuple[str, tuple[Estimate, ...]], ...] = ()
    waiting = with_capture = None
    if len(groups) == 2:
        pair = (groups[0], groups[1])
        differences = tuple(
            group_difference(a, b, pair, "percentage points")
            for a, b in zip(pair[0].captured_by, pair[1].captured_by, strict=True)
        )
        others = tuple(
            (cause, tuple(group_difference(a, b, pair, "percentage points") for a, b in zip(one, two, strict=True)))
            for (cause, one), (_, two) in zip(pair[0].competing_by, pair[1].competing_by, strict=True)
        )
        waiting = group_difference(pair[0].waiting, pair[1].waiting, pair, "min")
        with_capture = group_difference(pair[0].with_capture, pair[1].with_capture, pair, "min")
    return TimeToCapture(
        episodes.awaited.name, episodes.origin.value, overall, grouping.name, groups,
        int((grouping.code < 0).sum()), tests, differences, others, waiting, with_capture, npmle, episodes.left_out,
        (*notes, *grouping.notes),
    )  # fmt: skip
