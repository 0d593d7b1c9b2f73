"""Data sets that agree with what was printed, to start the chains from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.results import NotEstimableError
from capstat.synthesis.reconstruction_moves import Moves
from capstat.synthesis.reconstruction_state import ChainState

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.synthesis.reconstruction_state import Setting

__all__ = ["Arrangement", "find_start"]

ROUNDS, BETWEEN_LOOKS = 4000, 25
# mA of disagreement that the search forgives at first; falls to 0 by halves
FIRST_TEMPERATURE, HALF_LIFE = 2.0, 150
# of this share of the chains all are started once the search has gone on for a while
ENOUGH, PATIENCE = 0.25, 800


@dataclass(frozen=True, slots=True, eq=False)
class Arrangement:
    """Where the rows of one possible set of counts lie.

    Attributes
    ----------
    imputed : tuple of int
        Imputed values of each column among the recorded patients.
    others : ndarray of int, shape (rows - n_recorded, p)
        Cells of the patients whose currents entered no mean.
    """

    imputed: tuple[int, ...]
    others: NDArray[np.intp]


def find_start(
    setting: Setting,
    arrangements: tuple[Arrangement, ...],
    *,
    guess_ma: tuple[float, ...],
    guess_sd_ma: float,
    never: int,
    chains: int,
    rng: np.random.Generator,
) -> ChainState:
    """Search for data sets with every printed number, by annealing from random ones.

    Parameters
    ----------
    setting : Setting
        Cells and conditions.
    arrangements : tuple of Arrangement
        Possible sets of counts; chains are dealt out to them in turn.
    guess_ma, guess_sd_ma : tuple of float, float
        Mean of each column's captured currents and their spread, for the random start.
    never : int
        Imputed values of the one column that no patient of the model has.
    chains : int
        Chains wanted.
    rng : numpy.random.Generator
        Source of the randomness.

    Raises
    ------
    NotEstimableError
        When no data set was found.
    """
    state = _random_state(setting, arrangements, guess_ma, guess_sd_ma, never, chains, rng)
    moves = Moves(setting, state, rng)
    excess = setting.printed.excess(state.sums, state.squares)
    for round_ in range(ROUNDS):
        if round_ % BETWEEN_LOOKS == 0 and _found_enough(excess, state.table, setting, round_):
            break
        temperature = FIRST_TEMPERATURE * 0.5 ** (round_ / HALF_LIFE)
        proposal = moves.propose()
        sums, squares = moves.totals(proposal)
        reached = setting.printed.excess(sums, squares)
        accepted = proposal.allowed & (reached <= excess - temperature * np.log(rng.random(chains)))
        accepted &= (excess > 0) | (reached == 0)
        index = proposal.rows[:, None], np.arange(proposal.to.shape[1])[:, None], np.arange(chains)
        after, _ = setting.cells.moved(state.z[index], state.cell[index], proposal.to)
        moves.keep(proposal, after, accepted, sums, squares)
        excess = np.where(accepted, reached, excess)
    if (excess > 0).all():
        raise NotEstimableError(
            "No recorded currents on the settings of this ramp were found that give all the printed numbers together; "
            f"the nearest miss them by {excess.min():.2g} mA, so that a mean, a spread or limits contradict the "
            "others, the counts or the ramp."
        )
    return _only_found(state, excess)


def _random_state(
    setting: Setting,
    arrangements: tuple[Arrangement, ...],
    guess_ma: tuple[float, ...],
    guess_sd_ma: float,
    never: int,
    chains: int,
    rng: np.random.Generator,
) -> ChainState:
    cells, n, p = setting.cells, setting.n_recorded, len(guess_ma)
    settings = cells.recorded_ma[: cells.n_settings]
    patient = rng.standard_normal((n, 1, chains))
    noise = 0.7 * patient + 0.7 * rng.standard_normal((n, p, chains))
    currents = np.array(guess_ma)[:, None] + guess_sd_ma * noise
    cell = np.empty((n + len(arrangements[0].others), p, chains), dtype=np.intp)
    cell[:n] = np.abs(currents[..., None] - settings).argmin(axis=-1)
    table = np.arange(chains) % len(arrangements)
    for chain in range(chains):
        order, at = rng.permutation(n), 0
        for column, count in enumerate(arrangements[table[chain]].imputed):
            cell[order[at : at + count], column, chain] = cells.above
            at += count
        cell[n:, :, chain] = arrangements[table[chain]].others
    first, last, middle = float(settings[0]), float(settings[-1]), float(np.mean(guess_ma))
    low = np.concatenate(([0.7 * first], settings[:-1], [last, 0.7 * last, 0.8 * middle]))[cell]
    high = np.concatenate((settings, [1.2 * last, last, 1.2 * middle]))[cell]
    current = low + (high - low) * (1 - rng.random(cell.shape))
    recorded, imputed = cells.recorded_ma[cell[:n]], cells.recorded_ma[cells.above]
    sums = recorded.sum(axis=0) + never * imputed
    squares = setting.printed.squared(recorded).sum(axis=0) + never * imputed**2
    return ChainState(cells.scaled(current), cell, sums, squares, table)


def _found_enough(excess: NDArray[np.float64], table: NDArray[np.intp], setting: Setting, round_: int) -> bool:
    share = float(np.mean(excess == 0))
    found = np.bincount(table[excess == 0], minlength=len(setting.neighbours)) > 0
    spread_out = bool(found.all()) or not setting.several_counts
    return share == 1.0 or (round_ >= PATIENCE and share >= ENOUGH and spread_out)


def _only_found(state: ChainState, excess: NDArray[np.float64]) -> ChainState:
    """All chains at data sets that agree: those that did not get there start where another one did."""
    (good,) = np.nonzero(excess == 0)
    source = np.where(excess == 0, np.arange(len(excess)), good[np.arange(len(excess)) % len(good)])
    return ChainState(
        state.z[..., source], state.cell[..., source], state.sums[:, source], state.squares[source], state.table[source]
    )
