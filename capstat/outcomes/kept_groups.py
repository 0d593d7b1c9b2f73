"""Groups of episodes by any column with named values."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from capstat.distributions.covariates import NOT_BEFORE_PLACEMENT, PLACEMENT, Kind, read_column
from capstat.results import UsageError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["compared_groups", "group_names"]

_UNKNOWN = "unknown"
_MOST_VALUES = 12


def group_names(table: pd.DataFrame, by: str) -> NDArray[np.object_]:
    """Name of the group of each row, shape (n,); ``None`` where it is not recorded.

    Raises
    ------
    UsageError
        When there is no such column, it comes after pacing began, holds numbers, or has one value or very many.  The
        placement may have one value.
    """
    if by not in table:
        raise UsageError(f"There is no column '{by}' to compare by.")
    if by in NOT_BEFORE_PLACEMENT:
        raise UsageError(f"'{by}' is known only after pacing began, so capture is not compared by it.")
    kind, values = read_column(table[by], by)
    if kind is Kind.LINE:
        raise UsageError(f"'{by}' holds numbers, and groups need named values.")
    names = values.map({1.0: "yes", 0.0: "no"}) if kind is Kind.YES_NO else values
    names = names.astype(object).where(names.notna().to_numpy(), None)
    names = names.where(names.ne(_UNKNOWN).to_numpy(), None)
    number = names.nunique()
    if number > _MOST_VALUES or (number < 2 and by != PLACEMENT):
        recorded = "1 recorded value" if number == 1 else f"{number} recorded values"
        raise UsageError(f"'{by}' has {recorded}; groups need 2 to {_MOST_VALUES}.")
    return names.to_numpy(dtype=object)


def compared_groups(names: NDArray[np.object_]) -> tuple[str, str] | None:
    """Which two are compared, first against second: yes with no, else the two with most rows; ``None`` without two."""
    counts = pd.Series(names, dtype=object).dropna().value_counts()
    ranked = sorted(map(str, counts.index), key=lambda name: (-int(counts[name]), name))
    if len(ranked) < 2:
        return None
    return ("yes", "no") if set(ranked) == {"yes", "no"} else (ranked[0], ranked[1])
