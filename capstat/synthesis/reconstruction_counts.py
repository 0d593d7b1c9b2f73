"""Moves from one possible set of counts to the next."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from capstat.synthesis.reconstruction_state import Proposal, cells_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.synthesis.reconstruction_state import ChainState, Setting

__all__ = ["change_counts"]


def change_counts(setting: Setting, state: ChainState, rng: np.random.Generator) -> Proposal:
    """One value crosses the maximum, another makes up for it; a patient paced one way changes as counts demand."""
    chains = np.arange(state.z.shape[2])
    cells, size, reach = setting.cells, len(chains), setting.reach
    column, up = rng.integers(0, 2, size), rng.integers(0, 2, size)
    recorded = state.cell[: setting.n_recorded]
    # those that may cross: captured within reach of the maximum, or above it
    below, above = _may_cross(setting, recorded, column)
    which = np.where(up == 1, below, above)
    crossing = (which * rng.random(which.shape)).argmax(axis=0)
    other = (crossing + rng.integers(1, setting.n_recorded, size)) % setting.n_recorded
    rows = np.array((crossing, other))
    to = cells_of(state, rows)
    was_above = to[1, column, chains] == cells.above
    to[0, column, chains] = np.where(up == 1, cells.above, cells.above - rng.integers(1, reach + 1, size))
    to[1, column, chains] -= (2 * up - 1) * rng.integers(0, reach + 1, size)
    table = setting.neighbours[state.table, column, up]
    flip = setting.flips[state.table, column, up]
    allowed = (table >= 0) & which.any(axis=0) & ((to >= 0) & (to <= cells.above)).all(axis=(0, 1))
    allowed &= (to[1, column, chains] == cells.above) == was_above
    allowed &= ~(to == cells.above).all(axis=1).any(axis=0)
    to = np.clip(to, 0, cells.above)
    after = recorded.copy()
    after[rows[:, None], np.arange(2)[:, None], chains] = to
    below_after, above_after = _may_cross(setting, after, column)
    there = np.where(up == 1, below.sum(axis=0), above.sum(axis=0) * reach)
    back = np.where(up == 1, above_after.sum(axis=0) * reach, below_after.sum(axis=0))
    if any(len(rows_of) for rows_of in setting.one_way):
        third = _one_way_rows(setting, column, rng)
        its_cells = cells_of(state, third)
        own = its_cells[0, column, chains]
        target = np.where(flip > 0, cells.captured, np.where(flip < 0, cells.above, own))
        allowed &= (flip == 0) | (own != target)
        its_cells[0, column, chains] = target
        rows, to = np.concatenate((rows, third)), np.concatenate((to, its_cells))
    way_back = np.log(np.maximum(there, 1)) - np.log(np.maximum(back, 1))
    return Proposal(rows, to, allowed, table, 2, way_back)


def _may_cross(
    setting: Setting, cell: NDArray[np.intp], column: NDArray[np.intp]
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:  # fmt: skip
    """Patients whose value in a column may cross the maximum upwards, and downwards; shape (rows, chains)."""
    above = setting.cells.above
    own, other = cell[:, column, np.arange(len(column))], cell[:, 1 - column, np.arange(len(column))]
    return (own < above) & (own >= above - setting.reach) & (other < above), own == above


def _one_way_rows(setting: Setting, column: NDArray[np.intp], rng: np.random.Generator) -> NDArray[np.intp]:
    """A patient paced in that placement alone in every chain, or in the other where there is none; (1, chains)."""
    drawn = [
        rows[rng.integers(0, len(rows), len(column))] if len(rows) else np.full(len(column), -1)
        for rows in setting.one_way
    ]
    own, other = np.where(column == 0, drawn[0], drawn[1]), np.where(column == 0, drawn[1], drawn[0])
    return np.where(own >= 0, own, other)[None]
