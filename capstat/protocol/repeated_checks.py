"""Repeated checks of one threshold: the same patient, the same placement, another time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from capstat.thresholds import derive_thresholds

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    from capstat.attempts import Study
    from capstat.thresholds import CaptureDefinition, CensoredThresholds

__all__ = ["LeftOut", "RepeatedChecks", "repeated_checks"]

# times closer than this many minutes are the same time
SAME_MINUTE = 1e-3
# half the width, relative to its value, of the cell that stands for a threshold known exactly
EXACT = 1e-4


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Attempts and patients that tell nothing about drift, by the first reason that applies.

    Attributes
    ----------
    no_interval : int
        Attempts without a usable threshold interval.
    no_placement : int
        Attempts whose placement is not known: it may have been another one.
    no_time : int
        Attempts with neither ``pacing_start_s`` nor ``first_capture_s``.
    out_of_order_patients : int
        Patients whose times contradict ``attempt_order``: their attempts do not share a time zero.
    repeated_time : int
        Attempts at the same time as an earlier row of the patient.
    other_placement : int
        Attempts with a placement that was checked less often than another one in the same patient.
    single_check_patients : int
        Patients with one check only.
    """

    no_interval: int = 0
    no_placement: int = 0
    no_time: int = 0
    out_of_order_patients: int = 0
    repeated_time: int = 0
    other_placement: int = 0
    single_check_patients: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class RepeatedChecks:
    """Threshold checks of patients who were checked at least twice with one placement.

    Rows are sorted by patient and time; arrays are read-only.

    Attributes
    ----------
    patient : ndarray of int, shape (n,)
        Codes 0, 1, ...; never the identifiers themselves.
    minutes : ndarray, shape (n,)
        Time since the patient's first check.
    lower_ma, upper_ma : ndarray, shape (n,)
        The threshold lies in (lower, upper]; ``upper_ma`` may be infinite.  A threshold that is known exactly is a
        cell of a ten-thousandth to either side.
    placement : ndarray of str, shape (n,)
        Pad placement, the same at every check of a patient.
    left_out : LeftOut
        What was left out, and why.
    capture : str
        Name of the definition of capture.
    """

    patient: NDArray[np.intp]
    minutes: NDArray[np.float64]
    lower_ma: NDArray[np.float64]
    upper_ma: NDArray[np.float64]
    placement: NDArray[np.str_]
    left_out: LeftOut
    capture: str = "as given"

    @classmethod
    def from_arrays(
        cls, patient: Sequence[Any] | ArrayLike, minutes: ArrayLike, lower_ma: ArrayLike, upper_ma: ArrayLike
    ) -> RepeatedChecks:
        """Make checks from arrays, all with one placement.

        Parameters
        ----------
        patient : array-like, shape (n,)
            Any labels.
        minutes : array-like, shape (n,)
            Time of each check, from any time zero of its patient.
        lower_ma, upper_ma : array-like, shape (n,)
            Bounds in mA, 0 and infinite for open sides.

        Raises
        ------
        ValueError
            When arrays differ in length or hold what is no time or no interval; the message lists every such row.
        """
        table = pd.DataFrame(
            {
                "patient": _column(patient, None),
                "minutes": _column(minutes, float),
                "lower": _column(lower_ma, float),
                "upper": _column(upper_ma, float),
                "placement": "as given",
            }
        )
        return _kept(_checked(table), LeftOut(), "as given")

    def __len__(self) -> int:
        """Return the number of checks."""
        return int(self.patient.size)

    @property
    def n_patients(self) -> int:
        """Number of patients with two checks or more."""
        return int(self.patient[-1]) + 1 if self.patient.size else 0

    @property
    def position(self) -> NDArray[np.intp]:
        """Position of every check within its patient, from 0, shape (n,)."""
        first = np.searchsorted(self.patient, self.patient)
        return np.asarray(np.arange(self.patient.size) - first, dtype=np.intp)


def _column(values: Any, kind: type | None) -> pd.Series[Any]:
    array = np.asarray(values, dtype=kind)
    if array.ndim != 1:
        raise ValueError(f"Repeated checks need lists with one entry for each check, not a table {array.shape}.")
    return pd.Series(array)


