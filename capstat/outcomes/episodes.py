"""Episodes: the course of pacing of each patient on one time axis, from a stated origin to capture or another end."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from capstat.attempts import attempt_covariates
from capstat.outcomes.capture_times import capture_times
from capstat.results import NotEstimableError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.attempts import Study
    from capstat.thresholds import CaptureDefinition

__all__ = ["CAPTURE", "CAUSES", "STILL_PACED", "Awaited", "Episodes", "Origin", "derive_episodes", "first_attempts"]

CAUSES: Final = (
    "still paced",
    "capture",
    "own rhythm returned",
    "arrest or death",
    "other treatment",
    "given up",
)
"""How the wait for capture ended; the position is the code, and 0 (handed over, record ends) is censoring."""

STILL_PACED: Final = 0
CAPTURE: Final = 1

_OF_PACING_ENDED: Final = {
    "own-rhythm": 2,
    "circulation-lost": 3,
    "died": 3,
    "other-therapy": 4,
    "abandoned": 5,
    "other": 5,
    "pads-moved": 0,
    "handed-over": 0,
    "unknown": 0,
}
# what `ended` says of a ramp without capture, where nothing says why pacing ended
_OF_RAMP_ENDED: Final = {
    "stopped-own-rhythm": 2,
    "stopped-circulation-lost": 3,
    "stopped-other-therapy": 4,
    "maximum-reached": 5,
    "stopped-pain": 5,
    "stopped-other": 5,
}
# giving up is followed by another try at times, these are not
_ENDS_OF_WAIT: Final = (CAPTURE, 2, 3, 4)
_SAME_TIME_S: Final = 1.0
_DIED: Final = 3
_GIVEN_UP: Final = 5


class Origin(Enum):
    """Time zero of an episode.  Only patients who were paced are in the records, so that before the first pulse nobody
    could fail: with any earlier origin a patient is at risk from the first pulse on (left truncation).
    """

    ONSET = "onset"
    ARRIVAL = "arrival"
    PADS = "pads"
    PACING = "pacing-start"

    @property
    def column(self) -> str:
        """Column of the attempts that holds it."""
        return {"onset": "onset_s", "arrival": "arrival_s", "pads": "pads_on_s"}.get(self.value, "pacing_start_s")


@dataclass(frozen=True, slots=True)
class Awaited:
    """What is waited for.

    Attributes
    ----------
    capture : CaptureDefinition
        Which observation counts as capture.
    sustained_s : float or None
        Capture must have lasted so many seconds, and its time is the moment when it has: when it begins nobody knows
        that it will last.  ``None`` for the first capture of any length.
    """

    capture: CaptureDefinition
    sustained_s: float | None = None

    @property
    def name(self) -> str:
        """Words for tables and figures."""
        if self.sustained_s is None:
            return f"first {self.capture.name} capture"
        return f"{self.capture.name} capture sustained for {self.sustained_s:g} s"


@dataclass(frozen=True, slots=True, eq=False)
class Episodes:
    """One row for each patient; times in seconds since the origin.

    Attributes
    ----------
    awaited : Awaited
        What is waited for.
    origin : Origin
        Time zero.
    patient : ndarray of str, shape (n,)
        Study codes.
    attempt_row : ndarray of int, shape (n,)
        The patient's first attempt, a row of ``study.attempts``: placement and setting are those of it, whatever was
        tried later.
    entry_s : ndarray, shape (n,)
        First pulse, from which on the patient is observed; 0 with the origin at the first pulse.
    earliest_s, latest_s : ndarray, shape (n,)
        Bounds of the time at which the wait ended; equal where it is known.
    cause : ndarray of int, shape (n,)
        How it ended: position in ``CAUSES``.
    pacing_end_s : ndarray, shape (n,)
        End of pacing; NaN where not recorded.
    pacing_ended : ndarray of str, shape (n,)
        Why pacing ended: words of the field ``pacing_ended``, "unknown" where not recorded.
    followed_until_s : ndarray, shape (n,)
        Death or last contact; NaN where not recorded.
    died : ndarray of bool, shape (n,)
        Dead at ``followed_until_s``.
    periods : DataFrame
        Periods with capture of this kind: ``episode`` (row of this object), ``from_s``, ``to_s``, ``lost``
        (bool); by episode and beginning.
    table : DataFrame, n rows
        What is known of patient and first attempt (fields of both tables and ``body_mass_index``); RangeIndex.
    n_attempts : ndarray of int, shape (n,)
        Attempts that the episode runs through.
    left_out : tuple of (str, int)
        Patients without an episode: reason and number.
    notes : tuple of str
        What a reader must know.
    """

    awaited: Awaited
    origin: Origin
    patient: NDArray[np.object_]
    attempt_row: NDArray[np.intp]
    entry_s: NDArray[np.float64]
    earliest_s: NDArray[np.float64]
    latest_s: NDArray[np.float64]
    cause: NDArray[np.intp]
    pacing_end_s: NDArray[np.float64]
    pacing_ended: NDArray[np.object_]
    followed_until_s: NDArray[np.float64]
    died: NDArray[np.bool_]
    periods: pd.DataFrame
    table: pd.DataFrame
    n_attempts: NDArray[np.intp]
    left_out: tuple[tuple[str, int], ...]
    notes: tuple[str, ...]

    def __len__(self) -> int:
        """Return the number of patients."""
        return len(self.patient)

    @property
    def delayed(self) -> bool:
        """Whether anybody comes under observation after time zero."""
        return bool((self.entry_s > 0).any())

    @property
    def exact(self) -> bool:
        """Whether every time is known."""
        return bool((self.earliest_s == self.latest_s).all())


def _chain(study: Study, start: NDArray[np.float64]) -> pd.DataFrame:
    """Attempts in the order of their patients, each patient's up to the first that does not share the time zero."""
    attempts = study.attempts
    frame = pd.DataFrame(
        {
            "row": np.arange(len(attempts)),
            "patient": pd.factorize(attempts["patient_id"])[0],
            "order": attempts["attempt_order"].to_numpy(dtype=float),
            "start": start,
            "given": attempts["pacing_start_s"].notna().to_numpy(),
            "end": attempts["pacing_end_s"].to_numpy(dtype=float),
        }
    ).sort_values(["patient", "order", "row"], kind="stable", ignore_index=True)
    first = ~frame["patient"].duplicated()
    known_end = frame["end"].fillna(frame["start"])
    before = known_end.groupby(frame["patient"]).shift()
    # a later attempt continues the episode only when its own time says that it came after the one before
    follows = first | (frame["given"] & (frame["start"] >= before - _SAME_TIME_S))
    linked = follows.groupby(frame["patient"]).cummin()
    frame["later_without_time"] = (~linked).groupby(frame["patient"]).transform("sum")
    return frame[linked].reset_index(drop=True)


