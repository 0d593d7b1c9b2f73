"""Logistic model of an outcome on the group and declared confounders."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.distributions.covariates import Covariates
from capstat.distributions.design_matrix import design_of_table
from capstat.numerics.firth import firth_logistic
from capstat.results import Estimate, NotEstimableError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.numerics.firth import FirthFit
    from capstat.outcomes.outcome_data import CompleteOutcome, OutcomeData

__all__ = ["OutcomeModel", "fit_outcome_model"]

GROUP_COLUMN = 1


@dataclass(frozen=True, slots=True, eq=False)
class OutcomeModel:
    """A fitted model.

    Attributes
    ----------
    fit : FirthFit
        Columns: intercept, group (1 for the first), confounders.
    design : ndarray, shape (m, p)
        Of the patients with everything.
    complete : CompleteOutcome
        These patients.
    rows : tuple of Estimate
        An odds ratio for the group and for each column of the confounders.
    """

    fit: FirthFit
    design: NDArray[np.float64]
    complete: CompleteOutcome
    rows: tuple[Estimate, ...]


def confounder_design(complete: CompleteOutcome) -> tuple[NDArray[np.float64], tuple[str, ...]]:
    """Model matrix (m, q) of intercept and confounders, and the names of its columns.

    Numbers enter as straight lines, yes/no as 1/0, text as levels against the most frequent one.

    Raises
    ------
    NotEstimableError
        When a confounder has one level only.
    """
    recipe = design_of_table(complete.table, Covariates(complete.confounders))
    return recipe.matrix(complete.table), recipe.names


def fit_outcome_model(data: OutcomeData, complete: CompleteOutcome, level: float = 0.95) -> OutcomeModel:
    """Fit Firth's penalised logistic regression, whether or not ordinary regression would have an estimate.

    Parameters
    ----------
    data : OutcomeData
        For the names of outcome and groups.
    complete : CompleteOutcome
        The patients.
    level : float
        Confidence level.

    Raises
    ------
    NotEstimableError
        When a group is empty, everybody or nobody had the event, or a confounder follows from the others.
    """
    value, is_first = complete.value, complete.is_first
    if is_first.all() or not is_first.any():
        raise NotEstimableError("All patients with the outcome and all confounders are in one group.")
    if value.all() or not value.any():
        who = "Everybody" if value.all() else "Nobody"
        raise NotEstimableError(f"{who} with all confounders had the outcome '{data.outcome}', so it has no model.")
    confounders, names = confounder_design(complete)
    design = np.insert(confounders, GROUP_COLUMN, is_first.astype(float), axis=1)
    group = f"{data.first} over {data.minus}"
    fit = firth_logistic(design, value, (names[0], group, *names[1:]), level=level)
    return OutcomeModel(fit, design, complete, _rows(data, fit))


def _rows(data: OutcomeData, fit: FirthFit) -> tuple[Estimate, ...]:
    rows = []
    with np.errstate(over="ignore"):  # an odds ratio beyond the largest number is infinite
        values, lower, upper = (np.exp(part) for part in (fit.coefficients, fit.lower, fit.upper))
    for j in range(GROUP_COLUMN, len(fit.names)):
        group = j == GROUP_COLUMN
        finite = bool(np.isfinite(values[j]))
        rows.append(
            Estimate(
                f"odds ratio of {data.outcome}, " + ("given the confounders" if group else f"{fit.names[j]}"),
                float(values[j]) if finite else None, float(lower[j]), float(upper[j]), fit.level, "ratio", "log",
                int(fit.n), fit.method, fit.names[j] if group else "", p_value=float(fit.p_value[j]),
                reason="" if finite else "the odds ratio for one unit is larger than any number",
            )
        )  # fmt: skip
    return tuple(rows)
