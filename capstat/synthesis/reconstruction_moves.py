"""Moves of recorded currents among the data sets that agree with what was printed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from capstat.synthesis.reconstruction_counts import change_counts
from capstat.synthesis.reconstruction_normal import log_density
from capstat.synthesis.reconstruction_state import Proposal, cells_of, two_recorded

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.synthesis.reconstruction_normal import NormalLaw
    from capstat.synthesis.reconstruction_state import ChainState, Setting

__all__ = ["Moves"]

# steps of two patients in each column, and how often each is tried; opposite steps keep the sums, others need slack
DIRECTIONS = {
    1: [[[1], [-1]], [[1], [0]]],
    2: [
        [[1, 0], [-1, 0]], [[0, 1], [0, -1]], [[1, 1], [-1, -1]], [[1, -1], [-1, 1]],
        [[1, 0], [0, 1]], [[1, 1], [0, 0]], [[1, 0], [0, 0]], [[0, 1], [0, 0]],
    ],
}  # fmt: skip
ODDS = {1: [0.85, 0.15], 2: [0.28, 0.25, 0.2, 0.1, 0.06, 0.05, 0.03, 0.03]}
SWAPS, COUNT_CHANGES = 0.2, 0.2


class Moves:
    """Moves of recorded currents that leave the posterior as it is."""

    def __init__(self, setting: Setting, state: ChainState, rng: np.random.Generator) -> None:
        self.setting, self.state, self.rng = setting, state, rng
        self._n, self._p, chains = state.z.shape
        self._chains = np.arange(chains)
        self._directions = np.moveaxis(np.array(DIRECTIONS[self._p], dtype=np.intp), 0, -1)
        self._odds = np.cumsum(ODDS[self._p])[:-1]

    def step(self, law: NormalLaw) -> None:
        """Make one move in every chain."""
        kind = self.rng.random()
        if self.setting.several_counts and kind < COUNT_CHANGES:
            self._accept(law, change_counts(self.setting, self.state, self.rng))
        elif self._p == 2 and kind > 1 - SWAPS:
            self._accept(law, self._swap())
        else:
            self._draw_steps(law)

    def propose(self) -> Proposal:
        """A random move, one in each chain, for the search of a start."""
        if self._p == 2 and self.rng.random() < SWAPS:
            return self._swap()
        rows, directions = self._random_directions()
        steps = self.rng.integers(1, self.setting.reach + 1, rows.shape[1]) * self._signs()
        cell = cells_of(self.state, rows)
        return self._checked(rows, cell, cell + steps * directions)

    def _draw_steps(self, law: NormalLaw) -> None:
        """Move two or four patients along one direction, by steps drawn from their conditional law (heat bath).

        The window of steps lies at random around 0, so that every place in it is as likely to have the same window.
        """
        (rows, directions), width = self._random_directions(), 2 * self.setting.reach + 1
        steps = np.arange(width)[:, None] - self.rng.integers(0, width, rows.shape[1])
        cell = cells_of(self.state, rows)
        proposal = self._checked(rows, cell[:, :, None], cell[:, :, None] + steps * directions[:, :, None])
        sums, squares = self.totals(proposal)
        allowed = (proposal.allowed & (self.setting.printed.excess(sums, squares) == 0)) | (steps == 0)
        at, which = np.nonzero(allowed)
        after, gain = self._gain(law, rows[:, which], proposal.to[:, :, at, which], which)
        # a place is drawn by its probability: the largest of log probability plus Gumbel noise
        score = np.full(allowed.shape, -np.inf)
        score[at, which] = gain - np.log(-np.log(self.rng.random(len(which))))
        best = score.argmax(axis=0)
        where = np.empty(allowed.shape, dtype=np.intp)
        where[at, which] = np.arange(len(which))
        chains = self._chains
        chosen = Proposal(rows, proposal.to[:, :, best, chains], steps[best, chains] != 0, self.state.table, len(rows))
        self.keep(
            chosen, after[:, :, where[best, chains]], chosen.allowed, sums[:, best, chains], squares[best, chains]
        )  # fmt: skip

    def _accept(self, law: NormalLaw, proposal: Proposal) -> None:
        """Accept proposals by the density of the latent values and the odds of the way back (Metropolis, Hastings)."""
        sums, squares = self.totals(proposal)
        allowed = proposal.allowed & (self.setting.printed.excess(sums, squares) == 0)
        (which,) = np.nonzero(allowed)
        moved, gain = self._gain(law, proposal.rows[:, which], proposal.to[:, :, which], which)
        way_back = np.broadcast_to(proposal.log_way_back, allowed.shape)[which]
        after = np.zeros(proposal.to.shape)
        after[:, :, which] = moved
        allowed[which] = np.log(self.rng.random(len(which))) < gain + way_back
        self.keep(proposal, after, allowed, sums, squares)

    def _gain(
        self, law: NormalLaw, rows: NDArray[np.intp], to: NDArray[np.intp], which: NDArray[np.intp]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Latent values after moves of chains ``which``, and what the log probability gains."""
        index = rows[:, None], np.arange(self._p)[:, None], which
        before = self.state.z[index]
        after, log_jacobian = self.setting.cells.moved(before, self.state.cell[index], to)
        mean, covariance = law.mean[:, which], law.covariance[:, :, which]
        gain = log_density(mean, covariance, after) - log_density(mean, covariance, before)
        return after, gain + log_jacobian.sum(axis=(0, 1))

    def keep(
        self,
        proposal: Proposal,
        after: NDArray[np.float64],
        accepted: NDArray[np.bool_],
        sums: NDArray[np.float64],
        squares: NDArray[np.float64],
    ) -> None:
        """Carry out the accepted proposals."""
        (which,) = np.nonzero(accepted)
        index = proposal.rows[:, None, which], np.arange(self._p)[:, None], which
        self.state.z[index] = after[:, :, which]
        self.state.cell[index] = proposal.to[:, :, which]
        self.state.sums[:, which], self.state.squares[which] = sums[:, which], squares[which]
        self.state.table[which] = proposal.table[which]

    def totals(self, proposal: Proposal) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Sums after the proposal."""
        recorded, squared, n = self.setting.cells.recorded_ma, self.setting.printed.squared, proposal.n_recorded
        before, after = recorded[cells_of(self.state, proposal.rows[:n])], recorded[proposal.to[:n]]
        sums, squares = self.state.sums - before.sum(axis=0), self.state.squares - squared(before).sum(axis=0)
        if after.ndim > before.ndim:
            sums = sums[:, None]
        return sums + after.sum(axis=0), squares + squared(after).sum(axis=0)

    def _signs(self) -> NDArray[np.intp]:
        """-1 or 1 in every chain."""
        return np.asarray(2 * self.rng.integers(0, 2, len(self._chains)) - 1)

    def _random_directions(self) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Two or four recorded patients, shape (m, chains), and their steps (m, p, chains).

        Four patients keep the sum of squares where no two can: without them some data sets could not be reached.
        """
        n, chains = self.setting.n_recorded, len(self._chains)
        if n < 4 or self.rng.random() < 0.5:
            return two_recorded(self.setting.n_recorded, len(self._chains), self.rng), self._one_direction()
        rows = self.rng.random((n, chains)).argpartition(3, axis=0)[:4]
        second = self._one_direction() * (self._signs() * self.rng.integers(1, 3, chains))
        return rows, np.concatenate((self._one_direction(), second))

    def _one_direction(self) -> NDArray[np.intp]:
        """Steps of two patients, shape (2, p, chains)."""
        which = np.searchsorted(self._odds, self.rng.random(len(self._chains)))
        return np.asarray(self._directions[:, :, which])

    def _swap(self) -> Proposal:
        """Two patients exchange the values of one placement."""
        rows = two_recorded(self.setting.n_recorded, len(self._chains), self.rng)
        cell = cells_of(self.state, rows)
        exchanged = self.rng.integers(0, 2, rows.shape[1]) == np.arange(2)[:, None]
        return self._checked(rows, cell, np.where(exchanged, cell[::-1], cell))

    def _checked(self, rows: NDArray[np.intp], cell: NDArray[np.intp], to: NDArray[np.intp]) -> Proposal:
        """A proposal that keeps to the ramp, to the counts, and to patients captured at least once."""
        above = self.setting.cells.above
        is_above = to == above
        inside = (to >= 0) & (to <= above)
        allowed = inside.all(axis=(0, 1))
        if self.setting.fixed_counts:
            allowed &= (is_above.sum(axis=0) == (cell == above).sum(axis=0)).all(axis=0)
        if self._p == 2:
            allowed &= ~is_above.all(axis=1).any(axis=0)
        return Proposal(rows, np.clip(to, 0, above), np.asarray(allowed), self.state.table, len(rows))
