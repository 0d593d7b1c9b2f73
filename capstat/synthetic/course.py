"""The course of pacing in an invented registry: times, periods with capture, ends, and what became of the patients."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from capstat.synthetic.capture_periods import RampCapture, draw_periods, ramp_capture
from capstat.synthetic.course_truth import COURSE_TRUTH, STATED
from capstat.synthetic.outcomes_truth import draw_fates, fates_by_arrest, outcome_columns

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.synthetic.course_truth import CourseTruth
    from capstat.synthetic.outcomes_truth import Fates

__all__ = ["Course", "add_course"]

_ENDS = ("handed-over", "died", "own-rhythm", "other-therapy", "abandoned")
_DIED, _ABANDONED = 1, 4


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """Tables of an invented registry with its course of pacing.

    Attributes
    ----------
    attempts, steps, patients : pandas.DataFrame
        The tables given, with new columns at their end; ``time_s`` of later attempts counts from the first pulse of
        the patient's first attempt.
    periods : pandas.DataFrame
        Periods with mechanical capture, by attempt and beginning.
    described : dict
        Parameters with their sources, what they mean, and what became of all patients.
    """

    attempts: pd.DataFrame
    steps: pd.DataFrame
    patients: pd.DataFrame
    periods: pd.DataFrame
    described: dict[str, Any]


def add_course(
    attempts: pd.DataFrame,
    steps: pd.DataFrame,
    patients: pd.DataFrame,
    seconds_per_step: NDArray[np.float64],
    *,
    truth: CourseTruth = COURSE_TRUTH,
    seed: int | list[int],
) -> Course:
    """Let pacing go on after the ramps of a registry, each of which begins at 0 s.

    Parameters
    ----------
    attempts : pandas.DataFrame
        One or two attempts of each patient, with ``attempt_id``, ``patient_id``, ``attempt_order``, ``placement``,
        ``arrest`` and ``ended``; a second one only after a first without mechanical capture.
    steps : pandas.DataFrame
        Settings in the order of their attempts, with ``attempt_id``, ``time_s`` and ``mechanical_capture``.
    patients : pandas.DataFrame
        With ``patient_id`` and ``age_years``.
    seconds_per_step : ndarray, shape (attempts,)
        How long a setting lasts.
    truth : CourseTruth
        Parameters.
    seed : int or list of int
        Seed of the generator.
    """
    rng = np.random.default_rng(seed)
    n = len(patients)
    of = pd.Index(patients["patient_id"]).get_indexer(pd.Index(attempts["patient_id"]))
    later = attempts["attempt_order"].to_numpy() > 1
    row = pd.Index(attempts["attempt_id"]).get_indexer(pd.Index(steps["attempt_id"]))
    length = np.zeros(len(attempts))
    np.maximum.at(length, row, steps["time_s"].to_numpy() + seconds_per_step[row])
    start = np.zeros(len(attempts))
    first, last = np.empty(n, dtype=np.intp), np.empty(n, dtype=np.intp)
    first[of[~later]] = last[of[~later]] = np.flatnonzero(~later)
    last[of[later]] = np.flatnonzero(later)
    start[later] = length[first[of[later]]] + np.round(rng.uniform(*truth.second_attempt_range_s, int(later.sum())))
    ramp_end = start + length
    steps = steps.assign(time_s=steps["time_s"] + start[row])
    arrest = (attempts["arrest"] == "yes").to_numpy()[first]

    fates = draw_fates(patients["age_years"].to_numpy(dtype=float), arrest, truth, rng)
    stopped = (attempts["ended"] == "stopped-own-rhythm").to_numpy()[last]
    end, why = _planned_end(fates, ramp_end[last], arrest, stopped, truth, rng)
    ramp = ramp_capture(steps, row, seconds_per_step, len(attempts), rng)
    begin = _first_capture_after_ramp(ramp, last, ramp_end[last], arrest, truth, rng)
    end, why = _abandon(end, why, ramp, last, begin, ramp_end[last], arrest, truth, rng)
    lateral = (attempts["placement"] == "anterior-lateral").to_numpy()[last]
    ratio = np.where(lateral, truth.loss_ratio_anterior_lateral, 1.0)
    periods = draw_periods(ramp, last, begin, ramp_end[last], end, arrest, ratio, truth, rng)

    pacing_end, ended = ramp_end.copy(), np.full(len(attempts), "pads-moved", dtype=object)
    pacing_end[last] = end
    words = np.array(_ENDS, dtype=object)[why]
    # without arrest circulation is what is lost; in arrest resuscitation is stopped
    words[(why == _DIED) & ~arrest] = "circulation-lost"
    words[rng.random(n) < truth.pacing_ended_missing] = ""
    ended[last] = words
    attempts = attempts.assign(
        **_times_before(of, later, start, truth, rng), pacing_start_s=start, pacing_end_s=pacing_end, pacing_ended=ended
    )
    periods = periods.assign(attempt_id=attempts["attempt_id"].to_numpy()[periods["attempt_row"].to_numpy()])
    described = {
        "parameters": asdict(truth) | {"sources": dict(truth.sources)},
        "stated": dict(STATED),
        "fates_of_all_patients": fates_by_arrest(fates, arrest, truth),
    }
    outcomes = outcome_columns(fates, truth, rng)
    return Course(
        attempts,
        steps,
        patients.assign(**{str(name): values.to_numpy() for name, values in outcomes.items()}),
        periods[["attempt_id", "from_s", "to_s", "lost", "capture_criterion"]],
        described,
    )


def _of_arrest(pair: tuple[float, float], arrest: NDArray[np.bool_]) -> NDArray[np.float64]:
    return np.where(arrest, pair[1], pair[0])


def _planned_end(
    fates: Fates,
    ramp_end: NDArray[np.float64],
    arrest: NDArray[np.bool_],
    stopped: NDArray[np.bool_],
    truth: CourseTruth,
    rng: np.random.Generator,
) -> tuple[NDArray[np.float64], NDArray[np.intp]]:
    """When pacing ends if nobody gives up, and its position in ``_ENDS``."""
    n = arrest.size
    begin = np.maximum(truth.ends_from_s, ramp_end)
    rhythm = begin + rng.standard_exponential(n) / _of_arrest(truth.own_rhythm, arrest)
    at_once = ramp_end + rng.uniform(*truth.rhythm_stop_range_s, n)
    therapy = begin + rng.standard_exponential(n) / _of_arrest(truth.other_therapy, arrest)
    ends = np.stack((fates.handover_s, fates.death_s, np.where(stopped, at_once, rhythm), therapy))
    return np.round(ends.min(axis=0), 1), ends.argmin(axis=0)


def _first_capture_after_ramp(
    ramp: RampCapture,
    last: NDArray[np.intp],
    ramp_end: NDArray[np.float64],
    arrest: NDArray[np.bool_],
    truth: CourseTruth,
    rng: np.random.Generator,
) -> NDArray[np.float64]:
    """When the capture begins that goes on after the ramp, or comes after it."""
    n = last.size
    late = rng.standard_exponential(n) / _of_arrest(truth.late_capture, arrest)
    set_back = rng.uniform(*truth.set_back_range_s, n)
    after = ramp_end + np.maximum(np.round(np.where(ramp.captured[last], set_back, late), 1), 0.1)
    return np.where(np.isnan(ramp.open_from_s[last]), after, ramp.open_from_s[last])


def _abandon(
    end: NDArray[np.float64],
    why: NDArray[np.intp],
    ramp: RampCapture,
    last: NDArray[np.intp],
    begin: NDArray[np.float64],
    ramp_end: NDArray[np.float64],
    arrest: NDArray[np.bool_],
    truth: CourseTruth,
    rng: np.random.Generator,
) -> tuple[NDArray[np.float64], NDArray[np.intp]]:
    """Pacing is given up before any capture, where that comes before every other end."""
    wait = rng.standard_exponential(last.size) / _of_arrest(truth.abandoned, arrest)
    given_up = np.round(np.maximum(truth.ends_from_s, ramp_end) + wait, 1)
    first = ~ramp.captured[last] & (given_up < np.minimum(begin, end))
    return np.where(first, given_up, end), np.where(first, _ABANDONED, why)


def _times_before(
    of: NDArray[np.intp],
    later: NDArray[np.bool_],
    start: NDArray[np.float64],
    truth: CourseTruth,
    rng: np.random.Generator,
) -> dict[str, NDArray[np.float64]]:
    """Onset, arrival and pads of every attempt, in seconds from the patient's first pulse."""
    n = int((~later).sum())
    arrival = np.exp(np.log(truth.arrival_median_s) + truth.arrival_log_sd * rng.standard_normal(n))
    arrival = -np.round(np.clip(arrival, *truth.arrival_range_s))
    onset = arrival - np.round(np.exp(np.log(truth.onset_median_s) + truth.onset_log_sd * rng.standard_normal(n)))
    onset[rng.random(n) < truth.onset_missing] = np.nan
    pads = np.where(
        later, rng.uniform(*truth.moved_pads_range_s, later.size), rng.uniform(*truth.pads_range_s, later.size)
    )
    return {"onset_s": onset[of], "arrival_s": arrival[of], "pads_on_s": start - np.round(pads)}