def _checked(table: pd.DataFrame) -> pd.DataFrame:
    missing = table[["patient", "minutes", "lower", "upper"]].isna().any(axis=1).to_numpy()
    minutes, lower, upper = (table[name].to_numpy(dtype=float) for name in ("minutes", "lower", "upper"))
    rules = (
        (missing, "has a missing value or is not as long as the other lists"),
        (np.isinf(minutes), "needs a finite time"),
        (np.isinf(lower) | (lower < 0), "needs a finite lower bound of 0 mA or more"),
        ((upper <= 0) | (lower > upper), "needs an upper bound above 0 mA and not below its lower bound"),
        ((lower == 0) & np.isinf(upper), "says nothing about the threshold"),
    )
    problems = [f"row {i + 1} {text}" for broken, text in rules for i in np.flatnonzero(broken)]
    if problems:
        raise ValueError(f"Not a threshold check: {'; '.join(problems)}.")
    return table


def _kept(table: pd.DataFrame, before: LeftOut, capture: str) -> RepeatedChecks:
    """Drop repeated times, less checked placements and single checks, and sort."""
    table = table.sort_values(["patient", "minutes"], kind="stable")
    series = table.groupby(["patient", "placement"], sort=False)
    # the gap to the check before it in the same patient and placement
    repeated = series["minutes"].diff().to_numpy() < SAME_MINUTE
    table = table.loc[~repeated]
    size = table.groupby(["patient", "placement"], sort=False)["minutes"].transform("size")
    ranked = table.assign(size=size).sort_values("size", ascending=False, kind="stable")
    most = ranked.drop_duplicates("patient").set_index("patient")["placement"]
    other = (table["placement"] != table["patient"].map(most)).to_numpy()
    table = table.loc[~other]
    single = ~table.duplicated("patient", keep=False).to_numpy()
    table = table.loc[~single]
    start = table.groupby("patient", sort=False)["minutes"].transform("first")
    lower, upper = table["lower"].to_numpy(dtype=float), table["upper"].to_numpy(dtype=float)
    exact = np.where(lower == upper, EXACT, 0.0)
    arrays = (
        pd.factorize(table["patient"])[0].astype(np.intp),
        (table["minutes"] - start).to_numpy(dtype=float),
        lower * (1 - exact),
        upper * (1 + exact),
        table["placement"].to_numpy(dtype=np.str_),
    )
    for array in arrays:
        array.setflags(write=False)
    left_out = LeftOut(
        before.no_interval, before.no_placement, before.no_time, before.out_of_order_patients,
        int(repeated.sum()), int(other.sum()), int(single.sum()),
    )  # fmt: skip
    return RepeatedChecks(*arrays, left_out, capture)


def _contradicts_order(table: pd.DataFrame) -> NDArray[np.bool_]:
    """Whether the times of a row's patient fall although the recorded order of the attempts rises."""
    ordered = table.loc[table["order"].notna()].sort_values(["patient", "order"], kind="stable")
    falls = ordered.groupby("patient", sort=False)["minutes"].diff() < 0
    return table["patient"].isin(ordered.loc[falls, "patient"]).to_numpy(dtype=bool)


def repeated_checks(study: Study, capture: CaptureDefinition) -> RepeatedChecks:
    """Find the patients whose threshold was checked again with the same placement.

    The time of a check is ``pacing_start_s``, or ``first_capture_s`` where only that is recorded.  Of a patient with
    several placements the one that was checked most often is used, the first of them where two were checked equally
    often.

    Parameters
    ----------
    study : Study
        Checked records; the attempts of a patient must share the time zero.
    capture : CaptureDefinition
        What counts as capture.

    Returns
    -------
    RepeatedChecks
        Possibly empty: then ``left_out`` says why.
    """
    thresholds: CensoredThresholds = derive_thresholds(study, capture=capture)
    attempts = study.attempts.iloc[thresholds.covariates["attempt_row"].to_numpy()]
    start = attempts["pacing_start_s"].to_numpy(dtype=float)
    seconds = np.where(np.isnan(start), attempts["first_capture_s"].to_numpy(dtype=float), start)
    table = pd.DataFrame(
        {
            "patient": thresholds.patient,
            "minutes": seconds / 60,
            "lower": thresholds.lower_ma,
            "upper": thresholds.upper_ma,
            "placement": thresholds.placement,
            "order": attempts["attempt_order"].to_numpy(dtype=float, na_value=np.nan),
        }
    )
    informative = (table["lower"] > 0) | np.isfinite(table["upper"])
    no_interval = len(study.attempts) - int(informative.sum())
    table = table.loc[informative]
    placed = table["placement"] != "unknown"
    timed = table["minutes"].notna()
    no_placement, no_time = int((~placed).sum()), int((placed & ~timed).sum())
    table = table.loc[placed & timed]
    contradicts = _contradicts_order(table)
    out_of_order = table.loc[contradicts, "patient"].nunique()
    before = LeftOut(no_interval, no_placement, no_time, out_of_order)
    return _kept(table.loc[~contradicts], before, capture.name)
