"""Capture as a state that begins when it begins: hazard of death with a covariate that changes with time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.outcomes.immortal_course import confounder_columns
from capstat.outcomes.immortal_hazards import DeathHazard, death_hazard

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.outcomes.immortal_course import Confounders, SurvivalCourse

__all__ = ["CourseRows", "TimeVarying", "course_rows", "time_varying"]

_METHOD = (
    "Cox regression with capture as a time-varying covariate (Crowley & Hu 1977), Efron's ties, limits robust by "
    "patient (Lin & Wei 1989, from memory)"
)


@dataclass(frozen=True, slots=True, eq=False)
class CourseRows:
    """Time at risk split at capture; one entry for each row.

    Attributes
    ----------
    start, stop : ndarray, shape (m,)
        Minutes; at risk in (start, stop], where a start of -1 includes time zero.
    died, captured : ndarray of bool, shape (m,)
        Death at ``stop``; captured during the row.
    patient : ndarray of int, shape (m,)
        Row of the course.
    """

    start: NDArray[np.float64]
    stop: NDArray[np.float64]
    died: NDArray[np.bool_]
    captured: NDArray[np.bool_]
    patient: NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class TimeVarying:
    """Hazard of death while captured against not yet captured.

    Attributes
    ----------
    rows : CourseRows
        What was fitted.
    crude : DeathHazard
        Without confounders.
    adjusted : DeathHazard or None
        With them; ``None`` without any.
    """

    rows: CourseRows
    crude: DeathHazard
    adjusted: DeathHazard | None


def course_rows(course: SurvivalCourse) -> CourseRows:
    """Split each patient's follow-up at capture, by patient and time.

    A capture at the minute of death changes nothing: death comes first.
    """
    captured, start = course.captured_min, course.risk_from
    with np.errstate(invalid="ignore"):
        after = captured < course.until_min
        before = ~(after & ((captured <= 0) | (captured <= start)))
    patient = np.concatenate([np.flatnonzero(before), np.flatnonzero(after)])
    state = np.repeat([False, True], [before.sum(), after.sum()])
    # captured at the first pulse: the only row begins where the time at risk begins
    from_min = np.where(state & before[patient], captured[patient], start[patient])
    splits = ~state & after[patient]
    stop = np.where(splits, captured[patient], course.until_min[patient])
    died = course.died[patient] & ~splits
    order = np.lexsort([state, patient])
    return CourseRows(from_min[order], stop[order], died[order], state[order], patient[order].astype(np.intp))


def time_varying(course: SurvivalCourse, *, level: float = 0.95) -> TimeVarying:
    """Compare the hazard of death while captured (from capture on, whatever happens later) with that before it.

    Crowley & Hu (1977, J Am Stat Assoc 72:27).  Nobody is credited with time before capture.  A hazard ratio alone
    gives no risk by a time.

    Parameters
    ----------
    course : SurvivalCourse
        Capture and death of each patient.
    level : float
        Confidence level.
    """
    rows = course_rows(course)
    quantity = "captured against not yet captured"

    def fit(confounders: Confounders | None, words: str) -> DeathHazard:
        return death_hazard(
            rows.start, rows.stop, rows.died, rows.captured, confounders, quantity=f"{quantity}, {words}", level=level,
            method=_METHOD, cluster=rows.patient,
        )  # fmt: skip

    adjusted = None
    if course.confounders.shape[1]:
        adjusted = fit(confounder_columns(course).of_rows(rows.patient), "adjusted")
    return TimeVarying(rows, fit(None, "crude"), adjusted)
