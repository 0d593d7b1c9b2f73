"""Plain counts that describe a study before anything is estimated."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from capstat.thresholds import Censoring, Ending

if TYPE_CHECKING:
    from capstat.attempts import Study
    from capstat.thresholds import CensoredThresholds

__all__ = ["ALL_PLACEMENTS", "CensoringCounts", "StudyFacts", "count_censoring", "study_facts"]

ALL_PLACEMENTS = "all placements"


@dataclass(frozen=True, slots=True)
class StudyFacts:
    """Who and what is in the data.

    Attributes
    ----------
    n_patients, n_attempts, n_steps : int
        Rows of the tables; patients are those with attempts.
    placements, settings, maxima, assignments : tuple of (str, int, int)
        Placement, setting, device maximum (mA) and how the placement was decided: attempts and patients.
    patient_numbers : tuple of (str, int, tuple of float)
        Measure, patients with it, and lower quartile, median and upper quartile.
    synthetic : bool
        Whether any attempt is marked as synthetic.
    """

    n_patients: int
    n_attempts: int
    n_steps: int
    placements: tuple[tuple[str, int, int], ...]
    settings: tuple[tuple[str, int, int], ...]
    maxima: tuple[tuple[str, int, int], ...]
    assignments: tuple[tuple[str, int, int], ...]
    patient_numbers: tuple[tuple[str, int, tuple[float, float, float]], ...]
    synthetic: bool


@dataclass(frozen=True, slots=True)
class CensoringCounts:
    """What was seen of the thresholds of a group.

    Attributes
    ----------
    label : str
        The group.
    attempts, patients : int
        How many.
    left, interval, right, exact : int
        Attempts by kind of censoring.
    maximum_reached, stopped_early, ending_unknown : int
        Right-censored attempts by why they ended.
    """

    label: str
    attempts: int
    patients: int
    left: int
    interval: int
    right: int
    exact: int
    maximum_reached: int
    stopped_early: int
    ending_unknown: int


def _counts(attempts: pd.DataFrame, name: str, unit: str = "") -> tuple[tuple[str, int, int], ...]:
    """Attempts and patients for each value, most frequent first."""
    column = attempts[name]
    filled = column.astype(object).where(column.notna(), "not recorded")
    patients = attempts["patient_id"].groupby(filled).nunique().to_dict()
    return tuple(
        (f"{value:g}{unit}" if isinstance(value, float) else f"{value}", int(count), int(patients[value]))
        for value, count in filled.value_counts(sort=True).items()
    )


def study_facts(study: Study) -> StudyFacts:
    """Count what is in a study."""
    attempts = study.attempts
    numbers = []
    for name, words in (
        ("age_years", "age, years (90 means 90 or older)"),
        ("height_cm", "height, cm"),
        ("weight_kg", "weight, kg"),
        ("chest_circumference_cm", "chest circumference, cm"),
    ):
        if name in study.patients:
            values = study.patients[name].to_numpy(dtype=float)
            values = values[np.isfinite(values)]
            if values.size:
                q1, q2, q3 = (float(q) for q in np.percentile(values, [25, 50, 75]))
                numbers.append((words, int(values.size), (q1, q2, q3)))
    return StudyFacts(
        n_patients=int(attempts["patient_id"].nunique()),
        n_attempts=len(attempts),
        n_steps=len(study.steps),
        placements=_counts(attempts, "placement"),
        settings=_counts(attempts, "setting"),
        maxima=_counts(attempts, "max_output_ma", " mA"),
        assignments=_counts(attempts, "assignment"),
        patient_numbers=tuple(numbers),
        synthetic=bool((attempts["data_origin"].astype(object) == "synthetic").any()),
    )


def count_censoring(thresholds: CensoredThresholds, label: str) -> CensoringCounts:
    """Count the kinds of censoring in a group."""
    kinds = pd.Series(thresholds.censoring, dtype=object)
    right = np.isinf(thresholds.upper_ma)
    endings = pd.Series(thresholds.ending, dtype=object)[right]

    def count(series: pd.Series[Any], value: object) -> int:
        return int((series == value).sum())

    return CensoringCounts(
        label,
        len(thresholds),
        thresholds.n_patients,
        count(kinds, Censoring.LEFT),
        count(kinds, Censoring.INTERVAL),
        count(kinds, Censoring.RIGHT),
        count(kinds, Censoring.EXACT),
        count(endings, Ending.MAXIMUM_REACHED),
        count(endings, Ending.STOPPED_EARLY),
        count(endings, Ending.UNKNOWN),
    )
