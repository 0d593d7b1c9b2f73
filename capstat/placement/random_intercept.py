"""Thresholds of several attempts in one patient: a random patient effect on log current.

``log T_ij = x_ij'b + u_i + e_ij`` with ``u ~ N(0, su^2)``, ``e ~ N(0, s^2)`` and every threshold censored in its
own way (Hughes 1999; Vaida & Liu 2009).  A patient captured by neither placement contributes
``P(T_1 > m, T_2 > m)`` and stays in.

Any number of attempts in a patient; for the two of a comparison :mod:`capstat.placement.pair_fit` is far quicker.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import optimize

from capstat.distributions.families import LOGNORMAL, NORMAL, log_difference, log_probability
from capstat.distributions.regression import fit_regression
from capstat.numerics.quadrature import log_concave_nodes
from capstat.results import NotEstimableError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.thresholds import CensoredThresholds

__all__ = ["RandomInterceptFit", "RandomInterceptLikelihood", "fit_random_intercept"]

# spreads below exp(-6) = 0.25 % of the current are called zero
LOG_SPREAD_FLOOR = -6.0


@dataclass(frozen=True, slots=True, eq=False)
class RandomInterceptLikelihood:
    """Marginal log-likelihood of patients grouped by equal records.

    Attributes
    ----------
    log_lower, log_upper : ndarray, shape (g, j)
        Logarithms of the bounds; an absent attempt has an infinite interval and contributes nothing.
    design : ndarray, shape (g, j, p)
        Covariates of every attempt; zero for absent ones.
    count : ndarray, shape (g,)
        Patients with each record.
    """

    log_lower: NDArray[np.float64]
    log_upper: NDArray[np.float64]
    design: NDArray[np.float64]
    count: NDArray[np.float64]

    @classmethod
    def from_thresholds(cls, thresholds: CensoredThresholds, design: NDArray[np.float64]) -> RandomInterceptLikelihood:
        """Group patients whose intervals and covariates are all equal."""
        order = np.lexsort((thresholds.upper_ma, thresholds.lower_ma, *design.T[::-1], thresholds.patient))
        patient, _ = pd.factorize(thresholds.patient[order])
        sizes = np.bincount(patient)
        position = np.arange(order.size) - np.repeat(np.concatenate(([0], np.cumsum(sizes)[:-1])), sizes)
        g, j, p = sizes.size, int(sizes.max()), design.shape[1]
        records = np.zeros((g, j, p + 2))
        records[:, :, 0], records[:, :, 1] = -np.inf, np.inf
        with np.errstate(divide="ignore"):
            records[patient, position, 0] = np.log(thresholds.lower_ma[order])
            records[patient, position, 1] = np.log(thresholds.upper_ma[order])
        records[patient, position, 2:] = design[order]
        flat, count = np.unique(records.reshape(g, -1), axis=0, return_counts=True)
        distinct = flat.reshape(-1, j, p + 2)
        return cls(distinct[:, :, 0], distinct[:, :, 1], distinct[:, :, 2:], count.astype(float))

    def value_and_gradient(self, parameters: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        """Log-likelihood and gradient in (b, log s, log su)."""
        location = self.design @ parameters[:-2]
        s, su = np.exp(parameters[-2:])
        g, j = location.shape
        low, high = (self.log_lower - location)[:, :, None] / s, (self.log_upper - location)[:, :, None] / s
        pull = su / s

        def terms(
            v: NDArray[np.float64],
        ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
            shift = pull * v[:, None, :]
            return log_probability(NORMAL, low - shift, high - shift)

        def log_integrand(v: NDArray[np.float64]) -> NDArray[np.float64]:
            shift = pull * v[:, None, :]
            with np.errstate(invalid="ignore"):
                value = log_difference(NORMAL, low - shift, high - shift)
            return np.asarray(value.sum(axis=1) - 0.5 * v * v)

        def slope(v: NDArray[np.float64]) -> NDArray[np.float64]:
            return np.asarray(-pull * terms(v)[1].sum(axis=1) - v)

        v, weight = log_concave_nodes(log_integrand, slope, 1 + j * pull**2, g)
        value, flow, flow_z = terms(v)
        exponent = value.sum(axis=1) - 0.5 * v * v
        top = exponent.max(axis=1, keepdims=True)
        dense = weight * np.exp(exponent - top)
        integral = dense.sum(axis=1)
        total = float(self.count @ (np.log(integral) + top[:, 0] - 0.5 * np.log(2 * np.pi)))

        posterior = (self.count / integral)[:, None] * dense
        by_attempt = np.einsum("gq,gjq->gj", posterior, flow) / s
        gradient = np.empty(parameters.size)
        gradient[:-2] = -np.einsum("gj,gjp->p", by_attempt, self.design)
        gradient[-2] = -np.einsum("gq,gjq->", posterior, flow_z)
        gradient[-1] = -pull * np.einsum("gq,gjq->", posterior * v, flow)
        return total, gradient


@dataclass(frozen=True, slots=True, eq=False)
class RandomInterceptFit:
    """Maximum likelihood fit of the random-intercept model.

    Attributes
    ----------
    names : tuple of str
        Columns of the design.
    coefficients : ndarray, shape (p,)
        On the log scale.
    within_sd, between_sd : float
        Standard deviations of log threshold within (``s``) and between patients (``su``).
    covariance : ndarray, shape (p, p)
        Of the coefficients, from the observed information.
    log_likelihood : float
        Maximum.
    boundary : str
        Words when a spread was estimated as zero; empty otherwise.
    n, n_patients : int
        Attempts and patients.
    """

    names: tuple[str, ...]
    coefficients: NDArray[np.float64]
    within_sd: float
    between_sd: float
    covariance: NDArray[np.float64]
    log_likelihood: float
    boundary: str
    n: int
    n_patients: int

    @property
    def correlation(self) -> float:
        """Correlation of two log thresholds of one patient."""
        return self.between_sd**2 / (self.between_sd**2 + self.within_sd**2)


def _maximise(likelihood: RandomInterceptLikelihood, start: NDArray[np.float64]) -> tuple[NDArray[np.float64], float]:
    scale = float(likelihood.count.sum())

    def negative(x: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        value, gradient = likelihood.value_and_gradient(x)
        return -value / scale, -gradient / scale

    bounds = [(None, None)] * (start.size - 2) + [(LOG_SPREAD_FLOOR, 4.0)] * 2
    best = optimize.minimize(
        negative,
        start,
        jac=True,
        method="L-BFGS-B",
        bounds=bounds,
        options={"ftol": 1e-14, "gtol": 1e-8, "maxiter": 500},
    )
    return np.asarray(best.x), -float(best.fun) * scale


def _information(likelihood: RandomInterceptLikelihood, at: NDArray[np.float64]) -> NDArray[np.float64]:
    """Observed information by central differences of the exact gradient."""
    step = 1e-4
    columns = []
    for i in range(at.size):
        shift = np.zeros_like(at)
        shift[i] = step
        up = likelihood.value_and_gradient(at + shift)[1]
        down = likelihood.value_and_gradient(at - shift)[1]
        columns.append((down - up) / (2 * step))
    matrix = np.array(columns)
    return (matrix + matrix.T) / 2


def fit_random_intercept(
    thresholds: CensoredThresholds, design: NDArray[np.float64], names: tuple[str, ...]
) -> RandomInterceptFit:
    """Fit the random-intercept model by exact marginal maximum likelihood.

    Parameters
    ----------
    thresholds : CensoredThresholds
        Attempts of patients, with weights of 1.
    design : ndarray, shape (n, p)
        Covariates without missing values, intercept included.
    names : tuple of str
        Names of the columns.

    Returns
    -------
    RandomInterceptFit

    Raises
    ------
    NotEstimableError
        When a coefficient has no finite estimate, or no patient has two attempts.
    ValueError
        When the thresholds carry weights.
    """
    if not np.all(thresholds.weight == 1):
        raise ValueError("The random-intercept model takes no weights.")
    if not thresholds.clustered:
        raise NotEstimableError("No patient has more than one attempt, so a patient effect cannot be estimated.")
    likelihood = RandomInterceptLikelihood.from_thresholds(thresholds, np.asarray(design, dtype=float))
    naive = fit_regression(thresholds, design, names, family=LOGNORMAL)
    spread = naive.log_sigma - 0.35
    optimum, value = _maximise(likelihood, np.concatenate((naive.coefficients, [spread, spread])))
    on_floor = optimum[-2:] <= LOG_SPREAD_FLOOR + 1e-6
    boundary = ""
    if on_floor[0]:
        boundary = "the spread within patients was estimated as zero: the current steps are too coarse to show it"
    elif on_floor[1]:
        boundary = "the spread between patients was estimated as zero: attempts of one patient are no more alike"
    inner = np.append(np.ones(design.shape[1], dtype=bool), ~on_floor)
    information = _information(likelihood, optimum)[np.ix_(inner, inner)]
    eigenvalues = np.linalg.eigvalsh(information)
    if eigenvalues[0] <= 1e-8 * eigenvalues[-1]:
        raise NotEstimableError("The likelihood of the random-intercept model is flat: the data do not determine it.")
    p = design.shape[1]
    return RandomInterceptFit(
        names, optimum[:p], float(np.exp(optimum[-2])), float(np.exp(optimum[-1])),
        np.linalg.inv(information)[:p, :p], value, boundary,
        len(thresholds), thresholds.n_patients,
    )  # fmt: skip
