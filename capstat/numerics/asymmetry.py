"""Regression tests of funnel asymmetry: do small studies show other values than large ones?

Asymmetry has many causes besides unpublished studies: heterogeneity, chance, a variance that hangs on the value.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import statsmodels.api as sm

from capstat.numerics.two_by_two_effects import checked_tables, table_values
from capstat.numerics.weighted_studies import checked_studies, interval_and_p
from capstat.results import NotEstimableError

if TYPE_CHECKING:
    from numpy.typing import NDArray


__all__ = ["FEW_STUDIES", "Asymmetry", "egger", "peters"]

FEW_STUDIES = 10


@dataclass(frozen=True, slots=True)
class Asymmetry:
    """Result of a regression test of funnel asymmetry.

    Attributes
    ----------
    slope, slope_se : float
        Change of the value with the predictor (for Egger's test: the intercept of ``y/se`` on ``1/se``); 0 when the
        funnel is symmetric.
    statistic, df, p_value : float
        Slope over its standard error, its degrees of freedom (infinite for normal), two-sided p-value.
    limit, limit_lower, limit_upper : float
        Value where the predictor is 0 (a study without sampling error, or of infinite size), with limits.
    level : float
        Confidence level of these.
    predictor : str
        What the values were regressed on.
    k : int
        Studies used.
    too_few : bool
        Fewer than ten.
    notes : tuple of str
        What a reader must know.
    method : str
        Test by its name.
    """

    slope: float
    slope_se: float
    statistic: float
    df: float
    p_value: float
    limit: float
    limit_lower: float
    limit_upper: float
    level: float
    predictor: str
    k: int
    too_few: bool
    notes: tuple[str, ...]
    method: str


def _check_predictor(x: NDArray[np.float64], name: str) -> None:
    if x.size < 3:
        raise NotEstimableError(f"A regression on the {name} needs three studies; there are {x.size}.")
    if np.ptp(x) <= 1e-12 * x.max():
        raise NotEstimableError(f"All studies have the same {name}: asymmetry cannot be seen.")


def _result(
    coefficients: Any, se: Any, df: float, level: float, predictor: str, k: int, notes: tuple[str, ...], method: str
) -> Asymmetry:
    lower, upper, p = interval_and_p(np.asarray(coefficients), np.asarray(se), df, level)
    few = k < FEW_STUDIES
    power = (f"Fewer than {FEW_STUDIES} studies: the test can hardly tell chance from asymmetry.",) if few else ()
    return Asymmetry(
        slope=float(coefficients[1]),
        slope_se=float(se[1]),
        statistic=float(coefficients[1] / se[1]),
        df=df,
        p_value=float(p[1]),
        limit=float(coefficients[0]),
        limit_lower=float(lower[0]),
        limit_upper=float(upper[0]),
        level=level,
        predictor=predictor,
        k=k,
        too_few=few,
        notes=power + notes,
        method=method,
    )


def _least_squares(
    y: NDArray[np.float64],
    x: NDArray[np.float64],
    weights: NDArray[np.float64],
    level: float,
    predictor: str,
    notes: tuple[str, ...],
    method: str,
) -> Asymmetry:
    """Weighted least squares with the dispersion estimated, t with k - 2 degrees of freedom (statsmodels)."""
    _check_predictor(x, predictor)
    fit = sm.WLS(y, np.column_stack([np.ones(x.size), x]), weights=weights).fit()
    if fit.scale <= 1e-24 * float((weights * y**2).max()):
        raise NotEstimableError("The studies lie exactly on a line: the test has no standard error.")
    return _result(fit.params, fit.bse, float(x.size - 2), level, predictor, x.size, notes, method)


def egger(yi: Any, vi: Any, *, level: float = 0.95) -> Asymmetry:
    """Egger's test (Egger et al. 1997, BMJ 315:629): ``y/se`` on ``1/se``, t with k - 2 degrees of freedom.

    The same as the values on their standard errors with weights ``1/v``; the dispersion is estimated, also below 1.
    Do not use it for log odds ratios, whose variance hangs on their value (:func:`peters`).

    Raises
    ------
    UsageError
        When ``yi`` and ``vi`` are not as described in :func:`capstat.numerics.random_effects.pool`.
    NotEstimableError
        With fewer than three studies, or when all standard errors are alike, or all values lie on one line.
    """
    y, v = checked_studies(yi, vi)
    return _least_squares(y, np.sqrt(v), 1 / v, level, "standard error", (), "Egger's test, dispersion estimated")


def peters(events_1: Any, total_1: Any, events_2: Any, total_2: Any, *, level: float = 0.95) -> Asymmetry:
    """Peters' test for ratios of binary outcomes (Peters et al. 2006, JAMA 295:676, from memory).

    The log odds ratio is regressed on ``1/n`` with weights ``1/(1/events + 1/no events)``, both counted over the two
    groups, so that neither predictor nor weight hangs on the odds ratio; t with k - 2 degrees of freedom.

    Parameters
    ----------
    events_1, total_1, events_2, total_2 : array-like of int, shape (k,)
        Events and group sizes; studies in which everybody had the same outcome are left out.

    Raises
    ------
    UsageError
        When counts are impossible.
    NotEstimableError
        As :func:`egger`.
    """
    values = table_values(events_1, total_1, events_2, total_2, measure="OR")
    tables = checked_tables(events_1, total_1, events_2, total_2)
    use = values.included
    events, none = (tables.a + tables.c)[use], (tables.b + tables.d)[use]
    left = int((~use).sum())
    notes = (f"{left} of {use.size} studies left out: everybody in them had the same outcome.",) if left else ()
    return _least_squares(
        values.yi, 1 / (events + none), 1 / (1 / events + 1 / none), level, "inverse of the size", notes, "Peters' test"
    )
