"""What immortal time and its remedies need of each patient: time of capture, end of follow-up, and what came before."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from capstat.distributions.covariates import Covariates, check_confounder, read_column
from capstat.distributions.design_matrix import design_of_table
from capstat.results import NotEstimableError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from capstat.outcomes.episodes import Episodes

__all__ = ["Confounders", "SurvivalCourse", "confounder_columns", "survival_course"]

_SECONDS = 60.0


@dataclass(frozen=True, slots=True, eq=False)
class SurvivalCourse:
    """Capture and death of each patient, in minutes since one time zero.

    Where capture and death have the same time, death comes first: that capture is credited with no time.

    Attributes
    ----------
    captured_min : ndarray, shape (n,)
        When capture was there; NaN where it never was during follow-up.
    until_min : ndarray, shape (n,)
        Death or last contact.
    died : ndarray of bool, shape (n,)
        Dead at ``until_min``.
    entry_min : ndarray, shape (n,)
        From when on the patient is observed; 0 unless left-truncated.  Capture cannot come before it.
    confounders : DataFrame, n rows
        Settled before pacing, none missing; may have no columns.
    patient : ndarray of str, shape (n,)
        Study codes.
    left_out : tuple of (str, int)
        Patients who are not here: reason and number.
    notes : tuple of str
        What a reader must know.

    Raises
    ------
    UsageError
        When lengths differ, or times are out of order or missing.
    """

    captured_min: NDArray[np.float64]
    until_min: NDArray[np.float64]
    died: NDArray[np.bool_]
    entry_min: NDArray[np.float64]
    confounders: pd.DataFrame
    patient: NDArray[np.object_]
    left_out: tuple[tuple[str, int], ...] = ()
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Refuse times that cannot be."""
        n = self.until_min.size
        for name in ("captured_min", "died", "entry_min", "confounders", "patient"):
            if len(getattr(self, name)) != n:
                raise UsageError(f"{name} has {len(getattr(self, name))} entries and until_min has {n}.")
        if not (np.isfinite(self.until_min).all() and np.isfinite(self.entry_min).all()):
            raise UsageError("until_min and entry_min must be known of every patient.")
        if (self.entry_min < 0).any():
            raise UsageError("entry_min must be 0 or later.")
        if (self.until_min < self.entry_min).any() or ((self.until_min == self.entry_min) & (self.until_min > 0)).any():
            raise UsageError("until_min must be later than entry_min.")
        with np.errstate(invalid="ignore"):
            if ((self.captured_min < self.entry_min) | (self.captured_min > self.until_min)).any():
                raise UsageError("captured_min must lie between entry_min and until_min, and is NaN without capture.")

    def __len__(self) -> int:
        """Return the number of patients."""
        return self.until_min.size

    @property
    def delayed(self) -> bool:
        """Whether anybody comes under observation after time zero."""
        return bool((self.entry_min > 0).any())

    def captured_by(self, minute: float) -> NDArray[np.bool_]:
        """Who was captured at ``minute`` or before."""
        with np.errstate(invalid="ignore"):
            return np.asarray(self.captured_min <= minute)

    @property
    def risk_from(self) -> NDArray[np.float64]:
        """Beginning of the time at risk, itself not part of it; -1 stands for "time zero, itself included"."""
        return np.where(self.entry_min > 0, self.entry_min, -1.0)


@dataclass(frozen=True, slots=True, eq=False)
class Confounders:
    """Columns that stand for the confounders in a model.

    Attributes
    ----------
    matrix : ndarray, shape (m, p)
        Without an intercept.
    names : tuple of str, length p
        Names of the columns.
    notes : tuple of str
        Columns that were left out because they are alike in all of these patients.
    """

    matrix: NDArray[np.float64]
    names: tuple[str, ...]
    notes: tuple[str, ...]

    def of_rows(self, rows: NDArray[np.intp]) -> Confounders:
        """Columns of some rows, in that order."""
        return Confounders(self.matrix[rows], self.names, self.notes)

    def standardised(self) -> NDArray[np.float64]:
        """Columns with mean 0 and standard deviation 1."""
        return np.asarray((self.matrix - self.matrix.mean(axis=0)) / self.matrix.std(axis=0))