def _end_causes(study: Study, rows: NDArray[np.intp]) -> NDArray[np.intp]:
    """Position in ``CAUSES`` of how attempts without capture ended; pacing's own end before that of the ramp."""
    pacing = study.attempts["pacing_ended"].astype(object).iloc[rows]
    ramp = study.attempts["ended"].astype(object).iloc[rows].map(_OF_RAMP_ENDED)
    settled = pacing.where(pacing != "unknown").map(_OF_PACING_ENDED)
    return np.asarray(settled.fillna(ramp).fillna(STILL_PACED), dtype=np.intp)


def derive_episodes(study: Study, awaited: Awaited, origin: Origin = Origin.PACING) -> Episodes:
    """Put each patient's attempts on one time axis.

    An episode begins with the patient's first attempt and runs on through later attempts whose ``pacing_start_s``
    shares its time zero; the wait ends with the first capture, or with the first attempt that ended by own rhythm, lost
    circulation or another treatment.  Capture time comes from the periods table, otherwise from ``first_capture_s``
    where the attempt's criterion means this capture, otherwise from the times of the settings, and is then an interval:
    capture came after the last setting without it had ended, and before the first setting with it did.

    Parameters
    ----------
    study : Study
        Checked records.
    awaited : Awaited
        What is waited for.
    origin : Origin
        Time zero.

    Raises
    ------
    NotEstimableError
        When no patient has an episode with these choices; the message says what is missing.
    """
    found = capture_times(study, awaited.capture, awaited.sustained_s)
    chain = _chain(study, found.start_s)
    row = chain["row"].to_numpy(dtype=np.intp)
    chain["from"], chain["until"] = found.earliest_s[row], found.latest_s[row]
    chain["assessed"], chain["stop"] = found.assessed[row], found.stop_s[row]
    chain["cause"] = np.where(chain["from"].notna(), CAPTURE, _end_causes(study, row))
    by_patient = chain.groupby("patient", sort=True)
    first, last = by_patient.head(1).set_index("patient"), by_patient.tail(1).set_index("patient")
    # the wait ends with the first attempt that was captured, or whose end was more than moved pads
    settled = chain[chain["cause"].isin(_ENDS_OF_WAIT)].groupby("patient").head(1).set_index("patient")
    deciding = settled.reindex(first.index)
    deciding = deciding.where(deciding["row"].notna(), last)
    first_row, last_row = first["row"].to_numpy(dtype=np.intp), last["row"].to_numpy(dtype=np.intp)
    cause = deciding["cause"].to_numpy(dtype=np.intp)
    has_capture = cause == CAPTURE
    # attempts follow whose times are not known: the wait is cut off, not ended
    cut = (first["later_without_time"].to_numpy() > 0) & ~np.isin(cause, _ENDS_OF_WAIT)
    cause[cut] = STILL_PACED
    # pads were moved because nothing captured, and no further attempt is recorded
    moved = study.attempts["pacing_ended"].astype(object).iloc[last_row].eq("pads-moved").to_numpy()
    cause[moved & ~cut & (cause == STILL_PACED)] = _GIVEN_UP
    stop = deciding["stop"].to_numpy(dtype=float)
    earliest = np.where(has_capture, deciding["from"].to_numpy(dtype=float), stop)
    latest = np.where(has_capture, deciding["until"].to_numpy(dtype=float), stop)

    zero = study.attempts[origin.column].to_numpy(dtype=float)[first_row]
    start = first["start"].to_numpy(dtype=float)
    if origin is Origin.PACING:
        zero = np.where(np.isnan(zero), start, zero)
    where = pd.Index(study.patients["patient_id"]).get_indexer(
        pd.Index(study.attempts["patient_id"].to_numpy()[first_row])
    )
    until = np.append(study.patients["followed_until_s"].to_numpy(dtype=float), np.nan)[where]
    died = np.append(study.patients["died"].to_numpy(dtype=bool, na_value=False), False)[where] & ~np.isnan(until)
    ended = study.attempts["pacing_ended"].astype(object).iloc[last_row].fillna("unknown").to_numpy(dtype=object)
    unexplained = (ended == "unknown") & ~has_capture & died & (np.abs(until - stop) <= _SAME_TIME_S)
    cause[unexplained] = _DIED

    keep, left_out = _sift(
        (
            ("no time of the first pulse and no times of settings", np.isnan(start)),
            (f"no time of the origin ({origin.column})", np.isnan(zero)),
            ("paced before time zero", start < zero - 1e-9),
            (f"{awaited.capture.name} capture was not assessed", ~by_patient["assessed"].any().to_numpy()),
            ("captured, at a time that nothing bounds", has_capture & ~np.isfinite(latest)),
            ("no capture, and no time at which pacing or the ramp ended", ~has_capture & np.isnan(stop)),
            ("the wait ended before the first pulse", np.maximum(latest, earliest) < start - 1e-9),
        )
    )
    if not keep.any():
        why = "; ".join(f"{reason}: {number}" for reason, number in left_out)
        raise NotEstimableError(f"No patient has a time to {awaited.name} ({why}).")
    patients = np.flatnonzero(keep)
    silent = (cause == STILL_PACED) & (ended == "unknown") & ~cut
    end = np.where(np.isnan(last["end"].to_numpy(dtype=float)), np.nan, last["end"].to_numpy(dtype=float))
    return Episodes(
        awaited, origin,
        study.attempts["patient_id"].to_numpy(dtype=object)[first_row[patients]],
        first_row[patients],
        np.maximum(start - zero, 0.0)[patients],
        np.maximum(earliest - zero, 0.0)[patients],
        np.maximum(latest - zero, 0.0)[patients],
        cause[patients].astype(np.intp),
        (end - zero)[patients],
        ended[patients],
        (until - zero)[patients],
        died[patients],
        _periods(found.periods, chain, zero, patients),
        _table(study, first_row[patients]),
        np.asarray(by_patient.size(), dtype=np.intp)[patients],
        left_out,
        _notes(found.notes, int(cut[patients].sum()), int(silent[patients].sum())),
    )  # fmt: skip


