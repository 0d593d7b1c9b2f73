"""Which records repeat an earlier one."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from capstat.attempts.raw import NumberColumn

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.attempts.sheet import Sheet

__all__ = ["copies", "repeats"]


def repeats(keys: pd.DataFrame, where: NDArray[np.bool_]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return the positions of records that repeat an earlier one, and the position of that first one.

    Parameters
    ----------
    keys : DataFrame
        Records are the same when all of these columns are; two missing cells are the same.
    where : ndarray of bool
        Records to compare.
    """
    positions = np.flatnonzero(where)
    among = keys.iloc[positions] if len(positions) < len(keys) else keys
    alike = among.duplicated(keep=False).to_numpy()
    positions = positions[alike]
    if not len(positions):
        return positions, positions
    groups = keys.iloc[positions].groupby(list(keys.columns), sort=False, dropna=False, observed=True).ngroup()
    return _later_and_first(positions, groups.to_numpy())


def copies(sheet: Sheet, where: NDArray[np.bool_]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return the positions of rows that hold the same as an earlier one, and the position of that first one.

    Rows are compared as they were read, in every column of the file, also in those that are not used.

    Parameters
    ----------
    sheet : Sheet
        Table with its columns as read.
    where : ndarray of bool
        Rows to compare; all others are taken to be different.
    """
    positions = np.flatnonzero(where)
    groups = np.zeros(len(positions), dtype=np.int64)
    for column in sheet.columns_read:
        cells = column.values if isinstance(column, NumberColumn) else column.codes  # noqa: PD011 - no frame
        codes, _ = pd.factorize(cells[positions])  # -1 where missing
        groups, distinct = pd.factorize(groups * (len(positions) + 1) + codes + 1)
        if len(distinct) == len(positions):
            break
    return _later_and_first(positions, groups)


def _later_and_first(
    positions: NDArray[np.intp], groups: NDArray[np.int64]
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return the records that are not the first of their group, and that first one."""
    _, first, group = np.unique(groups, return_index=True, return_inverse=True)
    firsts = positions[first][group]
    later = firsts != positions
    return positions[later], firsts[later]
