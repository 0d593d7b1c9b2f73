"""Propensity score: how likely each patient was to get the first placement, given what was known beforehand.

Rosenbaum & Rubin 1983, Biometrika 70:41, from memory.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import optimize, special
from statsmodels.discrete.discrete_model import Logit
from statsmodels.tools.sm_exceptions import PerfectSeparationError

from capstat.distributions.covariates import Covariates, covariate_table
from capstat.distributions.design_matrix import make_design
from capstat.distributions.limits import highest_seen
from capstat.placement.observational.confounders import complete_pair
from capstat.results import NotEstimableError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from capstat.distributions.design_matrix import Design
    from capstat.thresholds import CensoredThresholds

__all__ = ["PropensityModel", "fit_propensity", "refit_scores"]

# with fewer, neither the score nor a standard deviation in a group says anything
FEWEST_IN_GROUP = 5
MOST_ITERATIONS = 40
CONVERGED = 1e-8


@dataclass(frozen=True, slots=True, eq=False)
class PropensityModel:
    """A fitted propensity score and the attempts it rests on.

    Attributes
    ----------
    first, minus : str
        The score is the probability of ``first`` rather than ``minus``.
    confounders : tuple of str
        Covariates in the model.
    names : tuple of str
        Columns of the design, intercept first.
    coefficients : ndarray, shape (p,)
        On the logit scale.
    covariance : ndarray, shape (p, p)
        Of the coefficients; clustered by patient when patients have several attempts.
    design : ndarray, shape (n, p)
        Numbers as they are, yes/no as 1/0, levels against the most frequent one.
    score : ndarray, shape (n,)
        Strictly between 0 and 1.
    is_first : ndarray of bool, shape (n,)
        Whether an attempt had the first placement.
    thresholds : CensoredThresholds
        The attempts with all confounders.
    n_complete, n_total : int
        Attempts with all confounders, and all attempts with either placement.
    missing : tuple of (str, int)
        For each confounder, attempts in which it is missing.
    method : str
        How it was fitted.
    """

    first: str
    minus: str
    confounders: tuple[str, ...]
    names: tuple[str, ...]
    coefficients: NDArray[np.float64]
    covariance: NDArray[np.float64]
    design: NDArray[np.float64]
    score: NDArray[np.float64]
    is_first: NDArray[np.bool_]
    thresholds: CensoredThresholds
    n_complete: int
    n_total: int
    missing: tuple[tuple[str, int], ...]
    method: str

    @property
    def highest_shared_ma(self) -> float:
        """Highest current (mA) that was seen to capture or not to capture in both groups.

        Raises
        ------
        NotEstimableError
            When there is none.
        """
        top = min(highest_seen(self.thresholds.subset(own)) for own in (self.is_first, ~self.is_first))
        if not top > 0:
            raise NotEstimableError("With one of the placements no attempt says of any current whether it captures.")
        return top


def fit_propensity(
    thresholds: CensoredThresholds, first: str, minus: str, confounders: Sequence[str]
) -> PropensityModel:
    """Fit the propensity score by logistic regression on the attempts that have all confounders.

    Parameters
    ----------
    thresholds : CensoredThresholds
        Attempts; other placements are ignored.
    first, minus : str
        The two placements.
    confounders : sequence of str
        Covariates settled before the pads are placed; main effects only.

    Raises
    ------
    UsageError
        When a confounder does not exist or is settled only with or after the placement.
    NotEstimableError
        When fewer than 5 attempts with one of the placements have all confounders, when some confounders tell the
        placement without error (separation), or when they follow from one another.
    """
    pair = complete_pair(thresholds, first, minus, confounders)
    used = pair.thresholds
    for name in (first, minus):
        count = int((used.placement == name).sum())
        if count < FEWEST_IN_GROUP:
            raise NotEstimableError(
                f"A propensity score needs at least {FEWEST_IN_GROUP} attempts with each placement that have all "
                f"confounders; there are {count} with {name}."
            )
    recipe = make_design(used, Covariates(pair.confounders))
    design = recipe.matrix(covariate_table(used))
    if np.linalg.matrix_rank(design / np.abs(design).max(axis=0)) < design.shape[1]:
        raise NotEstimableError(f"Of {', '.join(confounders)}, one follows from the others in these attempts.")
    is_first = used.placement == first
    coefficients, covariance = _logistic(design, is_first, used, recipe)
    how = "clustered by patient" if used.clustered else "observed information"
    return PropensityModel(
        first, minus, pair.confounders, recipe.names, coefficients, covariance, design,
        special.expit(design @ coefficients), is_first, used, len(used), pair.n_total, pair.missing,
        f"logistic regression, main effects; {how}",
    )  # fmt: skip


def _logistic(
    design: NDArray[np.float64], is_first: NDArray[np.bool_], used: CensoredThresholds, recipe: Design
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    kind = {"cov_type": "cluster", "cov_kwds": {"groups": used.patient}} if used.clustered else {}
    scale = np.abs(design).max(axis=0)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # what they warn of is looked at below
        try:
            fit = Logit(is_first.astype(float), design / scale).fit(disp=0, maxiter=MOST_ITERATIONS, **kind)
            converged = bool(fit.mle_retvals["converged"])
        except (PerfectSeparationError, np.linalg.LinAlgError):
            converged = False
    if not converged:
        raise NotEstimableError(_why_not(design, is_first, recipe))
    return np.asarray(fit.params) / scale, np.asarray(fit.cov_params()) / np.outer(scale, scale)


def _why_not(design: NDArray[np.float64], is_first: NDArray[np.bool_], recipe: Design) -> str:
    """Name the confounder that tells the placement without error."""
    for term in recipe.terms:
        columns = np.column_stack((design[:, :1], design[:, term.columns]))
        if _separates(columns, is_first):
            return (
                f"For some values of '{term.name}' only one of the placements was ever used, so its propensity score "
                "has no estimate and these patients have nobody to be compared with."
            )
    names = ", ".join(term.name for term in recipe.terms)
    if _separates(design, is_first):
        return f"Some combination of {names} occurs with one of the placements only, so the score has no estimate."
    return f"The propensity score on {names} did not converge."


def _separates(design: NDArray[np.float64], is_first: NDArray[np.bool_]) -> bool:
    """Whether a linear score orders the groups without overlap (Albert & Anderson 1984; as a linear program Konis 2007;
    both from memory).
    """
    signed = np.where(is_first, 1.0, -1.0)[:, None] * design / np.abs(design).max(axis=0)
    signed = np.unique(signed, axis=0)
    found = optimize.linprog(-signed.sum(axis=0), A_ub=-signed, b_ub=np.zeros(len(signed)), bounds=(-1, 1))
    return found.fun is not None and bool(found.fun < -1e-6)


def refit_scores(model: PropensityModel, weight: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Refit the score to many weightings of the attempts at once, by Newton's method.

    Parameters
    ----------
    model : PropensityModel
        Where the iterations start.
    weight : ndarray, shape (B, n)
        How often every attempt counts.

    Returns
    -------
    score : ndarray, shape (B, n)
    converged : ndarray of bool, shape (B,)
        False where a weighting has no finite estimate (separation).
    """
    scale = np.abs(model.design).max(axis=0)
    design = model.design / scale
    n, p = design.shape
    products = (design[:, :, None] * design[:, None, :]).reshape(n, p * p)
    response = model.is_first.astype(float)
    beta = np.tile(model.coefficients * scale, (len(weight), 1))
    converged = np.zeros(len(weight), dtype=bool)
    ridge = 1e-10 * np.eye(p)  # a separated replicate has a singular matrix; it is then told by its steps
    for _ in range(MOST_ITERATIONS):
        score = special.expit(beta @ design.T)
        gradient = (weight * (response - score)) @ design
        information = ((weight * score * (1 - score)) @ products).reshape(-1, p, p)
        step = np.linalg.solve(information + ridge, gradient[:, :, None])[:, :, 0]
        beta += np.clip(step, -5.0, 5.0)
        converged = np.abs(step).max(axis=1) < CONVERGED
        if converged.all():
            break
    return special.expit(beta @ design.T), converged
