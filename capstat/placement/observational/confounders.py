"""Which declared confounders a study can be adjusted for, and the attempts that have them all."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.distributions.covariates import (
    BEFORE_PLACEMENT,
    Kind,
    check_confounder,
    complete_cases,
    covariate_table,
    read_column,
)
from capstat.placement.unpaired import BODY_SIZE_COLUMNS, body_size_column
from capstat.results import NotEstimableError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from capstat.thresholds import CensoredThresholds

__all__ = [
    "DEFAULT_CONFOUNDERS",
    "CompletePair",
    "choose_confounders",
    "complete_pair",
    "default_confounders",
    "usable_confounders",
]

DEFAULT_CONFOUNDERS = ("age_years", "sex", "body_mass_index", "arrest", "conscious", "setting", "rhythm")
# a confounder is used when most attempts have it and, unless it is a number, a second value occurs this often
ENOUGH_RECORDED, FEWEST_OF_SECOND = 0.6, 10


@dataclass(frozen=True, slots=True, eq=False)
class CompletePair:
    """Attempts with either placement that have all confounders.

    Attributes
    ----------
    first, minus : str
        The placements.
    confounders : tuple of str
        What all attempts have.
    thresholds : CensoredThresholds
        The attempts.
    n_total : int
        Attempts with either placement, complete or not.
    missing : tuple of (str, int)
        For each confounder, attempts in which it is missing.
    """

    first: str
    minus: str
    confounders: tuple[str, ...]
    thresholds: CensoredThresholds
    n_total: int
    missing: tuple[tuple[str, int], ...]


def _either(thresholds: CensoredThresholds, first: str, minus: str) -> CensoredThresholds:
    if first == minus:
        raise UsageError(f"A comparison needs two placements, not '{first}' twice.")
    for name in (first, minus):
        if name not in thresholds.placements:
            raise NotEstimableError(f"There is no attempt with {name} placement.")
    return thresholds.subset(np.isin(thresholds.placement, (first, minus)))


def complete_pair(thresholds: CensoredThresholds, first: str, minus: str, confounders: Sequence[str]) -> CompletePair:
    """Keep the attempts with either placement that have all confounders.

    Raises
    ------
    UsageError
        When a confounder does not exist or is settled only with or after the placement, when the placements are the
        same, or when the attempts already carry weights.
    NotEstimableError
        When no attempt with one of the placements has all confounders.
    """
    pair = _either(thresholds, first, minus)
    if not np.all(pair.weight == 1):
        raise UsageError("These attempts already carry weights, which an adjustment by propensity scores replaces.")
    table = covariate_table(pair)
    for name in confounders:
        check_confounder(table, name)
    complete, missing = complete_cases(pair, confounders)
    used = pair.subset(complete)
    for name in (first, minus):
        if name not in used.placements:
            raise NotEstimableError(f"No attempt with {name} placement has all of {', '.join(confounders)}.")
    return CompletePair(first, minus, tuple(confounders), used, len(pair), missing)


def default_confounders(thresholds: CensoredThresholds) -> tuple[str, ...]:
    """``DEFAULT_CONFOUNDERS`` with the measure of body size that most attempts have."""
    size = body_size_column(thresholds) or BODY_SIZE_COLUMNS[0]
    return tuple(size if name == BODY_SIZE_COLUMNS[0] else name for name in DEFAULT_CONFOUNDERS)


def _unusable(table: pd.DataFrame, name: str) -> str:
    """Say why a confounder cannot be used; empty when it can."""
    if name not in table:
        return "not recorded"
    kind, values = read_column(table[name], name)
    known = values.dropna()
    if len(known) < ENOUGH_RECORDED * len(values):
        return f"recorded in {len(known)} of {len(values)} attempts"
    counts = known.value_counts()
    if len(counts) < 2:
        return f"the same in all {len(known)} attempts that have it"
    if kind is not Kind.LINE and int(counts.iloc[1]) < FEWEST_OF_SECOND:
        return f"'{counts.index[0]}' in all but {len(known) - int(counts.iloc[0])} of {len(known)} attempts"
    return ""


def choose_confounders(
    thresholds: CensoredThresholds, first: str, minus: str, confounders: Sequence[str]
) -> tuple[tuple[str, ...], tuple[tuple[str, str], ...]]:
    """Tell which of the declared confounders can be used: recorded in 60 % of the attempts, and varying.

    Nothing is chosen by how it is associated with placement or threshold.

    Returns
    -------
    used : tuple of str
    dropped : tuple of (str, str)
        The others, with the reason.

    Raises
    ------
    UsageError
        When one is settled only with or after the placement, or is neither recorded nor a field.
    """
    return usable_confounders(covariate_table(_either(thresholds, first, minus)), confounders)


def usable_confounders(
    table: pd.DataFrame, confounders: Sequence[str]
) -> tuple[tuple[str, ...], tuple[tuple[str, str], ...]]:
    """`choose_confounders` for a table with one row for each attempt or patient."""
    used, dropped = [], []
    for name in dict.fromkeys(confounders):
        if name in table or name not in BEFORE_PLACEMENT:
            check_confounder(table, name)
        reason = _unusable(table, name)
        if reason:
            dropped.append((name, reason))
        else:
            used.append(name)
    return tuple(used), tuple(dropped)
