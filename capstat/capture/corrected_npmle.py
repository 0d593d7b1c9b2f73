"""Nonparametric estimate of the threshold distribution from misjudged ramps, for given errors of judgement."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.distributions.npmle import NpmleFit
from capstat.numerics.mixing import GAP_TARGET, DenseLikelihood, maximise_mixing
from capstat.numerics.uniqueness import movable_columns
from capstat.results import NotEstimableError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.capture.judgement_errors import JudgementErrors
    from capstat.capture.judgement_table import JudgementTable

__all__ = ["MassFit", "ThresholdCells", "fit_misjudged", "maximise_cells", "spread_mass", "threshold_cells"]

# likelihoods of two cells that differ by less than this, in every row, are the same
SAME = 1e-12


@dataclass(frozen=True, slots=True, eq=False)
class ThresholdCells:
    """Cells that can be told apart and can carry mass.

    Attributes
    ----------
    intervals : ndarray, shape (c, 2)
        (lower, upper] in mA.
    first, last : ndarray of int, shape (c,)
        Cells of the table that each one joins.
    """

    intervals: NDArray[np.float64]
    first: NDArray[np.intp]
    last: NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class MassFit:
    """A maximum over masses.

    Attributes
    ----------
    mass : ndarray, shape (c,)
        Probability of every cell.
    log_likelihood : float
        Maximum.
    gap : float
        Certificate, see :class:`capstat.numerics.mixing.MixingFit`.
    """

    mass: NDArray[np.float64]
    log_likelihood: float
    gap: float


def threshold_cells(table: JudgementTable, matrix: NDArray[np.float64], *, drop_dominated: bool) -> ThresholdCells:
    """Join neighbouring cells that no ramp tells apart, and leave out those that a neighbour beats in every ramp.

    A cell whose likelihood is nowhere larger than its neighbour's never needs mass.  With judgements that are never
    wrong the cells that are left are Turnbull's innermost intervals.

    Parameters
    ----------
    table : JudgementTable
        Ramps.
    matrix : ndarray, shape (m, k + 1)
        Their likelihood.
    drop_dominated : bool
        Leave out dominated cells; not where the errors are still to be estimated, since they change with them.
    """
    differs = np.abs(np.diff(matrix, axis=1)).max(axis=0, initial=0.0) > SAME
    first = np.concatenate(([0], np.flatnonzero(differs) + 1))
    last = np.append(first[1:] - 1, matrix.shape[1] - 1)
    kept = np.arange(first.size)
    while drop_dominated and kept.size > 1:
        columns = matrix[:, first[kept]]
        falls = (np.diff(columns, axis=1) <= SAME).all(axis=0)
        rises = (np.diff(columns, axis=1) >= -SAME).all(axis=0)
        beaten = np.zeros(kept.size, dtype=bool)
        beaten[1:] |= falls
        beaten[:-1] |= rises
        # of two equal neighbours (after others went) one stays
        both = np.flatnonzero(falls & rises)
        beaten[both] = False
        if not beaten.any():
            break
        kept = kept[~beaten]
    intervals = np.column_stack((table.lower_ma[first[kept]], table.upper_ma[last[kept]]))
    return ThresholdCells(intervals, first[kept], last[kept])


def maximise_cells(
    matrix: NDArray[np.float64],
    weights: NDArray[np.float64],
    start: NDArray[np.float64] | None = None,
    gap_target: float = GAP_TARGET,
) -> MassFit:
    """Certified masses for a likelihood matrix over the cells; rows of weight zero are absent.

    Raises
    ------
    NotEstimableError
        When the certificate cannot be had.
    """
    present = weights > 0
    rows, kept = matrix[present], weights[present]
    if start is not None and (rows @ start).min() <= 0:
        # a replicate may need mass where the estimate has none; the solver needs every row to be possible
        start = 0.95 * start + 0.05 / start.size
    try:
        fit = maximise_mixing(DenseLikelihood(rows), kept, start, gap_target=gap_target)
    except ArithmeticError as error:
        raise NotEstimableError(str(error)) from error
    return MassFit(fit.mass, fit.log_likelihood, fit.optimality_gap)


def spread_mass(cells: ThresholdCells, mass: NDArray[np.float64], n_cells: int) -> NDArray[np.float64]:
    """Masses on the cells of the table: each joined cell's on its first."""
    full = np.zeros(n_cells)
    full[cells.first] = mass
    return full


def fit_misjudged(table: JudgementTable, errors: JudgementErrors, n_patients: int) -> NpmleFit:
    """Nonparametric maximum likelihood for given errors of judgement.

    The problem is concave, as without errors, and is solved with the same certificate.  With a sensitivity and
    specificity of 1 it is the ordinary estimate.

    Parameters
    ----------
    table : JudgementTable
        Tabulated ramps.
    errors : JudgementErrors
        Taken as known.
    n_patients : int
        Patients behind the ramps.

    Returns
    -------
    NpmleFit
        ``unique`` tells whether no other masses are equally likely.

    Raises
    ------
    UsageError
        As in :meth:`JudgementTable.likelihood`.
    NotEstimableError
        When the certificate cannot be had.
    """
    likelihood = table.likelihood(errors)
    cells = threshold_cells(table, likelihood.matrix, drop_dominated=True)
    matrix, count = likelihood.matrix[:, cells.first], table.count
    fit = maximise_cells(matrix, count)
    carries = fit.mass > 1e-12
    kept = fit.mass[carries] / fit.mass[carries].sum()
    unique = movable_columns(DenseLikelihood(matrix), count, fit.mass).size == 0
    value = fit.log_likelihood + float(count @ likelihood.log_scale)
    return NpmleFit(cells.intervals[carries], kept, value, fit.gap, table.index.size, n_patients, unique)
