"""When each attempt was captured, by the best record there is: periods, a time of capture, or times of settings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from capstat.results import NotEstimableError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.attempts import Study
    from capstat.thresholds import CaptureDefinition

__all__ = ["CaptureTimes", "capture_times"]


@dataclass(frozen=True, slots=True, eq=False)
class CaptureTimes:
    """Times of attempts, in seconds from the time zero of the patient; one entry for each row of ``study.attempts``.

    Attributes
    ----------
    start_s : ndarray, shape (n,)
        First pulse: ``pacing_start_s``, else the time of the first setting; NaN without either.
    earliest_s, latest_s : ndarray, shape (n,)
        Bounds of the time of capture, equal where it is known; NaN without capture.  ``latest_s`` is infinite where
        nothing bounds it.
    assessed : ndarray of bool, shape (n,)
        Whether capture of this kind was looked at.
    stop_s : ndarray, shape (n,)
        End of pacing, or of the last setting where that is not recorded; NaN without either.
    periods : DataFrame
        Periods with capture of this kind, columns of ``study.periods``.
    notes : tuple of str
        What a reader must know.
    """

    start_s: NDArray[np.float64]
    earliest_s: NDArray[np.float64]
    latest_s: NDArray[np.float64]
    assessed: NDArray[np.bool_]
    stop_s: NDArray[np.float64]
    periods: pd.DataFrame
    notes: tuple[str, ...]


def _of_kind(criterion: pd.Series, capture: CaptureDefinition) -> NDArray[np.bool_]:
    """Where a criterion means this kind of capture; an empty one means whatever was recorded."""
    return criterion.astype(object).fillna("").isin(capture.criteria).to_numpy(dtype=bool)


def capture_times(study: Study, capture: CaptureDefinition, sustained_s: float | None = None) -> CaptureTimes:
    """Find the time of capture of every attempt.

    Parameters
    ----------
    study : Study
        Checked records.
    capture : CaptureDefinition
        Which observation counts as capture.
    sustained_s : float, optional
        Wanted length of capture in s; its time is then the moment when it has lasted so long.

    Raises
    ------
    NotEstimableError
        When sustained capture is asked of a study without periods of this kind.
    """
    n = len(study.attempts)
    periods = study.periods[_of_kind(study.periods["capture_criterion"], capture)]
    steps = _from_steps(study, capture)
    end = study.attempts["pacing_end_s"].to_numpy(dtype=float)
    # pacing ends the last setting, and bounds a capture at the only setting of a ramp
    steps["latest"] = np.fmin(steps["latest"], end)
    steps["end"] = np.fmin(steps["end"], end)
    start = study.attempts["pacing_start_s"].to_numpy(dtype=float)
    start = np.where(np.isnan(start), steps["first"], start)
    stop = np.where(np.isnan(end), steps["end"], end)
    notes = []
    if (np.isnan(end) & np.isfinite(steps["end"])).any():
        number = int((np.isnan(end) & np.isfinite(steps["end"])).sum())
        notes.append(f"pacing_end_s is empty in {number} attempts; the end of their last setting stands for it.")
    if sustained_s is not None:
        if not len(periods):
            raise NotEstimableError(
                f"Sustained {capture.name} capture needs periods with such capture (table periods: from_s, to_s), and "
                "there are none."
            )
        long_enough = periods[(periods["to_s"] - periods["from_s"]).to_numpy() >= sustained_s]
        time = _first(long_enough["from_s"] + sustained_s, long_enough["attempt_row"], n)
        # a study that keeps periods lists them all: an attempt without one had no capture of this kind
        bare = steps["captured"] & ~np.isin(np.arange(n), periods["attempt_row"])
        if bare.any():
            notes.append(
                f"{int(bare.sum())} attempts were captured at a setting and have no period: taken as never sustained."
            )
        return CaptureTimes(start, time, time, np.ones(n, dtype=bool), stop, periods, tuple(notes))
    by_period = _first(periods["from_s"], periods["attempt_row"], n)
    recorded = study.attempts["first_capture_s"].to_numpy(dtype=float)
    summary = _of_kind(study.attempts["capture_criterion"], capture)
    recorded = np.where(summary, recorded, np.nan)
    known = np.where(np.isnan(by_period), recorded, by_period)
    unbounded = np.isinf(steps["latest"]) & np.isnan(known)
    if unbounded.any():
        notes.append(
            f"{int(unbounded.sum())} attempts were captured at their only setting and have no end of pacing; the "
            "beginning of the setting stands for the time of capture."
        )
    earliest = np.where(np.isnan(known), steps["earliest"], known)
    latest = np.where(np.isnan(known), np.where(unbounded, steps["earliest"], steps["latest"]), known)
    summary_captured = summary & study.attempts["lowest_capture_ma"].notna().to_numpy()
    timeless = np.isnan(earliest) & (steps["captured"] | summary_captured)
    earliest = np.where(timeless, start, earliest)
    latest = np.where(timeless, np.where(np.isnan(end), np.inf, end), latest)
    if timeless.any():
        notes.append(
            f"{int(timeless.sum())} attempts were captured at a time that was not recorded, at most during pacing."
        )
    looked = summary & (summary_captured | study.attempts["highest_no_capture_ma"].notna().to_numpy())
    assessed = looked | steps["assessed"] | np.isfinite(known)
    return CaptureTimes(start, earliest, latest, assessed, stop, periods, tuple(notes))


def _first(times: pd.Series[float], attempt_row: pd.Series[int], n: int) -> NDArray[np.float64]:
    result = np.full(n, np.nan)
    earliest = times.groupby(attempt_row.to_numpy()).min()
    result[earliest.index.to_numpy(dtype=np.intp)] = earliest.to_numpy(dtype=float)
    return result


def _from_steps(study: Study, capture: CaptureDefinition) -> dict[str, NDArray[Any]]:
    """What the settings say: time of the first one, bounds of capture, end of the last one, and what was looked at."""
    n = len(study.attempts)
    nothing = np.full(n, np.nan)
    no = np.zeros(n, dtype=bool)
    result = {"first": nothing, "earliest": nothing, "latest": nothing, "end": nothing, "captured": no, "assessed": no}
    steps = study.steps
    if not len(steps) or capture.step_column is None:
        return result
    judged = steps[capture.step_column].astype("Float64").to_numpy(dtype=float, na_value=np.nan)
    if capture.implied_by_electrical_loss:
        lost = steps["electrical_capture"].to_numpy(dtype=bool, na_value=True)
        judged = np.where(np.isnan(judged) & ~lost, 0.0, judged)
    frame = pd.DataFrame({"row": steps["attempt_row"].to_numpy(), "time": steps["time_s"].to_numpy(), "judged": judged})
    by_attempt = frame.groupby("row", sort=False)
    next_time = by_attempt["time"].shift(-1)
    # the last setting of a ramp is taken to last as long as its settings usually did
    usual = (next_time - frame["time"]).groupby(frame["row"]).transform("median")
    frame["end"] = next_time.fillna(frame["time"] + usual)
    frame["yes"] = frame["judged"] == 1
    before_capture = ~by_attempt["yes"].cummax()
    # capture came after the last setting before it that is known to have failed
    failed_end = frame["end"].where((frame["judged"] == 0) & before_capture)
    earliest = failed_end.groupby(frame["row"]).max().reindex(range(n))
    at = frame[frame["yes"]].groupby("row").head(1).set_index("row").reindex(range(n))
    first = by_attempt["time"].min().reindex(range(n))
    captured = at["time"].notna().to_numpy()
    low = np.where(captured, earliest.fillna(first).to_numpy(), np.nan)
    # the only setting of a ramp has no usual length
    high = np.where(captured, at["end"].fillna(np.inf).to_numpy(), np.nan)
    looked = frame[frame["judged"].notna()]["row"].unique()
    result["assessed"] = np.isin(np.arange(n), looked)
    result["captured"] = np.isin(np.arange(n), frame.loc[frame["yes"], "row"].unique())
    result["first"], result["end"] = first.to_numpy(), by_attempt["end"].max().reindex(range(n)).to_numpy()
    # a setting without a time of its own leaves bounds out of order
    result["earliest"], result["latest"] = np.minimum(low, high), high
    return result
