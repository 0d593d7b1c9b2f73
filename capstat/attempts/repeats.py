"""Which records repeat an earlier one."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

__all__ = ["repeats"]


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
    _, first, group = np.unique(groups.to_numpy(), return_index=True, return_inverse=True)
    firsts = positions[first][group]
    later = firsts != positions
    return positions[later], firsts[later]
