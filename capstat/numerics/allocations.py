"""Sums of scores in groups of units under all allocations of the units to the groups, or under random ones.

Units with equal scores are interchangeable, so a table of counts, patterns of scores by groups, stands for every
allocation that gives it.  For whole-number scores and two groups :mod:`capstat.numerics.sign_flips` counts the sums
instead, which takes far more units.
"""

from __future__ import annotations

from itertools import combinations
from math import comb
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import gammaln

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["TIE", "drawn_allocations", "every_allocation", "root_chi_square"]

# up to this many distinct tables of units by score and group are enumerated
ENUMERATED = 200_000
# scores solved to 1e-10 make sums that are equal in truth differ by a little more than rounding
TIE = 1e-9


def root_chi_square(
    sums: NDArray[np.float64], sizes: NDArray[np.intp], scores: NDArray[np.float64], counts: NDArray[np.intp]
) -> NDArray[np.float64]:
    """Root of the chi-square for sums of shape (groups, scores, ...); with two groups the absolute Z."""
    variance = counts @ scores**2 / (counts.sum() - 1)
    spread = np.einsum("gs...,g->s...", sums**2, 1 / sizes)
    return np.asarray(np.sqrt(spread / variance.reshape(-1, *[1] * (spread.ndim - 1))))


def _compositions(count: int, parts: int) -> NDArray[np.intp]:
    """All ways of sharing ``count`` alike units among groups, shape (ways, parts): bars among stars."""
    bars = np.array(list(combinations(range(count + parts - 1), parts - 1)), dtype=np.intp)
    ends = np.column_stack((np.full(len(bars), -1), bars, np.full(len(bars), count + parts - 1)))
    return np.asarray(np.diff(ends, axis=1) - 1)


def _too_many(counts: NDArray[np.intp], size: int) -> bool:
    """Whether more than ``ENUMERATED`` tables put ``size`` of the units into one group and the rest elsewhere."""
    ways = np.zeros(size + 1)
    ways[0] = 1
    remaining = int(counts.sum())
    for count in counts:
        total = np.concatenate((np.zeros(count + 1), np.cumsum(ways)))
        ways = np.minimum(total[count + 1 :] - total[: size + 1], 1e9)
        remaining -= int(count)
        # what can still be completed never becomes less
        if ways[max(0, size - remaining) :].max() > ENUMERATED:
            return True
    return False


def every_allocation(
    scores: NDArray[np.float64], counts: NDArray[np.intp], sizes: NDArray[np.intp]
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Sums of scores, shape (groups, scores, T), and probability of every table of pattern by group.

    ``None`` when there are too many.  Every partial table can be completed, so the number never falls from one
    pattern to the next and the search may stop as soon as it is too large; with two groups it is known beforehand.
    """
    if any(_too_many(counts, int(size)) for size in sizes[1:]):
        return None
    placed = np.zeros((1, sizes.size), dtype=np.intp)
    sums = np.zeros((1, sizes.size, scores.shape[1]))
    log_ways = np.zeros(1)
    for score, count in zip(scores, counts, strict=True):
        if comb(int(count) + sizes.size - 1, sizes.size - 1) > ENUMERATED:
            return None
        ways = _compositions(int(count), sizes.size)
        ways = ways[(ways <= sizes).all(axis=1)]
        block = max(1, ENUMERATED // len(placed))
        kept: list[NDArray[np.intp]] = []
        for start in range(0, len(ways), block):
            fits = (placed[:, None] + ways[None, start : start + block] <= sizes).all(axis=2)
            found = np.argwhere(fits)
            found[:, 1] += start
            kept.append(found)
            if sum(map(len, kept)) > ENUMERATED:
                return None
        old, new = np.concatenate(kept).T
        placed = placed[old] + ways[new]
        sums = sums[old] + ways[new][:, :, None] * score
        log_ways = log_ways[old] - gammaln(ways[new] + 1).sum(axis=1)
    fixed = gammaln(counts + 1).sum() + gammaln(sizes + 1).sum() - gammaln(counts.sum() + 1)
    return np.moveaxis(sums, 0, -1), np.exp(log_ways + fixed)


def drawn_allocations(
    scores: NDArray[np.float64], counts: NDArray[np.intp], sizes: NDArray[np.intp], draws: int, seed: int
) -> NDArray[np.float64]:
    """Sums of scores, shape (groups, scores, draws), of random allocations.

    Units with equal scores are interchangeable: how many of them fall into a group is hypergeometric, so the
    cost depends on the number of different scores and not on that of units.
    """
    rng = np.random.default_rng(seed)
    free = np.repeat(sizes[:, None], draws, axis=1)
    sums = np.zeros((sizes.size, scores.shape[1], draws))
    for score, count in zip(scores, counts, strict=True):
        left = np.full(draws, count)
        for group in range(sizes.size):
            others = free[group + 1 :].sum(axis=0)
            if group == sizes.size - 1:
                taken = left.copy()
            elif count == 1:
                taken = left * (rng.random(draws) * (free[group] + others) < free[group])
            else:
                taken = rng.hypergeometric(free[group], others, left)
            sums[group] += score[:, None] * taken
            free[group] -= taken
            left -= taken
    return sums
