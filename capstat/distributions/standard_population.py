"""A study's patients with one covariate set to a value for all, and how each of them moves the average prediction.

Stacked estimating equations (Stefanski & Boos 2002, from memory): a patient's influence on an average prediction is its
own departure from the average plus the gradient times its influence on the parameters.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy import special

from capstat.distributions.covariates import covariate_table
from capstat.distributions.likelihood import IntervalData, row_scores, total_terms
from capstat.distributions.prediction import capture_scores
from capstat.results import UsageError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.distributions.covariate_model import CovariateModel

__all__ = ["Point", "Population", "parameter_influence", "point_at", "population", "standard_error"]

LARGEST_PROBIT = 37.0  # beyond it a normal tail is no number any more


@dataclass(frozen=True, slots=True, eq=False)
class Population:
    """The study's patients with one value for all: distinct covariate rows and who has them.

    ``design`` and ``capturable`` are (m, p) and (m, q), ``weight`` (m,) is the share of the patients with each row;
    ``row`` and ``patient`` (n,) tell the distinct row and the patient of every attempt, ``within`` (n,) what the
    attempt counts within its patient.
    """

    design: NDArray[np.float64]
    capturable: NDArray[np.float64] | None
    weight: NDArray[np.float64]
    row: NDArray[np.intp]
    patient: NDArray[np.intp]
    within: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Point:
    """A standardised curve at one current.

    ``share`` captured and its ``probit``; ``influence`` (G,) of every patient on the share; ``slope`` of the share in
    log current.
    """

    share: float
    probit: float
    influence: NDArray[np.float64]
    slope: float


def standard_error(influence: NDArray[np.float64]) -> float:
    """Clustered standard error from the influences of the patients, shape (G,)."""
    # the factor G/(G-1) of the clustered sandwich
    groups = influence.size
    return float(np.sqrt(influence @ influence * groups / max(groups - 1, 1)))


def _patients(model: CovariateModel) -> NDArray[np.intp]:
    return np.asarray(pd.factorize(model.thresholds.patient)[0], dtype=np.intp)


def population(model: CovariateModel, variable: str, value: Any) -> Population:
    """Set one covariate to a value for everybody; ``UsageError`` when the model has no such covariate or level."""
    designs = [design for design in (model.design, model.capturable_design) if design is not None]
    if all(variable not in {term.name for term in design.terms} for design in designs):
        raise UsageError(f"The model has no covariate '{variable}'.")
    table = covariate_table(model.thresholds)
    table = table.assign(**{variable: pd.Series([value] * len(table))})
    matrices = [design.matrix(table) for design in designs]
    # covariates on a grid have few distinct rows, whatever the number of attempts
    row = np.zeros(len(table), dtype=np.intp)
    for column in np.column_stack(matrices).T:
        codes, values = pd.factorize(column)
        row = np.asarray(pd.factorize(row * values.size + codes)[0], dtype=np.intp)
    first = np.unique(row, return_index=True)[1]
    patient = _patients(model)
    within = 1 / np.bincount(patient)[patient]
    weight = np.bincount(row, weights=within) / within.sum()
    capturable = matrices[1][first] if model.capturable_design is not None else None
    return Population(matrices[0][first], capturable, weight, row, patient, within)


def parameter_influence(model: CovariateModel) -> NDArray[np.float64]:
    """What every patient contributes to the error of the parameters, shape (G, parameters)."""
    used, fit = model.thresholds, model.regression
    table = covariate_table(used)
    data = IntervalData(
        used.lower_ma, used.upper_ma, model.design.matrix(table), used.weight,
        None if model.capturable_design is None else model.capturable_design.matrix(table),
    )  # fmt: skip
    information = -total_terms(fit.family, data, fit.parameters)[2]
    scores = row_scores(fit.family, data, fit.parameters) * used.weight[:, None]
    patient = _patients(model)
    summed = np.column_stack([np.bincount(patient, weights=column) for column in scores.T])
    return np.asarray(np.linalg.solve(information, summed.T).T)


def point_at(model: CovariateModel, people: Population, current_ma: float, of_parameters: NDArray[np.float64]) -> Point:
    """Evaluate a standardised curve at one current (mA); ``of_parameters`` is from :func:`parameter_influence`."""
    current = np.full(people.weight.size, current_ma)
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):  # rows far outside, which count nothing below
        probit, gradient = capture_scores(
            model.regression.family, current, people.design, people.capturable, model.regression.parameters
        )
    captured = special.ndtr(probit)
    density = np.exp(-0.5 * np.minimum(np.abs(probit), LARGEST_PROBIT) ** 2) / np.sqrt(2 * np.pi)
    gradient = np.where(np.abs(probit)[:, None] < LARGEST_PROBIT, gradient, 0.0) * density[:, None]
    share, rest = float(people.weight @ captured), float(people.weight @ special.ndtr(-probit))
    own = np.bincount(people.patient, weights=people.within * captured[people.row])
    slope = people.weight @ gradient
    influence = (own - share) / own.size + of_parameters @ slope
    # the smaller of the two sides keeps its digits
    centre = special.ndtri(share) if share < rest else -special.ndtri(rest)
    # a threshold depends on log current less the location, whose first column is the intercept
    return Point(share, float(np.clip(centre, -LARGEST_PROBIT, LARGEST_PROBIT)), influence, -float(slope[0]))