def confounder_columns(course: SurvivalCourse, rows: NDArray[np.bool_] | None = None) -> Confounders:
    """Model matrix of the confounders of some patients: numbers as lines, yes/no as 1/0, text as levels.

    Raises
    ------
    UsageError
        When a confounder is missing in a patient, or is of an unusable type.
    """
    n = len(course)
    used = np.ones(n, dtype=bool) if rows is None else rows
    table = course.confounders.reset_index(drop=True)
    varied = tuple(str(name) for name in table.columns if len(table[name][used].unique()) > 1)
    notes = tuple(
        f"{name} is alike in all {int(used.sum())} patients and is not adjusted for"
        for name in map(str, table.columns)
        if name not in varied
    )
    if not varied:
        return Confounders(np.empty((int(used.sum()), 0)), (), notes)
    shown = table[used].reset_index(drop=True)
    design = design_of_table(shown, Covariates(varied))
    return Confounders(design.matrix(shown)[:, 1:], design.names[1:], notes)


def survival_course(episodes: Episodes, confounders: Sequence[str] = ()) -> SurvivalCourse:
    """Take capture and death from episodes.

    A capture that is only known to lie in an interval counts from the upper end of it on: from then on it was
    certainly there.

    Parameters
    ----------
    episodes : Episodes
        From :func:`capstat.outcomes.episodes.derive_episodes`.
    confounders : sequence of str
        Columns of ``episodes.table`` that are settled before the pads are placed.

    Raises
    ------
    UsageError
        When a confounder does not exist or is not settled before the pads are placed.
    NotEstimableError
        When nobody remains.
    """
    table = episodes.table
    for name in confounders:
        check_confounder(table, name)
    until = episodes.followed_until_s
    entry = episodes.entry_s
    unknown = np.isnan(until)
    with np.errstate(invalid="ignore"):
        none = (until < entry) | ((until == entry) & (until > 0))
    absent = np.zeros(len(episodes), dtype=bool)
    columns = {}
    for name in confounders:
        columns[name] = read_column(table[name], name)[1]
        absent |= columns[name].isna().to_numpy()
    keep, left_out = np.ones(len(episodes), dtype=bool), list(episodes.left_out)
    for reason, applies in (
        ("no time of death or last contact (followed_until_s)", unknown),
        ("followed_until_s is not after the first pulse", none),
        (f"not known: {' or '.join(confounders)}", absent),
    ):
        count = int((keep & applies).sum())
        if count:
            left_out.append((reason, count))
        keep &= ~applies
    if not keep.any():
        why = "; ".join(f"{reason}: {number}" for reason, number in left_out)
        raise NotEstimableError(f"No patient has a course from pacing to death or last contact ({why}).")
    captured = np.where(episodes.cause == 1, np.maximum(episodes.latest_s, entry), np.nan)
    with np.errstate(invalid="ignore"):
        late = keep & (captured > until)
    captured[late] = np.nan
    notes = list(episodes.notes)
    intervals = int((keep & (episodes.cause == 1) & (episodes.latest_s > episodes.earliest_s)).sum())
    if intervals:
        notes.append(f"{intervals} captures are only known to lie between two times and count from the later one on")
    if late.any():
        notes.append(f"{int(late.sum())} captures later than death or last contact do not count")
    described = pd.DataFrame(columns, index=range(len(episodes)))[keep].reset_index(drop=True)
    return SurvivalCourse(
        captured[keep] / _SECONDS, until[keep] / _SECONDS, episodes.died[keep], entry[keep] / _SECONDS, described,
        episodes.patient[keep], tuple(left_out), tuple(notes),
    )  # fmt: skip
