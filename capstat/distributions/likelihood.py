"""Log-likelihood of interval-censored log thresholds with its first two derivatives."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.distributions.families import Family

__all__ = ["IntervalData", "log_difference", "log_probability", "row_terms", "total_terms"]


@dataclass(frozen=True, slots=True, eq=False)
class IntervalData:
    """Distinct (interval, covariates) rows with their weights.

    Attributes
    ----------
    lower_ma, upper_ma : ndarray, shape (m,)
        Interval (lower, upper] in mA; 0 and inf mark open sides, equality an exact value.
    design : ndarray, shape (m, p)
        Covariates of the location, intercept included.
    weight : ndarray, shape (m,)
        Total weight of the attempts in the row.
    """

    lower_ma: NDArray[np.float64]
    upper_ma: NDArray[np.float64]
    design: NDArray[np.float64]
    weight: NDArray[np.float64]


def log_difference(family: Family, a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    """log(F(b) - F(a)), taken from the side where nothing cancels."""
    upper_side = a > 0
    big = np.where(upper_side, family.log_sf(a), family.log_cdf(b))
    small = np.where(upper_side, family.log_sf(b), family.log_cdf(a))
    ratio = small - big
    with np.errstate(divide="ignore"):
        log1mexp = np.where(ratio > -0.693, np.log(-np.expm1(np.minimum(ratio, 0.0))), np.log1p(-np.exp(ratio)))
    return np.asarray(big + log1mexp)


def log_probability(
    family: Family, a: NDArray[np.float64], b: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """log P(a < e <= b) of the standard error, with the edge terms of its derivatives.

    Parameters
    ----------
    a, b : ndarray
        Standardised bounds of the same shape, a < b, infinite where open.

    Returns
    -------
    value : ndarray
        log(F(b) - F(a)).
    flow, flow_z : ndarray
        (g(b) - g(a)) / P and (b g(b) - a g(a)) / P: minus the derivatives of the value in the location (in
        units of the scale) and in the log scale.
    """
    with np.errstate(invalid="ignore", over="ignore"):
        value = log_difference(family, a, b)
        low, high = _edge_terms(family, a, value), _edge_terms(family, b, value)
    return value, high[0] - low[0], high[1] - low[1]


def row_terms(
    family: Family,
    data: IntervalData,
    parameters: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Log-likelihood of every row, with gradient and Hessian in (location, log sigma).

    Parameters
    ----------
    parameters : ndarray, shape (p + 1,)
        Coefficients of the location and, last, the logarithm of the scale.

    Returns
    -------
    value : ndarray, shape (m,)
        ``log P(lower < T <= upper)``; for an exact row the log density of T on the mA scale.
    gradient : ndarray, shape (m, 2)
        Derivatives in the location and in log sigma.
    hessian : ndarray, shape (m, 3)
        Second derivatives: location-location, location-log sigma, log sigma-log sigma.
    """
    location = data.design @ parameters[:-1]
    sigma = np.exp(parameters[-1])
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        a = (np.log(data.lower_ma) - location) / sigma
        b = (np.log(data.upper_ma) - location) / sigma
    exact = data.lower_ma == data.upper_ma
    value = np.empty(location.size)
    gradient = np.empty((location.size, 2))
    hessian = np.empty((location.size, 3))

    wide = ~exact
    value[wide] = log_difference(family, a[wide], b[wide])
    terms = [_edge_terms(family, z[wide], value[wide]) for z in (a, b)]
    # d/d location of P is -(g(b) - g(a)) / sigma; every derivative is a difference of edge terms.
    flow, flow_z, slope, slope_z, slope_zz = (terms[1][k] - terms[0][k] for k in range(5))
    gradient[wide, 0] = -flow / sigma
    gradient[wide, 1] = -flow_z
    hessian[wide, 0] = (slope - flow**2) / sigma**2
    hessian[wide, 1] = (slope_z + flow - flow * flow_z) / sigma
    hessian[wide, 2] = slope_zz + flow_z - flow_z**2

    if exact.any():
        z = b[exact]
        score, curvature = family.score(z), family.curvature(z)
        value[exact] = family.log_pdf(z) - parameters[-1] - np.log(data.upper_ma[exact])
        gradient[exact, 0] = -score / sigma
        gradient[exact, 1] = -z * score - 1
        hessian[exact, 0] = curvature / sigma**2
        hessian[exact, 1] = (z * curvature + score) / sigma
        hessian[exact, 2] = z * score + z * z * curvature
    return value, gradient, hessian


def _edge_terms(
    family: Family, z: NDArray[np.float64], log_probability: NDArray[np.float64]
) -> tuple[NDArray[np.float64], ...]:
    """g, z g, g', z g' and z^2 g' at one edge, each divided by the probability; zero at an open edge."""
    inner = np.isfinite(z)
    safe = np.where(inner, z, 0.0)
    density = np.where(inner, np.exp(family.log_pdf(safe) - log_probability), 0.0)
    slope = density * np.where(inner, family.score(safe), 0.0)
    return density, safe * density, slope, safe * slope, safe * safe * slope


def total_terms(
    family: Family, data: IntervalData, parameters: NDArray[np.float64]
) -> tuple[float, NDArray[np.float64], NDArray[np.float64]]:
    """Weighted log-likelihood with gradient and Hessian in (coefficients, log sigma)."""
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        value, gradient, hessian = row_terms(family, data, parameters)
        total = float(data.weight @ value)
    p = data.design.shape[1]
    if not np.isfinite(total):
        return -np.inf, np.zeros(p + 1), np.zeros((p + 1, p + 1))
    weighted = data.weight[:, None] * gradient
    slope = np.append(data.design.T @ weighted[:, 0], weighted[:, 1].sum())
    curvature = np.empty((p + 1, p + 1))
    curvature[:p, :p] = (data.design * (data.weight * hessian[:, 0])[:, None]).T @ data.design
    curvature[p, :p] = curvature[:p, p] = data.design.T @ (data.weight * hessian[:, 1])
    curvature[p, p] = float(data.weight @ hessian[:, 2])
    return total, slope, curvature
