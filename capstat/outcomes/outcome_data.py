"""A yes/no outcome of patients in two groups, and who can be used for what."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from capstat.distributions.covariates import check_confounder, read_column
from capstat.results import UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

__all__ = ["CompleteOutcome", "GroupCounts", "OutcomeData", "complete_outcome", "group_counts"]


@dataclass(frozen=True, slots=True, eq=False)
class OutcomeData:
    """One outcome of two groups, one row for each patient.

    Patients whose group is neither ``first`` nor ``minus`` are not compared, only counted.

    Attributes
    ----------
    outcome : str
        Its name, for the results.
    value : ndarray, shape (n,)
        1 where it happened, 0 where not, NaN where that is missing.
    group : ndarray of object, shape (n,)
        Labels.
    first, minus : str
        Labels of the two groups; contrasts are ``first`` minus or over ``minus``.
    patient : ndarray, shape (n,)
        Codes, no two alike.
    covariates : DataFrame, n rows
        What is known of the patients; unknown is missing.
    randomised : bool
        Whether the groups were drawn by lot.

    Raises
    ------
    UsageError
        When the lengths do not agree, a patient has two rows, a value is neither 0, 1 nor missing, or a group is
        compared with itself.
    """

    outcome: str
    value: NDArray[np.float64]
    group: NDArray[np.object_]
    first: str
    minus: str
    patient: NDArray[np.intp]
    covariates: pd.DataFrame
    randomised: bool

    def __post_init__(self) -> None:
        """Refuse what cannot be compared."""
        n = len(self.value)
        if not len(self.group) == len(self.patient) == len(self.covariates) == n:
            raise UsageError(f"The outcome '{self.outcome}' needs a value, group, patient and row of covariates each.")
        if pd.unique(self.patient).size != n:
            raise UsageError(f"The outcome '{self.outcome}' needs one row for each patient; some have several.")
        if not np.isin(self.value[~np.isnan(self.value)], (0.0, 1.0)).all():
            raise UsageError(f"The outcome '{self.outcome}' must be 0, 1 or NaN in every row.")
        if self.first == self.minus:
            raise UsageError(f"A comparison needs two groups, not '{self.first}' twice.")

    @property
    def is_first(self) -> NDArray[np.bool_]:
        """Who belongs to the first group."""
        return np.asarray(self.group == self.first, dtype=bool)

    @property
    def compared(self) -> NDArray[np.bool_]:
        """Who belongs to either group."""
        return np.asarray(self.is_first | (self.group == self.minus), dtype=bool)

    @property
    def known(self) -> NDArray[np.bool_]:
        """Who belongs to either group and has the outcome recorded."""
        return self.compared & ~np.isnan(self.value)


@dataclass(frozen=True, slots=True)
class GroupCounts:
    """Patients of one group.

    Attributes
    ----------
    group : str
        Its label.
    n, known, missing : int
        All, those whose outcome is recorded, the rest.
    events : int
        Patients with the event.
    """

    group: str
    n: int
    known: int
    events: int
    missing: int

    @property
    def share_missing(self) -> float:
        """Share whose outcome is missing; 0 for an empty group."""
        return self.missing / self.n if self.n else 0.0


def group_counts(data: OutcomeData) -> tuple[GroupCounts, GroupCounts]:
    """Count patients and events, the first group first."""

    def count(group: str, own: NDArray[np.bool_]) -> GroupCounts:
        known = own & data.known
        return GroupCounts(
            group, int(own.sum()), int(known.sum()), int(data.value[known].sum()), int((own & ~data.known).sum())
        )

    return count(data.first, data.is_first), count(data.minus, data.compared & ~data.is_first)


@dataclass(frozen=True, slots=True, eq=False)
class CompleteOutcome:
    """Patients of both groups with the outcome and all confounders.

    Attributes
    ----------
    confounders : tuple of str
        What all of them have.
    value : ndarray, shape (m,)
        1 or 0.
    is_first : ndarray of bool, shape (m,)
        Who belongs to the first group.
    table : DataFrame, m rows
        Covariates.
    n_known : int
        Patients of both groups with the outcome, confounders or not.
    missing : tuple of (str, int)
        For each confounder, how many of these lack it; a patient may lack several.
    """

    confounders: tuple[str, ...]
    value: NDArray[np.float64]
    is_first: NDArray[np.bool_]
    table: pd.DataFrame
    n_known: int
    missing: tuple[tuple[str, int], ...]


def complete_outcome(data: OutcomeData, confounders: Sequence[str]) -> CompleteOutcome:
    """Keep the patients with everything that an adjusted comparison needs.

    Raises
    ------
    UsageError
        When a confounder does not exist, is settled only with or after the pads, or is the outcome itself.
    """
    complete = data.known
    missing = []
    for name in confounders:
        if name == data.outcome:
            raise UsageError(f"'{name}' is the outcome, so it cannot be among its confounders.")
        check_confounder(data.covariates, name)
        absent = read_column(data.covariates[name], name)[1].isna().to_numpy(dtype=bool)
        missing.append((name, int((absent & data.known).sum())))
        complete = complete & ~absent
    table = data.covariates.loc[complete].reset_index(drop=True)
    return CompleteOutcome(
        tuple(confounders), data.value[complete], data.is_first[complete], table, int(data.known.sum()), tuple(missing)
    )
