"""Was capture kept: first loss, number of losses, capture regained, and the share of paced minutes with capture."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.outcomes.kept_course import KeptCourse, kept_course
from capstat.outcomes.kept_group import KeptGroup, kept_group
from capstat.outcomes.kept_groups import compared_groups, group_names
from capstat.outcomes.kept_minutes import PUBLISHED, paced_minutes
from capstat.outcomes.kept_periods import known_capture
from capstat.outcomes.kept_ratio import loss_rate_ratio
from capstat.results import Estimate, NotEstimableError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.outcomes.episodes import Episodes

__all__ = ["CaptureKept", "capture_kept"]


@dataclass(frozen=True, slots=True, eq=False)
class CaptureKept:
    """Capture kept or lost.

    Attributes
    ----------
    awaited : str
        From which capture on, in words.
    by : str
        Column that makes the groups, as of the first attempt.
    everybody : KeptGroup
        All patients.
    groups : tuple of KeptGroup
        One for each recorded value, in alphabetical order.
    rate_ratio, gap_ratio : Estimate
        Ratio of the rates of loss between two groups, in time since first capture and since each capture.
    level : float
        Confidence level.
    notes : tuple of str
        What a reader must know.
    """

    awaited: str
    by: str
    everybody: KeptGroup
    groups: tuple[KeptGroup, ...]
    rate_ratio: Estimate
    gap_ratio: Estimate
    level: float
    notes: tuple[str, ...]


def capture_kept(
    episodes: Episodes, *, by: str = "placement", pair: tuple[str, str] | None = None, level: float = 0.95
) -> CaptureKept:
    """Describe what became of capture once it was there.  Nothing is random, and nothing here says why it was lost.

    Parameters
    ----------
    episodes : Episodes
        One row for each patient; the study must keep periods with capture.
    by : str
        Column of ``episodes.table`` with named values.
    pair : tuple of str, optional
        Which two are compared, first against second; the two with most captures when not given.
    level : float
        Confidence level.

    Raises
    ------
    UsageError
        When the column cannot make groups.
    NotEstimableError
        When the study keeps no periods with capture.
    """
    names = group_names(episodes.table, by)
    known = known_capture(episodes)
    if not known.periods_kept:
        raise NotEstimableError(
            f"Whether {episodes.awaited.capture.name} capture was kept needs periods with such capture (table periods: "
            "from_s, to_s, lost), and there are none."
        )
    course = kept_course(episodes, known)
    minutes = paced_minutes(episodes, known)
    everyone = np.ones(len(episodes), dtype=bool)
    present = sorted({str(name) for name in names if name is not None})
    groups = tuple(kept_group(name, names == name, course, minutes, level) for name in present)
    of_course = names[course.episode]
    pair = compared_groups(of_course) if pair is None else pair
    unnamed = int(sum(name is None for name in names))
    notes = [*episodes.notes, *known.notes, PUBLISHED]
    if unnamed:
        notes.append(f"{unnamed} patients have no recorded value of {by} and are in no group.")
    if (episodes.n_attempts > 1).any():
        several = int((episodes.n_attempts > 1).sum())
        notes.append(f"{several} patients had several attempts; they count with the {by} of their first.")
    return CaptureKept(
        episodes.awaited.name, by, kept_group("all", everyone, course, minutes, level), groups,
        _ratio(course, of_course, pair, by, "total", level), _ratio(course, of_course, pair, by, "gap", level),
        level, tuple(notes),
    )  # fmt: skip


def _ratio(
    course: KeptCourse, names: NDArray[np.object_], pair: tuple[str, str] | None, by: str, clock: str, level: float
) -> Estimate:
    if pair is None:
        why = f"captured patients with two values of {by} are needed"
        return Estimate(
            "ratio of rates of loss of capture", None, None, None, level, "ratio", "log", len(names),
            "Andersen-Gill model", reason=why,
        )  # fmt: skip
    first, minus = pair
    return loss_rate_ratio(course, names == first, names == minus, f"{first} against {minus}", clock, level)
