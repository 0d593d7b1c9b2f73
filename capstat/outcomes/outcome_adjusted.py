"""Standardisation (g-computation) of an outcome model over the confounders of all patients.

Robins (1986, Math Model 7:1393) and Snowden, Rose & Mortimer (2011, Am J Epidemiol 173:731), both from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import optimize, special

from capstat.outcomes.outcome_contrast import AdjustedContrast, RiskPair, adjusted_contrast
from capstat.outcomes.outcome_models import GROUP_COLUMN

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.outcomes.outcome_data import OutcomeData
    from capstat.outcomes.outcome_models import OutcomeModel

__all__ = ["StandardisedRisks", "standardise_model", "standardised_risks"]

METHOD = (
    "standardised over the confounders of all patients (g-computation) from Firth's logistic regression with its "
    "intercept set so that predicted and observed events agree (Puhr et al. 2017, from memory); variance by the delta "
    "method, the patients taken as a sample"
)


@dataclass(frozen=True, slots=True, eq=False)
class StandardisedRisks:
    """Mean predicted risks of the same patients in either group.

    Attributes
    ----------
    first, second : float
        With everybody in the first group, and in the second.
    of_coefficients : ndarray, shape (2, 2)
        Covariance from the coefficients (delta method), the patients as they are.
    of_patients : ndarray, shape (2, 2)
        Covariance from the patients being a sample, the coefficients as they are.
    """

    first: float
    second: float
    of_coefficients: NDArray[np.float64]
    of_patients: NDArray[np.float64]


def standardised_risks(
    coefficients: NDArray[np.float64],
    covariance: NDArray[np.float64],
    as_first: NDArray[np.float64],
    as_second: NDArray[np.float64],
) -> StandardisedRisks:
    """Average the predictions of a logistic model over patients put in either group.

    Parameters
    ----------
    coefficients : ndarray, shape (p,)
        Of the model, on the scale of log odds; however they were estimated.
    covariance : ndarray, shape (p, p)
        Theirs.
    as_first, as_second : ndarray, shape (m, p)
        Rows of the model matrix of the patients to average over, as if in the first and in the second group.
    """
    risks = np.stack([special.expit(rows @ coefficients) for rows in (as_first, as_second)])
    slopes = np.stack(
        [(risk * (1 - risk)) @ rows / risk.size for risk, rows in zip(risks, (as_first, as_second), strict=True)]
    )
    m = risks.shape[1]
    centred = risks - risks.mean(axis=1, keepdims=True)
    return StandardisedRisks(
        float(risks[0].mean()), float(risks[1].mean()), slopes @ covariance @ slopes.T,
        centred @ centred.T / max(m - 1, 1) / m,
    )  # fmt: skip


def agreeing_intercept(
    design: NDArray[np.float64], coefficients: NDArray[np.float64], events: float
) -> NDArray[np.float64]:
    """Coefficients with the intercept (column 0) moved so that the predicted events add up to the observed ones.

    Firth's estimates pull every prediction toward one half; this takes the pull off the mean (Puhr et al. 2017).
    ``events`` must be above 0 and below the number of patients.
    """
    linear = design @ coefficients

    def excess(shift: float) -> float:
        return float(special.expit(linear + shift).sum() - events)

    reach = 1.0
    while excess(-reach) > 0 or excess(reach) < 0:
        reach *= 2
    moved = coefficients.copy()
    moved[0] += optimize.brentq(excess, -reach, reach, xtol=1e-12)
    return moved


def standardise_model(data: OutcomeData, model: OutcomeModel, level: float = 0.95) -> AdjustedContrast:
    """Compare the groups as if all patients had been in the first, and all in the second.

    Parameters
    ----------
    data : OutcomeData
        For the names.
    model : OutcomeModel
        Its coefficients and patients.
    level : float
        Confidence level.
    """
    design, complete = model.design, model.complete
    coefficients = agreeing_intercept(design, model.fit.coefficients, float(complete.value.sum()))
    mean = special.expit(design @ coefficients)
    scale = np.abs(design).max(axis=0)
    scaled = design / scale
    information = scaled.T @ (scaled * (mean * (1 - mean))[:, None])
    covariance = np.linalg.inv(information) / np.outer(scale, scale)
    as_first, as_second = design.copy(), design.copy()
    as_first[:, GROUP_COLUMN], as_second[:, GROUP_COLUMN] = 1.0, 0.0
    found = standardised_risks(coefficients, covariance, as_first, as_second)
    is_first = complete.is_first
    pair = RiskPair(
        found.first, found.second, found.of_coefficients + found.of_patients,
        (float(is_first.sum()), float((~is_first).sum())), is_first.size,
    )  # fmt: skip
    return adjusted_contrast(data, pair, METHOD, level)
