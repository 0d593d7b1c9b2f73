"""Standardised capture curves: what share of these patients would be captured, had all of them had one value.

G-computation (Robins 1986, from memory) on a fitted :class:`CovariateModel`; standard errors by stacked estimating
equations (Stefanski & Boos 2002, from memory), one contribution per patient.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import special
from scipy.optimize import brentq

from capstat.distributions.prediction import log_capture
from capstat.distributions.standard_population import (
    Point,
    Population,
    parameter_influence,
    point_at,
    population,
    standard_error,
)
from capstat.numerics.small_sample import p_from_wald
from capstat.results import Curve, Estimate, UsageError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from capstat.distributions.covariate_model import CovariateModel

__all__ = ["StandardisedCurves", "standardised_curves", "standardised_difference"]

METHOD = (
    "standardised over the patients of the study (g-computation); stacked estimating equations, clustered by patient"
)


@dataclass(frozen=True, slots=True, eq=False)
class StandardisedCurves:
    """Two standardised capture curves and what lies between them.

    Attributes
    ----------
    curves : tuple of Curve
        Share captured with the first and with the second value; limits symmetric on the probit scale.
    difference : Curve
        First minus second, limits symmetric on the identity scale.
    medians : tuple of Estimate
        Current at which each curve reaches 50 %.
    median_ratio : Estimate
        First relative to second.
    """

    curves: tuple[Curve, Curve]
    difference: Curve
    medians: tuple[Estimate, Estimate]
    median_ratio: Estimate


def _share_limits(point: Point, multiplier: float) -> tuple[float, float]:
    error = standard_error(point.influence)
    if error == 0:  # far below or above every threshold
        return point.share, point.share
    density = np.exp(-0.5 * point.probit**2) / np.sqrt(2 * np.pi)
    reach = multiplier * error / density
    return float(special.ndtr(point.probit - reach)), float(special.ndtr(point.probit + reach))


def _difference_limits(first: Point, second: Point, multiplier: float) -> tuple[float, float, float, float]:
    """Difference, its limits and its standard error."""
    value, error = first.share - second.share, standard_error(first.influence - second.influence)
    reach = multiplier * error if error > 0 else 0.0
    return value, max(value - reach, -1.0), min(value + reach, 1.0), error


def _log_median(model: CovariateModel, people: Population) -> float:
    """Log of the current (mA) at which a standardised curve reaches 50 %; infinite when it never does."""
    fit = model.regression
    if people.capturable is not None:
        logit = people.capturable @ fit.capturable_coefficients
        if people.weight @ special.expit(logit) <= 0.5:
            return np.inf

    def excess(log_current: float) -> float:
        current = np.full(people.weight.size, np.exp(log_current))
        log_share, _ = log_capture(fit.family, current, people.design, people.capturable, fit.parameters)
        return float(people.weight @ np.exp(log_share)) - 0.5

    low = high = float(people.weight @ (people.design @ fit.coefficients))
    while excess(low) > 0:
        low -= 1.0
    while excess(high) < 0:
        high += 1.0
    return float(brentq(excess, low, high, xtol=1e-12)) if low < high else low


def _exponentiated(
    model: CovariateModel, log_value: float, influence: NDArray[np.float64], level: float, quantity: str, unit: str,
    direction: str = "",
) -> Estimate:  # fmt: skip
    fit = model.regression
    method = _method(model)
    if np.isinf(log_value):
        return Estimate(
            quantity, None, None, None, level, unit, "log", fit.n_patients, method, direction,
            reason="the model says that no more than 50 % can be captured at any current",
        )  # fmt: skip
    error = standard_error(influence)
    reach = fit.multiplier(level) * error
    with np.errstate(over="ignore"):  # with few patients a limit may be beyond any number
        lower, upper = (float(np.exp(log_value + side * reach)) for side in (-1, 1))
    p_value = p_from_wald(log_value / error, fit.n_captured, fit.coefficients.size) if direction else None
    return Estimate(
        quantity, float(np.exp(log_value)), lower, upper, level, unit, "log", fit.n_patients, method, direction,
        p_value=p_value,
    )  # fmt: skip


def _medians(
    model: CovariateModel, people: tuple[Population, Population], of_parameters: NDArray[np.float64],
    labels: tuple[str, str], level: float,
) -> tuple[tuple[Estimate, Estimate], Estimate]:  # fmt: skip
    logs, influences = [], []
    for group in people:
        log_median = _log_median(model, group)
        logs.append(log_median)
        if np.isinf(log_median):
            influences.append(np.empty(0))
            continue
        point = point_at(model, group, float(np.exp(log_median)), of_parameters)
        influences.append(-point.influence / point.slope)
    first, second = (
        _exponentiated(model, log, influence, level, f"current that captures 50 %, {label}", "mA")
        for log, influence, label in zip(logs, influences, labels, strict=True)
    )
    known = bool(np.isfinite(logs).all())
    ratio = _exponentiated(
        model, logs[0] - logs[1] if known else np.inf, influences[0] - influences[1] if known else np.empty(0), level,
        "ratio of currents that capture 50 %, standardised", "ratio", f"{labels[0]} relative to {labels[1]}",
    )  # fmt: skip
    return (first, second), ratio


def _method(model: CovariateModel) -> str:
    return f"{model.regression.family.name} accelerated threshold model; {METHOD}"


def _labels(variable: str, values: tuple[Any, Any]) -> tuple[str, str]:
    if values[0] == values[1]:
        raise UsageError(f"Two different values of {variable} are needed for a comparison.")
    first, second = (f"{variable} {value}" for value in values)
    return first, second


def _checked(current_ma: ArrayLike) -> NDArray[np.float64]:
    current = np.atleast_1d(np.asarray(current_ma, dtype=float))
    if not (np.isfinite(current) & (current > 0)).all():
        raise UsageError("Standardised curves are computed at finite currents above 0 mA.")
    return current


def standardised_curves(
    model: CovariateModel, variable: str, values: tuple[Any, Any], current_ma: ArrayLike, level: float = 0.95
) -> StandardisedCurves:
    """Share captured if every patient had one value of a covariate, and if every patient had the other.

    The covariate is set for everybody, the other covariates stay as they are, and predictions are averaged within
    each patient (its attempts alike) and then over patients, so that each patient counts once; analysis weights enter
    by the fit only.  The difference has a causal meaning only if the covariates of the model suffice against
    confounding.

    Parameters
    ----------
    model : CovariateModel
        The fit.
    variable : str
        Covariate of the model.
    values : tuple of two
        Numbers, yes/no or levels; contrasts are the first minus (relative to) the second.
    current_ma : array-like, shape (k,)
        Currents in mA, increasing.
    level : float
        Confidence level, pointwise.

    Raises
    ------
    UsageError
        When the model has no such covariate or level, the values are the same, or a current is not above 0 mA.
    """
    current = _checked(current_ma)
    fit = model.regression
    multiplier, labels = fit.multiplier(level), _labels(variable, values)
    influence = parameter_influence(model)
    people = population(model, variable, values[0]), population(model, variable, values[1])
    rows: tuple[list[tuple[float, float, float]], ...] = ([], [], [])
    for at in current:
        points = [point_at(model, group, float(at), influence) for group in people]
        for place, point in enumerate(points):
            rows[place].append((point.share, *_share_limits(point, multiplier)))
        rows[2].append(_difference_limits(points[0], points[1], multiplier)[:3])
    names = (*(f"share captured, {label}" for label in labels), f"difference, {labels[0]} minus {labels[1]}")
    curves = [
        Curve(name, current, value, value, low, high, level, _method(model))
        for name, (value, low, high) in zip(names, (np.array(entry).T for entry in rows), strict=True)
    ]
    medians, ratio = _medians(model, people, influence, labels, level)
    return StandardisedCurves((curves[0], curves[1]), curves[2], medians, ratio)


def standardised_difference(
    model: CovariateModel, variable: str, values: tuple[Any, Any], current_ma: float, level: float = 0.95
) -> Estimate:
    """Difference at one current (mA) of the shares of :func:`standardised_curves`, first minus second."""
    (at,) = _checked(current_ma)
    fit, labels = model.regression, _labels(variable, values)
    influence = parameter_influence(model)
    first, second = (point_at(model, population(model, variable, value), float(at), influence) for value in values)
    value, lower, upper, error = _difference_limits(first, second, fit.multiplier(level))
    return Estimate(
        f"difference of standardised shares captured at {at:g} mA",
        value, lower, upper, level, "proportion", "identity", fit.n_patients, _method(model),
        f"{labels[0]} minus {labels[1]}",
        p_value=p_from_wald(value / error, fit.n_captured, fit.coefficients.size) if error > 0 else None,
    )  # fmt: skip