def _sift(reasons: tuple[tuple[str, NDArray[np.bool_]], ...]) -> tuple[NDArray[np.bool_], tuple[tuple[str, int], ...]]:
    """Leave out by the first reason that applies."""
    keep = np.ones(len(reasons[0][1]), dtype=bool)
    left_out = []
    for reason, applies in reasons:
        count = int((keep & applies).sum())
        if count:
            left_out.append((reason, count))
        keep &= ~applies
    return keep, tuple(left_out)


def _periods(
    periods: pd.DataFrame, chain: pd.DataFrame, zero: NDArray[np.float64], patients: NDArray[np.intp]
) -> pd.DataFrame:
    """Periods of the linked attempts, with the position of their episode and times since the origin."""
    position = np.full(len(zero), -1)
    position[patients] = np.arange(patients.size)
    patient_of_row = chain.set_index("row")["patient"]
    kept = periods[periods["attempt_row"].isin(patient_of_row.index)]
    patient = patient_of_row.reindex(kept["attempt_row"]).to_numpy(dtype=np.intp)
    frame = pd.DataFrame(
        {
            "episode": position[patient],
            "from_s": kept["from_s"].to_numpy(dtype=float) - zero[patient],
            "to_s": kept["to_s"].to_numpy(dtype=float) - zero[patient],
            "lost": kept["lost"].to_numpy(dtype=bool, na_value=False),
        }
    )
    frame = frame[frame["episode"] >= 0]
    return frame.sort_values(["episode", "from_s"], kind="stable", ignore_index=True)


def first_attempts(study: Study) -> pd.DataFrame:
    """What is known of every patient and first attempt, timed or not, one row for each; RangeIndex."""
    attempts = study.attempts[["patient_id", "attempt_order"]].reset_index(drop=True)
    ordered = attempts.sort_values("attempt_order", kind="stable")
    rows = np.sort(ordered.index[~ordered["patient_id"].duplicated().to_numpy()].to_numpy(dtype=np.intp))
    return _table(study, rows)


def _table(study: Study, rows: NDArray[np.intp]) -> pd.DataFrame:
    attempts = study.attempts.iloc[rows].reset_index(drop=True)
    described = attempt_covariates(study).iloc[rows].reset_index(drop=True)
    return pd.concat([attempts, described], axis=1)


def _notes(found: tuple[str, ...], cut: int, silent: int) -> tuple[str, ...]:
    notes = list(found)
    if cut:
        notes.append(
            f"{cut} patients without capture had later attempts whose times do not share the time zero; their wait is "
            "cut off at the end of the first."
        )
    if silent:
        notes.append(
            f"why pacing ended is not recorded for {silent} patients without capture; they are taken as censored "
            "there, as if they were like those who were watched on (assumed)"
        )
    return tuple(notes)
