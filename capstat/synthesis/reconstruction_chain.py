"""Markov chains over every data set that agrees with what was printed, and over the law behind it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.synthesis.reconstruction_moves import Moves
from capstat.synthesis.reconstruction_normal import draw_law, draw_truncated

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.synthesis.reconstruction_normal import NormalLaw
    from capstat.synthesis.reconstruction_state import ChainState, Setting

__all__ = ["ChainDraws", "run_chains"]

# how often the law is drawn in each draw that is kept
ROUNDS = 3


@dataclass(frozen=True, slots=True, eq=False)
class ChainDraws:
    """Draws after the warm-up.

    Attributes
    ----------
    mean : ndarray, shape (draws, p, chains)
        Means on the normal scale.
    covariance : ndarray, shape (draws, p, p, chains)
        Their covariances.
    table : ndarray of int, shape (draws, chains)
        Which set of counts.
    recorded_ma : ndarray, shape (n_recorded, p, chains)
        Recorded currents at the end of each chain: invented data that would have been printed in the same numbers.
    """

    mean: NDArray[np.float64]
    covariance: NDArray[np.float64]
    table: NDArray[np.intp]
    recorded_ma: NDArray[np.float64]


def run_chains(
    setting: Setting, state: ChainState, *, warm_up: int, draws: int, rng: np.random.Generator
) -> ChainDraws:  # fmt: skip
    """Run the chains.

    One draw is a few rounds of: the law given the latent values, the latent values inside their cells given the law,
    and moves of recorded currents, with two columns as many in all as patients recorded.
    """
    moves = Moves(setting, state, rng)
    low, high = setting.cells.bounds()
    _, p, chains = state.z.shape
    means, covariances = np.empty((draws, p, chains)), np.empty((draws, p, p, chains))
    tables = np.empty((draws, chains), dtype=np.intp)
    # one column settles soon: a third of the moves is enough
    moves_in_round = -(-setting.n_recorded // (ROUNDS if p == 2 else 3 * ROUNDS))
    law: NormalLaw | None = None
    for sweep in range(-warm_up, draws):
        for _ in range(ROUNDS):
            law = draw_law(state.z, setting.prior, law, rng)
            for column in range(p):
                mean, sd = law.conditional(state.z, column)
                own = state.cell[:, column]
                state.z[:, column] = draw_truncated(mean, sd, low[own], high[own], rng)
            for _ in range(moves_in_round):
                moves.step(law)
        if sweep >= 0 and law is not None:
            means[sweep], covariances[sweep], tables[sweep] = law.mean, law.covariance, state.table
    recorded = setting.cells.recorded_ma[state.cell[: setting.n_recorded]]
    return ChainDraws(means, covariances, tables, recorded)
