"""Common value of several two-by-two tables from their counts: Mantel-Haenszel, zeros not corrected."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from statsmodels.stats.contingency_tables import StratifiedTable

from capstat.numerics.two_by_two_effects import Measure, Tables, checked_tables
from capstat.numerics.weighted_studies import interval_and_p
from capstat.results import NotEstimableError, UsageError

__all__ = [
    "CommonValue",
    "mantel_haenszel",
]


@dataclass(frozen=True, slots=True)
class CommonValue:
    """A value that all tables are taken to share, first group against second.

    Attributes
    ----------
    measure : str
        ``"RR"``, ``"OR"`` or ``"RD"``.
    value, se, lower, upper : float
        On the log scale for ratios; normal limits.
    level : float
        Confidence level.
    p_value : float
        Two-sided, by the value over its standard error.
    k : int
        Studies.
    k_informative : int
        Studies that weigh in: for odds ratios those with both outcomes, for risk ratios those with an event.
    method : str
        Estimator and variance.
    """

    measure: Measure
    value: float
    se: float
    lower: float
    upper: float
    level: float
    p_value: float
    k: int
    k_informative: int
    method: str


def _odds_ratio(tables: Tables) -> tuple[float, float]:
    total = tables.a + tables.b + tables.c + tables.d
    if min((tables.a * tables.d / total).sum(), (tables.b * tables.c / total).sum()) == 0:
        raise NotEstimableError(
            "The Mantel-Haenszel odds ratio is zero or infinite: the tables have zeros in one diagonal."
        )
    strata = StratifiedTable(np.array([[tables.a, tables.b], [tables.c, tables.d]]))
    return float(strata.logodds_pooled), float(strata.logodds_pooled_se)


def _risk_ratio(tables: Tables) -> tuple[float, float]:
    a, c = tables.a, tables.c
    n1, n2 = a + tables.b, c + tables.d
    n = n1 + n2
    if min(a.sum(), c.sum()) == 0:
        raise NotEstimableError(
            "The Mantel-Haenszel risk ratio is zero or infinite: one group has no event in any study."
        )
    r, s = (a * n2 / n).sum(), (c * n1 / n).sum()
    variance = (((a + c) * n1 * n2 - a * c * n) / n**2).sum() / (r * s)
    if variance <= 0:
        raise NotEstimableError("Everybody had the event in both groups of every study: a ratio has no variance.")
    return float(np.log(r / s)), float(np.sqrt(variance))


def _risk_difference(tables: Tables) -> tuple[float, float]:
    a, b, c, d = tables.a, tables.b, tables.c, tables.d
    n1, n2 = a + b, c + d
    n = n1 + n2
    size = float((n1 * n2 / n).sum())
    value = float(((a * n2 - c * n1) / n).sum()) / size
    first = ((c * n1**2 - a * n2**2 + n1 * n2 * (n2 - n1) / 2) / n**2).sum()
    second = ((a * d + c * b) / n).sum() / 2
    variance = (value * first + second) / size**2
    if variance <= 0:
        raise NotEstimableError("No study has both outcomes in a way that gives a risk difference a variance.")
    return value, float(np.sqrt(variance))


ROUTES = {
    "OR": (_odds_ratio, "variance of Robins, Breslow and Greenland (1986)"),
    "RR": (_risk_ratio, "variance of Greenland and Robins (1985)"),
    "RD": (_risk_difference, "variance of Sato (1989)"),
}


def mantel_haenszel(
    events_1: Any, total_1: Any, events_2: Any, total_2: Any, *, measure: Measure, level: float = 0.95
) -> CommonValue:
    """Mantel-Haenszel estimate of a common value from uncorrected counts.

    Mantel & Haenszel (1959); variances of Robins, Breslow & Greenland (1986) for the log odds ratio (statsmodels),
    Greenland & Robins (1985) for the log risk ratio, Sato (1989) for the risk difference (all from memory; the formulas
    agree with the R package metafor).  Studies without an event in either group add nothing to ratios; those in which
    everybody had the event add nothing to the odds ratio, and draw the risk ratio towards 1.

    Parameters
    ----------
    events_1, total_1, events_2, total_2 : array-like of int, shape (k,)
        Events and group sizes.
    measure : {"RR", "OR", "RD"}
        Which value.
    level : float
        Confidence level.

    Raises
    ------
    UsageError
        When counts are impossible or the measure is unknown.
    NotEstimableError
        When a ratio would be zero or infinite, or there is no variance.
    """
    if measure not in ROUTES:
        raise UsageError(f"measure is 'RR', 'OR' or 'RD', not {measure!r}.")
    tables = checked_tables(events_1, total_1, events_2, total_2)
    route, words = ROUTES[measure]
    value, se = route(tables)
    weighs = {
        "OR": ~tables.no_contrast,
        "RR": tables.a + tables.c > 0,
        "RD": np.ones(tables.a.size, dtype=bool),
    }[measure]
    method = f"Mantel-Haenszel, {words}, no correction"
    return _common(measure, value, se, level, tables.a.size, int(weighs.sum()), method)


def _common(
    measure: Measure, value: float, se: float, level: float, k: int, informative: int, method: str
) -> CommonValue:
    lower, upper, p = interval_and_p(value, se, np.inf, level)
    return CommonValue(measure, value, se, float(lower), float(upper), level, float(p), k, informative, method)
