"""Groups other than the placement: any column with named values takes its place in a comparison."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from capstat.distributions.covariates import NOT_BEFORE_PLACEMENT, PLACEMENT, Kind, read_column
from capstat.results import UsageError

if TYPE_CHECKING:
    from capstat.thresholds import CensoredThresholds

__all__ = ["PADS", "compared_values", "grouped_by"]

# name under which the placement stays available as a covariate when something else is compared
PADS = "pad_placement"
MOST_VALUES = 12


def grouped_by(thresholds: CensoredThresholds, column: str) -> CensoredThresholds:
    """Put the values of a column in the place of the placement; attempts without a value are left out.

    The placement itself becomes the covariate ``pad_placement``.

    Parameters
    ----------
    thresholds : CensoredThresholds
        Attempts.
    column : str
        Column with named values (text or yes/no), or ``"placement"``, which changes nothing.

    Raises
    ------
    UsageError
        When there is no such column, it holds numbers, or it has a single value or very many.
    """
    if column == PLACEMENT:
        return thresholds
    table = thresholds.covariates
    if column not in table:
        raise UsageError(f"There is no column '{column}' to compare by; there are: {', '.join(_named_columns(table))}.")
    if column in NOT_BEFORE_PLACEMENT:
        raise UsageError(f"'{column}' comes after the placement, so thresholds are not compared by it.")
    kind, values = read_column(table[column], column)
    if kind is Kind.LINE:
        raise UsageError(f"'{column}' holds numbers, and groups need named values; a number belongs into --modifiers.")
    known_rows = ~values.isna().to_numpy()
    names = values[known_rows].map({1.0: "yes", 0.0: "no"}) if kind is Kind.YES_NO else values[known_rows].astype(str)
    distinct = pd.unique(names)
    if not 2 <= len(distinct) <= MOST_VALUES:
        number = "1 recorded value" if len(distinct) == 1 else f"{len(distinct)} recorded values"
        raise UsageError(f"'{column}' has {number}; a comparison needs 2 to {MOST_VALUES}.")
    kept = thresholds.subset(known_rows)
    pads = pd.Series(kept.placement.astype(object)).replace("unknown", None)
    return replace(
        kept,
        placement=np.asarray(names, dtype=np.str_),
        covariates=kept.covariates.drop(columns=column).assign(**{PADS: pads.to_numpy()}),
    )


def _named_columns(table: pd.DataFrame) -> list[str]:
    """The placement and every column of named values that varies and is not a consequence."""
    usable = [PLACEMENT]
    for name in map(str, table.columns):
        kind, values = read_column(table[name], name)
        if name not in NOT_BEFORE_PLACEMENT and kind is not Kind.LINE and len(pd.unique(values.dropna())) > 1:
            usable.append(name)
    return usable


def compared_values(thresholds: CensoredThresholds, first: str | None, minus: str | None) -> tuple[str, str]:
    """Which two groups are compared: those asked for; else yes with no, or the two with most attempts.

    Raises
    ------
    UsageError
        When a value does not occur.
    """
    present = list(thresholds.placements)
    for value in (first, minus):
        if value is not None and value not in present:
            raise UsageError(f"There is no attempt with '{value}'; the values are: {', '.join(present)}.")
    if set(present) == {"yes", "no"} and first is None and minus is None:
        return "yes", "no"
    counts = pd.Series(thresholds.placement).value_counts(sort=True)
    # the same counts in a fixed order, so that a tie is always broken alike
    ranked = sorted(counts.index, key=lambda name: (-int(counts[name]), str(name)))
    left = [str(name) for name in ranked if name not in (first, minus)]
    one = first if first is not None else left.pop(0)
    return one, minus if minus is not None else left.pop(0)
