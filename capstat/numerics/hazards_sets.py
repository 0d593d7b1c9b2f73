"""Sums over those at risk, and over the times at which somebody was at risk, without expanding rows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["RiskSets", "binary_parts", "binned", "breslow_terms", "efron_terms", "exposure", "loses_digits", "seen"]


@dataclass(frozen=True, slots=True, eq=False)
class RiskSets:
    """Who was at risk at each of ``k`` event times; every time is a place from 0 to k - 1.

    Attributes
    ----------
    times : ndarray, shape (k,)
        Distinct event times, increasing.
    first : ndarray of int, shape (n,), or None
        First place at which a row is at risk; ``None`` when all are from the start.
    stop : ndarray of int, shape (n,)
        Place after the last one.
    died : ndarray of int, shape (m,)
        Rows with an event.
    place : ndarray of int, shape (m,)
        Where their events are.
    weight : ndarray, shape (n,)
        Weight of each row, positive.
    term_place, term_share, term_weight : ndarray, shape (e,)
        Terms of the likelihood: their places, the share of the events there that is no longer at risk, and weights.
    kept_at, kept_by : ndarray, shapes (k,) and (n,), or None
        After its end a row stays at risk with the weight ``kept_at * kept_by`` (zero for most rows).
    parts : tuple of ndarray of int, or None
        Rows and nodes of :func:`binary_parts`, where differences of cumulative sums would lose digits.
    """

    times: NDArray[np.float64]
    first: NDArray[np.intp] | None
    stop: NDArray[np.intp]
    died: NDArray[np.intp]
    place: NDArray[np.intp]
    weight: NDArray[np.float64]
    term_place: NDArray[np.intp]
    term_share: NDArray[np.float64]
    term_weight: NDArray[np.float64]
    kept_at: NDArray[np.float64] | None = None
    kept_by: NDArray[np.float64] | None = None
    parts: tuple[NDArray[np.intp], NDArray[np.intp]] | None = None

    def at_risk(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Sums of ``x`` (n,) or (n, q) over the rows at risk at each place, shape (k,) or (k, q)."""
        k = self.times.size
        if self.parts is not None:
            rows, nodes = self.parts
            return _down(binned(nodes, x[rows], 2 * _leaves(k)))[:k]
        ended = binned(self.stop, x, k + 1)
        # from the end, where few are left and sums are small
        sums = np.cumsum(ended[:0:-1], axis=0)[::-1]
        if self.first is not None:
            sums = sums - np.cumsum(binned(self.first, x, k + 1)[:0:-1], axis=0)[::-1]
        if self.kept_at is not None and self.kept_by is not None:
            kept = binned(self.stop, (x.T * self.kept_by).T, k + 1)
            sums = sums + (np.cumsum(kept, axis=0)[:k].T * self.kept_at).T
        return np.asarray(sums)

    def over_risk(self, a: NDArray[np.float64]) -> NDArray[np.float64]:
        """Sums of ``a`` (k,) or (k, q) over the places at which each row was at risk: the transpose of at_risk."""
        if self.parts is not None:
            rows, nodes = self.parts
            return binned(rows, _up(a, _leaves(self.times.size))[nodes], self.stop.size)
        start = np.zeros((1, *a.shape[1:]))
        up_to = np.concatenate([start, np.cumsum(a, axis=0)])
        sums = np.asarray(up_to[self.stop])
        if self.first is not None:
            sums = sums - up_to[self.first]
        if self.kept_at is not None and self.kept_by is not None:
            later = np.concatenate([np.cumsum((a.T * self.kept_at).T[::-1], axis=0)[::-1], start])
            sums = sums + (later[self.stop].T * self.kept_by).T
        return np.asarray(sums)

    def at_terms(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Sums of ``x`` (e,) or (e, q) over the terms at each place, shape (k,) or (k, q)."""
        return binned(self.term_place, x, self.times.size)


def _leaves(k: int) -> int:
    """Leaves of the binary tree over k places: the next power of two."""
    return 1 << (k - 1).bit_length()


def _up(a: NDArray[np.float64], leaves: int) -> NDArray[np.float64]:
    """Sums of ``a`` over the places below each node, shape (2 leaves, ...)."""
    tree = np.zeros((2 * leaves, *a.shape[1:]))
    tree[leaves : leaves + a.shape[0]] = a
    while leaves > 1:
        tree[leaves // 2 : leaves] = tree[leaves : 2 * leaves : 2] + tree[leaves + 1 : 2 * leaves : 2]
        leaves //= 2
    return tree


def _down(tree: NDArray[np.float64]) -> NDArray[np.float64]:
    """Sums of the nodes above each place, itself included."""
    level = tree[1:2]
    while 2 * level.shape[0] < tree.shape[0]:
        level = np.repeat(level, 2, axis=0) + tree[2 * level.shape[0] : 4 * level.shape[0]]
    return level


def binary_parts(sets: RiskSets) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Cut the places of each row into nodes of a binary tree, so that its sums need no difference.

    Slower by the logarithm of the number of places; needed where rows that enter later have hazards that are larger by
    many powers of ten than of those at risk.
    """
    leaves = _leaves(sets.times.size)
    left = np.zeros_like(sets.stop) if sets.first is None else sets.first
    left, right = left + leaves, sets.stop + leaves
    rows = np.flatnonzero(left < right)
    found_rows, found_nodes = [], []
    while rows.size:
        for odd, node in ((left[rows] & 1 == 1, left[rows]), (right[rows] & 1 == 1, right[rows] - 1)):
            found_rows.append(rows[odd])
            found_nodes.append(node[odd])
        left, right = (left + 1) // 2, right // 2
        rows = rows[left[rows] < right[rows]]
    return np.concatenate(found_rows), np.concatenate(found_nodes)


def loses_digits(sets: RiskSets, risk: NDArray[np.float64]) -> bool:
    """Would the difference of those who end later and those who enter later lose more than six digits somewhere?"""
    if sets.first is None or sets.parts is not None:
        return False
    k = sets.times.size
    later = np.cumsum(binned(sets.stop, risk, k + 1)[:0:-1])[::-1]
    return bool((sets.at_risk(risk) < 1e-6 * later).any())


def binned(index: NDArray[np.intp], x: NDArray[np.float64], size: int) -> NDArray[np.float64]:
    """Sums of ``x`` (n,) or (n, q) by ``index`` (n,), shape (size,) or (size, q)."""
    if x.ndim == 1:
        return np.asarray(np.bincount(index, weights=x, minlength=size), dtype=float)
    q = x.shape[1]
    flat = (index[:, None] * q + np.arange(q)).ravel()
    return np.asarray(np.bincount(flat, weights=x.ravel(), minlength=size * q).reshape(size, q), dtype=float)


def efron_terms(
    place: NDArray[np.intp], weight: NDArray[np.float64], k: int
) -> tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.float64]]:
    """Terms of Efron's likelihood: of d tied events the j-th sees j/d of them gone, each with their mean weight."""
    count = np.bincount(place, minlength=k)
    term_place = np.repeat(np.arange(k), count)
    rank = np.arange(term_place.size) - np.repeat(np.cumsum(count) - count, count)
    mean = binned(place, weight, k) / count
    return term_place, np.asarray(rank / count[term_place]), np.asarray(mean[term_place])


def breslow_terms(
    place: NDArray[np.intp], weight: NDArray[np.float64], k: int
) -> tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.float64]]:
    """Terms of Breslow's likelihood: one at each time, with all its events at risk."""
    return np.arange(k, dtype=np.intp), np.zeros(k), binned(place, weight, k)


def seen(sets: RiskSets, x: NDArray[np.float64]) -> NDArray[np.float64]:
    """Sums of ``x`` (n,) or (n, q) that each term sees, shape (e,) or (e, q)."""
    gone = binned(sets.place, x[sets.died], sets.times.size)
    return np.asarray(sets.at_risk(x)[sets.term_place] - (sets.term_share * gone[sets.term_place].T).T)


def exposure(sets: RiskSets, increments: NDArray[np.float64]) -> NDArray[np.float64]:
    """Sums of the terms' ``increments`` (e,) or (e, q) that each row was at risk of, shape (n,) or (n, q).

    A row with an event among others at its time no longer sees a share of them.
    """
    sums = sets.over_risk(sets.at_terms(increments))
    sums[sets.died] -= sets.at_terms((sets.term_share * increments.T).T)[sets.place]
    return sums
