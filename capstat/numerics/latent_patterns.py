"""Tables of answer patterns of binary items, some of them not answered."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["Blocks", "PatternTable", "block_answers", "masks_of", "pattern_table", "possible_patterns", "tabulate"]

Blocks = tuple[tuple[int, ...], ...]


@dataclass(frozen=True, slots=True, eq=False)
class PatternTable:
    """Distinct patterns of answers, and what each says about every block of items.

    Attributes
    ----------
    answers : ndarray, shape (k, items)
        1, 0, or NaN where the item was not answered.
    group : ndarray of int, shape (k,)
        Group of the pattern, from 0.
    groups : int
        How many groups there are.
    blocks : tuple of tuple of int
        Items that may depend on each other within a class; every item is in exactly one block.
    compatible : tuple of ndarray, shape (k, 2^size) each
        For each block, 1 where an answer to all of its items is compatible with the pattern.
    """

    answers: NDArray[np.float64]
    group: NDArray[np.intp]
    groups: int
    blocks: Blocks
    compatible: tuple[NDArray[np.float64], ...]


def block_answers(block: tuple[int, ...]) -> NDArray[np.float64]:
    """All answers to the items of a block, shape (2^size, size); the last item varies fastest."""
    return np.array(list(itertools.product((0.0, 1.0), repeat=len(block))))


def pattern_table(answers: NDArray[np.float64], group: NDArray[np.intp], groups: int, blocks: Blocks) -> PatternTable:
    """Make a table of distinct patterns; for the arguments see :class:`PatternTable`."""
    compatible = []
    for block in blocks:
        seen = answers[:, None, list(block)]
        compatible.append(np.all(np.isnan(seen) | (seen == block_answers(block)), axis=2).astype(float))
    return PatternTable(answers, group, groups, blocks, tuple(compatible))


def tabulate(
    values: NDArray[np.float64], group: NDArray[np.intp], groups: int, blocks: Blocks
) -> tuple[PatternTable, NDArray[np.intp]]:
    """Distinct patterns of the rows, and the pattern of every row.

    Parameters
    ----------
    values : ndarray, shape (n, items)
        1, 0 or NaN.
    group : ndarray of int, shape (n,)
        Group of every row, from 0.
    """
    keyed = np.column_stack([np.where(np.isnan(values), 2.0, values), group])
    distinct, index = np.unique(keyed, axis=0, return_inverse=True)
    answers = np.where(distinct[:, :-1] == 2, np.nan, distinct[:, :-1])
    table = pattern_table(answers, distinct[:, -1].astype(np.intp), groups, blocks)
    return table, index.reshape(-1).astype(np.intp)


def masks_of(
    table: PatternTable, weights: NDArray[np.float64]
) -> tuple[NDArray[np.bool_], NDArray[np.intp], NDArray[np.intp]]:
    """Which items were answered together: distinct masks, the group of each, and rows with each."""
    keyed = np.column_stack([~np.isnan(table.answers), table.group])
    distinct, index = np.unique(keyed, axis=0, return_inverse=True)
    rows = np.rint(np.bincount(index.reshape(-1), weights=weights)).astype(np.intp)
    return distinct[:, :-1].astype(bool), distinct[:, -1].astype(np.intp), rows


def possible_patterns(
    masks: NDArray[np.bool_], group: NDArray[np.intp], groups: int, blocks: Blocks
) -> tuple[PatternTable, NDArray[np.intp]]:
    """Every pattern that could be seen where exactly the items of a mask were answered, and its mask.

    Parameters
    ----------
    masks : ndarray of bool, shape (m, items)
        Answered items.
    group : ndarray of int, shape (m,)
        Group of each mask.
    """
    answers = []
    for mask in masks:
        full = np.full((2 ** int(mask.sum()), mask.size), np.nan)
        full[:, mask] = block_answers(tuple(np.flatnonzero(mask)))
        answers.append(full)
    owner = np.repeat(np.arange(len(masks)), [len(part) for part in answers]).astype(np.intp)
    return pattern_table(np.vstack(answers), group[owner], groups, blocks), owner
