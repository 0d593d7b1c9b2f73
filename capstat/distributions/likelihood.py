"""Log-likelihood of interval-censored log thresholds with its first two derivatives.

``log T = x'b + r``, where the family gives the law of ``r``; optionally a fraction that is never captured, whose
complement has logit ``z'g``.  Parameters are one vector: ``(b, ancillary, g)``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from capstat.distributions.families import CellTerms

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.distributions.families import Family

__all__ = ["IntervalData", "row_scores", "row_terms", "split_parameters", "total_terms", "with_never_captured"]


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
    capturable : ndarray, shape (m, q), or None
        Covariates of the logit of the share that can be captured; ``None`` when everybody can.
    """

    lower_ma: NDArray[np.float64]
    upper_ma: NDArray[np.float64]
    design: NDArray[np.float64]
    weight: NDArray[np.float64]
    capturable: NDArray[np.float64] | None = None


def split_parameters(
    family: Family, data: IntervalData, parameters: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Coefficients of the location, ancillary parameters, coefficients of the capturable share."""
    p = data.design.shape[1]
    k = p + len(family.ancillary_names)
    return parameters[:p], parameters[p:k], parameters[k:]


def row_terms(family: Family, data: IntervalData, parameters: NDArray[np.float64]) -> CellTerms:
    """Log-likelihood of every row with derivatives in (location, ancillary[, logit of the capturable share]).

    An exact row enters by the log density of the threshold on the mA scale.
    """
    coefficients, ancillary, capturable = split_parameters(family, data, parameters)
    location = data.design @ coefficients
    exact = data.lower_ma == data.upper_ma
    a, b = np.log(data.lower_ma) - location, np.log(data.upper_ma) - location
    terms = family.terms(a, b, exact, ancillary)
    terms.value[exact] -= np.log(data.upper_ma[exact])
    if data.capturable is None:
        return terms
    return with_never_captured(terms, np.isinf(data.upper_ma), data.capturable @ capturable)


def with_never_captured(terms: CellTerms, open_above: NDArray[np.bool_], logit: NDArray[np.float64]) -> CellTerms:
    """Mixture of those who can be captured (share ``pi``) and those who cannot (Berkson & Gage 1952; Farewell 1982).

    A row with capture has likelihood ``pi P``, one without ``(1 - pi) + pi S``.  With ``r`` the probability that the
    patient of a row can be captured given what was seen, every derivative is a polynomial in ``r`` and ``pi``.
    """
    m, k = terms.gradient.shape
    log_pi, log_rest = special.log_expit(logit), special.log_expit(-logit)
    value = log_pi + terms.value
    value = np.where(open_above, np.logaddexp(log_rest, value), value)
    r = np.where(open_above, np.exp(log_pi + terms.value - value), 1.0)
    pi = np.exp(log_pi)
    both = r * (1 - r)
    gradient = np.empty((m, k + 1))
    gradient[:, :k] = r[:, None] * terms.gradient
    gradient[:, k] = np.where(open_above, r - pi, np.exp(log_rest))
    hessian = np.empty((m, k + 1, k + 1))
    outer = terms.gradient[:, :, None] * terms.gradient[:, None, :]
    hessian[:, :k, :k] = r[:, None, None] * terms.hessian + both[:, None, None] * outer
    hessian[:, :k, k] = hessian[:, k, :k] = both[:, None] * terms.gradient
    hessian[:, k, k] = both - pi * (1 - pi)
    return CellTerms(value, gradient, hessian)


def total_terms(
    family: Family, data: IntervalData, parameters: NDArray[np.float64]
) -> tuple[float, NDArray[np.float64], NDArray[np.float64]]:
    """Weighted log-likelihood with gradient and Hessian in all parameters."""
    n = parameters.size
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        terms = row_terms(family, data, parameters)
        total = float(data.weight @ terms.value)
    if not np.isfinite(total):
        return -np.inf, np.zeros(n), np.zeros((n, n))
    jacobian = row_jacobian(family, data)
    weighted = data.weight[:, None] * terms.gradient
    slope = np.concatenate([block.T @ weighted[:, [column]] for column, block in jacobian])[:, 0]
    weighted_bend = data.weight[:, None, None] * terms.hessian
    curvature = np.block(
        [[one.T @ (weighted_bend[:, i, j][:, None] * two) for j, two in jacobian] for i, one in jacobian]
    )
    return total, slope, curvature


def row_jacobian(family: Family, data: IntervalData) -> list[tuple[int, NDArray[np.float64]]]:
    """Derivative of each row quantity (location, ancillary, logit) in its own block of parameters."""
    ones = np.ones((data.weight.size, 1))
    blocks = [(0, data.design)]
    blocks += [(1 + i, ones) for i in range(len(family.ancillary_names))]
    if data.capturable is not None:
        blocks.append((1 + len(family.ancillary_names), data.capturable))
    return blocks


def row_scores(family: Family, data: IntervalData, parameters: NDArray[np.float64]) -> NDArray[np.float64]:
    """Gradient of every row's log-likelihood (weight 1) in all parameters, shape (m, n)."""
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        gradient = row_terms(family, data, parameters).gradient
    return np.column_stack([block * gradient[:, [column]] for column, block in row_jacobian(family, data)])
