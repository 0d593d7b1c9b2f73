"""Which covariates enter a model, and reading them from a study: numbers, yes/no and text."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from capstat.attempts.fields import ATTEMPT_FIELDS, PATIENT_FIELDS
from capstat.results import UsageError

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from capstat.thresholds import CensoredThresholds

__all__ = [
    "BEFORE_PLACEMENT",
    "NOT_A_CONFOUNDER",
    "NOT_BEFORE_PLACEMENT",
    "PLACEMENT",
    "Covariates",
    "Kind",
    "Spline",
    "check_confounder",
    "check_name",
    "complete_cases",
    "covariate_table",
    "read_column",
]

PLACEMENT = "placement"
UNKNOWN_PLACEMENT = "unknown"
# columns that deriving thresholds adds: places in a table, and whether an earlier attempt was made and failed
_TECHNICAL = frozenset({"attempt_row", "first_attempt"})
_DERIVED_BEFORE = frozenset({"body_mass_index"})  # from height and weight
_WHEN = {field.name: field.when for field in (*ATTEMPT_FIELDS, *PATIENT_FIELDS)}

BEFORE_PLACEMENT = frozenset(name for name, when in _WHEN.items() if when == "before") | _DERIVED_BEFORE
# results of the attempt or of its predecessor: in no model of the threshold
NOT_BEFORE_PLACEMENT = frozenset(name for name, when in _WHEN.items() if when == "after") | _TECHNICAL
# chosen with the placement or later (a threshold may be described by them, as by pulse width), or no property of the
# patient: a comparison of placements is not adjusted for them
NOT_A_CONFOUNDER = frozenset(_WHEN) - BEFORE_PLACEMENT | _TECHNICAL


@dataclass(frozen=True, slots=True)
class Spline:
    """A natural cubic spline: linear beyond its boundary.

    Attributes
    ----------
    name : str
        Covariate.
    df : int
        Columns it takes; 2 or more (1 would be a straight line).  The ``df - 1`` inner knots lie at equally spaced
        quantiles of the attempts and the boundary at their range, as in R's ``ns``.
    knots : tuple of float
        Inner knots, in the covariate's unit; when given they replace ``df``.
    boundary : tuple of float, or None
        Boundary knots, to go with ``knots``; the range of the attempts when ``None``.
    """

    name: str
    df: int = 3
    knots: tuple[float, ...] = ()
    boundary: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class Covariates:
    """Which covariates enter a model, and how.

    Attributes
    ----------
    names : tuple of str
        Columns of ``thresholds.covariates``, or ``"placement"``.  Numbers enter as straight lines per unit, yes/no as
        1/0, text as levels against a reference.
    splines : tuple of Spline
        Numeric covariates among ``names`` that enter as splines instead.
    reference : tuple of (str, str)
        Covariate and level that its other levels are compared with; the most frequent level when not given.
    """

    names: tuple[str, ...]
    splines: tuple[Spline, ...] = ()
    reference: tuple[tuple[str, str], ...] = ()


class Kind(Enum):
    """How a covariate enters."""

    LINE = "straight line"
    YES_NO = "yes/no"
    LEVELS = "levels"
    SPLINE = "natural cubic spline"


def covariate_table(thresholds: CensoredThresholds) -> pd.DataFrame:
    """Return what is known of every attempt before the pads are placed, and the placement; unknown is missing."""
    known = [name for name in thresholds.covariates.columns if name not in NOT_BEFORE_PLACEMENT]
    placement = pd.Series(thresholds.placement, dtype=object)
    return thresholds.covariates[known].assign(**{PLACEMENT: placement.where(placement != UNKNOWN_PLACEMENT, None)})


def complete_cases(
    thresholds: CensoredThresholds, names: Iterable[str]
) -> tuple[NDArray[np.bool_], tuple[tuple[str, int], ...]]:
    """Tell which attempts have all covariates.

    Returns
    -------
    complete : ndarray of bool, shape (n,)
    missing : tuple of (str, int)
        For each covariate, attempts in which it is missing; an attempt may lack several.

    Raises
    ------
    UsageError
        When a covariate does not exist, is known only after the pads were placed, or is of an unusable type.
    """
    table = covariate_table(thresholds)
    complete = np.ones(len(table), dtype=bool)
    missing = []
    for name in names:
        check_name(table, name)
        absent = read_column(table[name], name)[1].isna().to_numpy()
        complete &= ~absent
        missing.append((name, int(absent.sum())))
    return complete, tuple(missing)


def check_name(table: pd.DataFrame, name: str) -> None:
    """Refuse a covariate that does not exist or comes after the placement."""
    if name in NOT_BEFORE_PLACEMENT:
        raise UsageError(f"'{name}' is not known before the pads are placed, so nothing may be adjusted for it.")
    if name not in table:
        raise UsageError(f"There is no covariate '{name}'; there are: {', '.join(sorted(map(str, table.columns)))}.")


def check_confounder(table: pd.DataFrame, name: str) -> None:
    """Refuse to adjust a comparison of placements for what is settled only with or after the placement.

    When each field is settled is declared in the table of fields; a column that is no field is taken at the word of
    whoever names it.
    """
    if name in NOT_A_CONFOUNDER:
        accepted = sorted(BEFORE_PLACEMENT.intersection(map(str, table.columns)))
        raise UsageError(
            f"'{name}' is not known before the pads are placed, so a comparison is neither adjusted for it nor split "
            f"by it; accepted are: {', '.join(accepted) or 'none of the recorded fields'}."
        )
    check_name(table, name)


def read_column(column: pd.Series[Any], name: str) -> tuple[Kind, pd.Series[Any]]:
    """Tell how a column can enter, and return its values with everything unusable as missing."""
    plain = column.reset_index(drop=True)
    if isinstance(plain.dtype, pd.CategoricalDtype):
        plain = plain.astype(object)
    if plain.dtype == object:
        plain = plain.convert_dtypes()
    if pd.api.types.is_bool_dtype(plain):
        return Kind.YES_NO, plain.astype("Float64")
    if pd.api.types.is_numeric_dtype(plain):
        values = plain.astype("Float64").to_numpy(dtype=float, na_value=np.nan)
        return Kind.LINE, pd.Series(np.where(np.isfinite(values), values, np.nan))
    if not pd.api.types.is_string_dtype(plain):
        raise UsageError(f"The covariate '{name}' is neither a number nor yes/no nor text.")
    if set(plain.dropna()) == {"yes", "no"}:
        return Kind.YES_NO, plain.map({"yes": 1.0, "no": 0.0}).astype("Float64")
    return Kind.LEVELS, plain.where(plain != "", pd.NA)
