"""What the chains of a reconstruction may reach, and where they are.

Arrays have the chains last: the axes before them are short, and sums over them then cost little.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.synthesis.reconstruction_cells import RampCells
    from capstat.synthesis.reconstruction_normal import Prior
    from capstat.synthesis.reconstruction_printed import PrintedArm, PrintedCrossover

__all__ = ["ChainState", "Proposal", "Setting", "cells_of", "two_recorded"]

# settings by which one value moves at most in one move, as a share of the ramp
FARTHEST_SHARE = 0.15


@dataclass(frozen=True, slots=True, eq=False)
class Setting:
    """What the chains may reach.

    Attributes
    ----------
    cells : RampCells
        Cells of the ramp.
    printed : PrintedArm or PrintedCrossover
        Conditions on the recorded currents.
    n_recorded : int
        Patients whose currents entered the printed means; they come first.
    one_way : tuple of ndarray
        For each placement the rows of patients paced in it alone.
    fixed_counts : bool
        Whether the number of imputed values of each column is given.
    neighbours : ndarray of int, shape (tables, p, 2)
        For each possible set of counts the one with one imputed value fewer (more) in a column; -1 for none.
    flips : ndarray of int, shape (tables, p, 2)
        Change in the patients paced in that placement alone who captured, on the way there.
    prior : Prior
        Of the law of the latent values.
    """

    cells: RampCells
    printed: PrintedArm | PrintedCrossover
    n_recorded: int
    one_way: tuple[NDArray[np.intp], ...]
    fixed_counts: bool
    neighbours: NDArray[np.intp]
    flips: NDArray[np.intp]
    prior: Prior

    @property
    def several_counts(self) -> bool:
        """Whether the chains go from one set of counts to another."""
        return bool((self.neighbours >= 0).any())

    @property
    def reach(self) -> int:
        """Settings by which one value moves at most in one move."""
        return max(2, round(FARTHEST_SHARE * self.cells.n_settings))


@dataclass(slots=True, eq=False)
class ChainState:
    """Where the chains are: the one mutable thing of a reconstruction.

    Attributes
    ----------
    z : ndarray, shape (rows, p, chains)
        Latent values on the normal scale.
    cell : ndarray of int, shape (rows, p, chains)
        Cells in which they lie.
    sums, squares : ndarray, shapes (p, chains) and (chains,)
        Sums that the printed numbers are made of.
    table : ndarray of int, shape (chains,)
        Which of the possible sets of counts each chain has.
    """

    z: NDArray[np.float64]
    cell: NDArray[np.intp]
    sums: NDArray[np.float64]
    squares: NDArray[np.float64]
    table: NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class Proposal:
    """A move of some rows in every chain.

    Attributes
    ----------
    rows : ndarray of int, shape (m, chains)
        Rows to change.
    to : ndarray of int, shape (m, p, chains) or (m, p, places, chains)
        Their new cells.
    allowed : ndarray of bool, shape (chains,) or (places, chains)
        Whether they keep to the ramp and to the counts.
    table : ndarray of int, shape (chains,)
        Set of counts afterwards.
    n_recorded : int
        The first so many of the rows are patients in the printed means.
    log_way_back : ndarray, shape (chains,), or float
        Log probability of proposing the way back, less that of the way there.
    """

    rows: NDArray[np.intp]
    to: NDArray[np.intp]
    allowed: NDArray[np.bool_]
    table: NDArray[np.intp]
    n_recorded: int
    log_way_back: NDArray[np.float64] | float = 0.0


def cells_of(state: ChainState, rows: NDArray[np.intp]) -> NDArray[np.intp]:
    """Cells of rows (m, chains), shape (m, p, chains)."""
    _, p, chains = state.cell.shape
    return np.asarray(state.cell[rows[:, None], np.arange(p)[:, None], np.arange(chains)])


def two_recorded(n: int, chains: int, rng: np.random.Generator) -> NDArray[np.intp]:
    """Two different recorded patients of n in every chain, shape (2, chains)."""
    one = rng.integers(0, n, chains)
    return np.array((one, (one + rng.integers(1, n, chains)) % n))
