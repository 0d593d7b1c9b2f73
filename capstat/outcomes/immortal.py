"""Capture and death side by side: the comparison with immortal time, and three ways to do without it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from capstat.outcomes.immortal_course import SurvivalCourse
from capstat.outcomes.immortal_emulation import CloneCensorWeight, clone_censor_weight
from capstat.outcomes.immortal_landmark import Landmark, landmark
from capstat.outcomes.immortal_naive import Naive, naive
from capstat.outcomes.immortal_rows import ImmortalRow, row_of, row_without
from capstat.outcomes.immortal_time_varying import time_varying
from capstat.results import NotEstimableError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from capstat.outcomes.immortal_hazards import DeathHazard
    from capstat.results import Estimate

__all__ = ["ImmortalComparison", "immortal_comparison"]

_NO_RISK = "a hazard ratio alone gives no risk by a time"
_NO_RATIO = "risks are compared, not hazards"
_CONFOUNDED = "association: who was captured may have differed in what was not recorded"


@dataclass(frozen=True, slots=True, eq=False)
class ImmortalComparison:
    """All methods side by side, the biased one first.

    Attributes
    ----------
    rows : tuple of ImmortalRow
        Naive, landmark at each minute, time-varying, clone-censor-weight at each minute.
    horizon_min, level : float
        Minutes since time zero at which risks are compared, and confidence level.
    confounders : tuple of str
        What was adjusted for.
    naive : Naive
    landmarks : tuple of Landmark
        Those that could be had.
    emulations : tuple of CloneCensorWeight
        Those that could be had.
    left_out : tuple of (str, int)
        Patients who are in no row: reason and number.
    notes : tuple of str
        What a reader must know.
    """

    rows: tuple[ImmortalRow, ...]
    horizon_min: float
    level: float
    confounders: tuple[str, ...]
    naive: Naive
    landmarks: tuple[Landmark, ...]
    emulations: tuple[CloneCensorWeight, ...]
    left_out: tuple[tuple[str, int], ...]
    notes: tuple[str, ...]


def immortal_comparison(
    course: SurvivalCourse,
    *,
    landmarks_min: Sequence[float] = (2.0, 5.0, 10.0),
    horizon_min: float,
    confounders: Sequence[str] | None = None,
    level: float = 0.95,
    replicates: int = 300,
    seed: int,
) -> ImmortalComparison:
    """Put the biased comparison and its remedies side by side.

    Parameters
    ----------
    course : SurvivalCourse
        Capture and death of each patient.
    landmarks_min : sequence of float
        Landmarks, which are also the ends of the grace periods, in minutes since time zero; settled beforehand.
    horizon_min : float
        Minutes since time zero at which risks are compared.
    confounders : sequence of str, optional
        Columns of ``course.confounders`` to adjust for; all of them when not given.
    level : float
        Confidence level.
    replicates, seed : int
        Bootstrap of the emulations.

    Raises
    ------
    UsageError
        When a landmark is not between 0 and the horizon, or a confounder is not in the course.
    """
    if not landmarks_min:
        raise UsageError("landmarks_min needs one landmark or more, in minutes.")
    names = tuple(map(str, course.confounders.columns)) if confounders is None else tuple(confounders)
    used = _with_confounders(course, names)
    biased = naive(used, horizon_min=horizon_min, level=level)
    varying = time_varying(used, level=level)
    rows = [
        row_of(
            "naive", None, len(used), biased.hazard.ratio, _ratio(biased.adjusted), biased.difference, biased.ratio, ()
        )
    ]
    landmarks, emulations, later = [], [], []
    for minute in landmarks_min:
        try:
            found = landmark(used, minute, horizon_min=horizon_min, level=level)
        except NotEstimableError as error:
            rows.append(row_without("landmark", minute, str(error)))
            continue
        landmarks.append(found)
        rows.append(
            row_of("landmark", minute, found.included, found.crude.ratio, _ratio(found.adjusted), found.difference,
                 found.ratio, ())
        )  # fmt: skip
    for minute in landmarks_min:
        try:
            emulated = clone_censor_weight(
                used, minute, horizon_min=horizon_min, level=level, replicates=replicates, seed=seed
            )
        except NotEstimableError as error:
            later.append(row_without("clone-censor-weight", minute, str(error)))
            continue
        emulations.append(emulated)
        later.append(
            row_of("clone-censor-weight", minute, emulated.included, None, None, emulated.difference, emulated.ratio,
                 (("hazard_ratio", _NO_RATIO), ("adjusted_hazard_ratio", _NO_RATIO)))
        )  # fmt: skip
    rows.append(
        row_of("time-varying", None, len(used), varying.crude.ratio, _ratio(varying.adjusted), None, None,
             (("risk_difference", _NO_RISK), ("risk_ratio", _NO_RISK)))
    )  # fmt: skip
    notes = (*course.notes, _CONFOUNDED)
    if course.delayed:
        notes = (*notes, "late entry is taken not to tell of the outcome (independent left truncation, assumed)")
    return ImmortalComparison(
        (*rows, *later), horizon_min, level, names, biased, tuple(landmarks), tuple(emulations),
        course.left_out, notes,
    )  # fmt: skip


def _with_confounders(course: SurvivalCourse, names: tuple[str, ...]) -> SurvivalCourse:
    for name in names:
        if name not in course.confounders:
            have = ", ".join(map(str, course.confounders.columns)) or "none"
            raise UsageError(f"The course has no confounder '{name}'; it has: {have}.")
    chosen: pd.DataFrame = course.confounders[list(names)]
    return SurvivalCourse(
        course.captured_min, course.until_min, course.died, course.entry_min, chosen, course.patient, course.left_out,
        course.notes,
    )  # fmt: skip


def _ratio(model: DeathHazard | None) -> Estimate | None:
    return None if model is None else model.ratio
