"""Landmark analysis: captured by a minute or not, among those alive and watched after it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.outcomes.immortal_course import confounder_columns
from capstat.outcomes.immortal_hazards import DeathHazard, death_hazard
from capstat.outcomes.immortal_risks import contrasts_of_risks, group_risk
from capstat.results import NotEstimableError, UsageError

if TYPE_CHECKING:
    from capstat.outcomes.immortal_course import SurvivalCourse
    from capstat.outcomes.immortal_risks import GroupRisk
    from capstat.results import Estimate

__all__ = ["Landmark", "landmark"]

_METHOD = "Cox regression from the landmark on, Efron's ties (landmark analysis, Anderson, Cain & Gelber 1983)"


@dataclass(frozen=True, slots=True, eq=False)
class Landmark:
    """Captured by the landmark against not captured by it.

    Attributes
    ----------
    at_min : float
        The landmark, in minutes since time zero.
    included, captured_by, deaths : int
        Patients alive and watched after the landmark; captured by then; deaths after it.
    died_before, lost_before, not_yet_watched : int
        Patients left out: dead by the landmark, last seen by then, or first observed after it.
    captured_later : int
        Included patients whose capture came after the landmark; they stay in the group not captured by it.
    crude : DeathHazard
        Hazard of death after the landmark.
    adjusted : DeathHazard or None
        The same with the confounders; ``None`` without any.
    captured, not_captured : GroupRisk
        Risk of death between landmark and horizon.
    difference, ratio : Estimate
        Of the two risks (crude); the difference in percentage points.
    """

    at_min: float
    included: int
    captured_by: int
    deaths: int
    died_before: int
    lost_before: int
    not_yet_watched: int
    captured_later: int
    crude: DeathHazard
    adjusted: DeathHazard | None
    captured: GroupRisk
    not_captured: GroupRisk
    difference: Estimate
    ratio: Estimate


def landmark(course: SurvivalCourse, at_min: float, *, horizon_min: float, level: float = 0.95) -> Landmark:
    """Start the clock at the landmark; whoever was captured by it (at it, too) is exposed from then on.

    Anderson, Cain & Gelber (1983, J Clin Oncol 1:710).  Nobody is credited with time that had to be lived to be
    captured.  The association is with capture by the landmark, among those who lived to it.

    Parameters
    ----------
    course : SurvivalCourse
        Capture and death of each patient.
    at_min : float
        The landmark, minutes since time zero; settled beforehand.
    horizon_min : float
        Minutes since time zero (not since the landmark) at which risks are compared.
    level : float
        Confidence level.

    Raises
    ------
    UsageError
        When the landmark is not before the horizon, or is before time zero.
    NotEstimableError
        When nobody is alive and watched after the landmark.
    """
    if not 0 <= at_min < horizon_min:
        raise UsageError(f"The landmark ({at_min:g} min) must be 0 or later and before the horizon ({horizon_min:g}).")
    watched = course.entry_min <= at_min
    rows = watched & (course.until_min > at_min)
    ended = watched & ~rows
    died_before, lost_before = int((ended & course.died).sum()), int((ended & ~course.died).sum())
    late = int((~watched).sum())
    if not rows.any():
        raise NotEstimableError(
            f"Nobody was alive and watched after {at_min:g} min ({died_before} had died, {lost_before} were last seen "
            f"before, {late} were first observed later)."
        )
    exposed = course.captured_by(at_min)[rows]
    time, died = course.until_min[rows] - at_min, course.died[rows]
    start = np.full(time.size, -1.0)
    later = int((np.isfinite(course.captured_min[rows]) & ~exposed).sum())
    by = f"captured by {at_min:g} min", f"not captured by {at_min:g} min"
    notes: tuple[str, ...] = (
        f"left out: {died_before} dead by {at_min:g} min, {lost_before} last seen by then"
        + (f", {late} first observed later" if late else ""),
    )
    if later:
        notes = (*notes, f"{later} patients captured later stay among those not captured by {at_min:g} min")
    quantity = f"captured by {at_min:g} min against not, among those alive then"

    crude = death_hazard(start, time, died, exposed, None, quantity=f"{quantity}, crude", level=level,
                         method=_METHOD, notes=notes)  # fmt: skip
    adjusted = None
    if course.confounders.shape[1]:
        adjusted = death_hazard(start, time, died, exposed, confounder_columns(course, rows),
                                quantity=f"{quantity}, adjusted", level=level, method=_METHOD, notes=notes)  # fmt: skip
    one, two = (
        group_risk(start[group], time[group], died[group], horizon_min - at_min, level)
        for group in (exposed, ~exposed)
    )  # fmt: skip
    difference, ratio = contrasts_of_risks(
        one, two, by, horizon=horizon_min, quantity=f"risk of death, {quantity}, crude,", level=level, notes=notes
    )
    return Landmark(
        at_min, int(rows.sum()), int(exposed.sum()), int(died.sum()), died_before, lost_before, late, later, crude,
        adjusted, one, two, difference, ratio,
    )  # fmt: skip
