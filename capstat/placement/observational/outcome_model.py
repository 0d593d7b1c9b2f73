"""The regression of thresholds that stands behind an adjusted comparison, and what it predicts for every attempt."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from capstat.distributions.covariate_model import fit_covariate_model
from capstat.distributions.covariates import PLACEMENT, Covariates, covariate_table
from capstat.distributions.families import LOGNORMAL
from capstat.distributions.prediction import capture_scores, log_capture
from capstat.results import NotEstimableError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.distributions.covariate_model import CovariateModel
    from capstat.distributions.design_matrix import Design
    from capstat.thresholds import CensoredThresholds

__all__ = ["Arm", "Prediction", "arm_with", "fit_outcome_model", "increment", "predict_capture"]

LARGEST_PROBIT = 37.0  # beyond it a normal tail is no number any more


def fit_outcome_model(thresholds: CensoredThresholds, minus: str, confounders: tuple[str, ...]) -> CovariateModel:
    """Lognormal regression on placement and confounders, with a share never captured where AIC favours it.

    Raises
    ------
    NotEstimableError
        When neither has an estimate; the message is that of the model in which everybody can be captured.
    """
    covariates = Covariates((PLACEMENT, *confounders), reference=((PLACEMENT, minus),))
    plain, failure = None, None
    try:
        plain = fit_covariate_model(thresholds, covariates, family=LOGNORMAL)
    except NotEstimableError as error:
        failure = error
    try:
        mixture = fit_covariate_model(thresholds, covariates, family=LOGNORMAL, never_captured=Covariates(()))
    except NotEstimableError:
        mixture = None
    found = [model for model in (plain, mixture) if model is not None]
    if not found:
        raise failure or NotEstimableError("The model of the thresholds has no estimate.")
    return min(found, key=lambda model: model.regression.aic)


@dataclass(frozen=True, slots=True, eq=False)
class Arm:
    """Every attempt as if it had had some placement: ``design`` (n, p) and ``capturable`` (n, q) or ``None``."""

    design: NDArray[np.float64]
    capturable: NDArray[np.float64] | None


def arm_with(model: CovariateModel, placement: str | None) -> Arm:
    """Give all attempts one placement; their own when ``None``."""
    table = covariate_table(model.thresholds)
    if placement is not None:
        table = table.assign(**{PLACEMENT: pd.Series([placement] * len(table))})

    def matrix(design: Design) -> NDArray[np.float64]:
        return design.matrix(table)

    return Arm(matrix(model.design), None if model.capturable_design is None else matrix(model.capturable_design))


@dataclass(frozen=True, slots=True, eq=False)
class Prediction:
    """Captured and not captured, ``share`` and ``rest`` (n,), and the ``gradient`` (n, parameters) of the share."""

    share: NDArray[np.float64]
    rest: NDArray[np.float64]
    gradient: NDArray[np.float64]


def predict_capture(model: CovariateModel, arm: Arm, current_ma: NDArray[np.float64]) -> Prediction:
    """Probability of capture of every attempt at its own current (mA); 0 and infinity are nobody and everybody."""
    fit = model.regression
    size = (current_ma.size, fit.parameters.size)
    share, gradient = np.where(np.isinf(current_ma), 1.0, 0.0), np.zeros(size)
    rest = 1 - share
    inside = (current_ma > 0) & np.isfinite(current_ma)
    if inside.any():
        rows = (fit.family, current_ma[inside], arm.design[inside],
                None if arm.capturable is None else arm.capturable[inside], fit.parameters)  # fmt: skip
        log_share, log_rest = log_capture(*rows)
        share[inside], rest[inside] = np.exp(log_share), np.exp(log_rest)
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):  # rows far outside, set to nothing below
            probit, of_probit = capture_scores(*rows)
        usable = np.abs(probit) < LARGEST_PROBIT
        density = np.exp(-0.5 * np.where(usable, probit, 0.0) ** 2) / np.sqrt(2 * np.pi)
        gradient[inside] = np.where(usable[:, None], of_probit, 0.0) * density[:, None]
    return Prediction(share, rest, gradient)


def increment(low: Prediction, high: Prediction) -> NDArray[np.float64]:
    """Probability that the threshold lies between two currents; from the smaller tails, which keep their digits."""
    return np.asarray(np.where(low.share > 0.5, low.rest - high.rest, high.share - low.share))
