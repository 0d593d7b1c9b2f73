"""Complete cases for regressions of the time to capture: two placements, and covariates settled before pacing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.distributions.covariates import PLACEMENT, Covariates, check_confounder, read_column
from capstat.distributions.design_matrix import design_of_table
from capstat.outcomes.episodes import CAPTURE
from capstat.outcomes.time_bounds import Waits, waits_of
from capstat.outcomes.time_groups import group_by_column
from capstat.results import NotEstimableError, UsageError

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from capstat.distributions.design_matrix import Design
    from capstat.outcomes.episodes import Episodes

__all__ = ["ANOTHER_END", "TimeData", "complete_times"]

ANOTHER_END = 2
"""Code of any end other than capture, where these are taken together."""

FEW_EVENTS = 10


@dataclass(frozen=True, slots=True, eq=False)
class TimeData:
    """Episodes with everything that a regression needs.

    Attributes
    ----------
    waits : Waits
        Of the complete cases, in minutes.
    cause : ndarray of int, shape (n,)
        0 censored, 1 capture, 2 any other end.
    first, minus : str
        Placements that are compared, first over minus.
    design : Design
        Recipe of the model matrix.
    table : DataFrame, n rows
        Placement and covariates.
    matrix : ndarray, shape (n, p)
        Model matrix without the intercept; column 0 is 1 for the first placement.
    names : tuple of str, length p
        Names of its columns.
    n_offered : int
        Episodes before any were left out.
    missing : tuple of (str, int)
        Episodes without each covariate; for the placement also those with neither of the two.
    """

    waits: Waits
    cause: NDArray[np.intp]
    first: str
    minus: str
    design: Design
    table: pd.DataFrame
    matrix: NDArray[np.float64]
    names: tuple[str, ...]
    n_offered: int
    missing: tuple[tuple[str, int], ...]

    @property
    def direction(self) -> str:
        """Who is compared with whom, for ratios."""
        return f"{self.first} over {self.minus}"

    @property
    def captured(self) -> int:
        """Patients captured."""
        return int((self.cause == CAPTURE).sum())

    def with_placement(self, placement: str) -> NDArray[np.float64]:
        """Model matrix without the intercept, as if everybody had this placement."""
        return self.design.matrix(self.table.assign(**{PLACEMENT: placement}))[:, 1:]

    def notes(self, events: int, what: str) -> tuple[str, ...]:
        """What a reader must know of the numbers behind a model of ``events``."""
        notes = []
        left_out = self.n_offered - len(self.waits)
        if left_out:
            missing = ", ".join(f"{name}: {number}" for name, number in self.missing if number)
            notes.append(f"{left_out} of {self.n_offered} episodes were left out for missing values ({missing})")
        columns = self.matrix.shape[1]
        if events < FEW_EVENTS * columns:
            notes.append(
                f"{events} patients with {what} for {columns} columns, {events / columns:.1f} for each; fewer than "
                f"{FEW_EVENTS} make ratios unstable (common practice, no source)"
            )
        return tuple(notes)


def _compared(episodes: Episodes, first: str | None, minus: str | None) -> tuple[str, str]:
    """The two placements: those asked for, else the two with most episodes."""
    present = group_by_column(episodes, PLACEMENT).labels
    for value in (first, minus):
        if value is not None and value not in present:
            raise UsageError(f"No episode has the placement '{value}'; there are: {', '.join(present)}.")
    if first is not None and first == minus:
        raise UsageError(f"A comparison needs two placements, not '{first}' twice.")
    left = [label for label in present if label not in (first, minus)]
    if len(left) + (first is not None) + (minus is not None) < 2:
        raise NotEstimableError(f"All episodes with a known placement have '{present[0]}'; a ratio needs two.")
    one = first if first is not None else left.pop(0)
    return one, minus if minus is not None else left.pop(0)


def complete_times(
    episodes: Episodes, covariates: Covariates, first: str | None = None, minus: str | None = None
) -> TimeData:
    """Take the episodes with one of two placements and all covariates.

    Parameters
    ----------
    episodes : Episodes
        One row for each patient.
    covariates : Covariates
        What is adjusted for; only what is settled before the pads are placed.  The placement is added to them.
    first, minus : str, optional
        Placements to compare; the two with most episodes when omitted, the larger first.

    Raises
    ------
    UsageError
        When a covariate does not exist or is not settled before the pads are placed, or a placement does not occur.
    NotEstimableError
        When there are not two placements, nobody is complete, or a covariate has a single value.
    """
    if PLACEMENT in covariates.names:
        raise UsageError("The placement is compared and need not be named among the covariates.")
    for name in covariates.names:
        check_confounder(episodes.table, name)
    one, two = _compared(episodes, first, minus)
    pads = episodes.table[PLACEMENT].astype(object)
    kept = pads.isin([one, two]).fillna(False).to_numpy(dtype=bool)
    missing = [(PLACEMENT, int((~kept).sum()))]
    for name in covariates.names:
        column = episodes.table[name]
        # nothing tells the kind of a column that is missing throughout
        known = column if column.isna().all() else read_column(column, name)[1]
        absent = known.isna().to_numpy(dtype=bool)
        missing.append((name, int(absent.sum())))
        kept = kept & ~absent
    if not kept.any():
        raise NotEstimableError(f"No episode has all of: placement, {', '.join(covariates.names)}.")
    table = episodes.table.loc[kept, [PLACEMENT, *covariates.names]].reset_index(drop=True)
    table[PLACEMENT] = table[PLACEMENT].astype(object)
    if table[PLACEMENT].nunique() < 2:
        raise NotEstimableError(f"All complete episodes have the placement '{table[PLACEMENT].iloc[0]}'.")
    design = design_of_table(
        table,
        Covariates((PLACEMENT, *covariates.names), covariates.splines, (*covariates.reference, (PLACEMENT, two))),
    )
    waits = waits_of(episodes, kept)
    return TimeData(
        waits, np.minimum(waits.cause, ANOTHER_END), one, two, design, table, design.matrix(table)[:, 1:],
        design.names[1:], len(episodes), tuple(missing),
    )  # fmt: skip
