"""Augmented inverse-probability weighting at one current, with the influence of every patient on the result.

Robins, Rotnitzky & Zhao 1994; standard errors by stacked estimating equations for the parameters of both models and
the average (Stefanski & Boos 2002; Lunceford & Davidian 2004); all from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from capstat.distributions.standard_population import parameter_influence
from capstat.placement.observational.outcome_model import Arm, Prediction, arm_with, increment, predict_capture

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.distributions.covariate_model import CovariateModel
    from capstat.placement.observational.propensity import PropensityModel

__all__ = ["Augmentation", "SharePair", "augmented_contributions", "prepare", "shares_at"]


@dataclass(frozen=True, slots=True, eq=False)
class SharePair:
    """Shares captured at one current had all had the first or all the second placement.

    ``share`` is (2,), cut at 0 and 1, and ``influence`` (2, G) is what every patient contributes to its error.
    """

    share: NDArray[np.float64]
    influence: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Augmentation:
    """What does not depend on the current.

    Attributes
    ----------
    propensity : PropensityModel
        The score.
    model : CovariateModel
        The model of the threshold on the same attempts.
    arms : tuple of Arm
        All attempts with the first and with the second placement.
    low, high : Prediction
        At the bounds of every attempt's own interval, with its own placement.
    patient : ndarray of int, shape (n,)
        Patients, numbered from 0 to G - 1.
    weight : ndarray, shape (n,)
        Sums to 1; every patient counts once, however many attempts they had.
    of_outcome, of_score : ndarray, shape (G, parameters)
        What every patient contributes to the error of the parameters of either model.
    """

    propensity: PropensityModel
    model: CovariateModel
    arms: tuple[Arm, Arm]
    low: Prediction
    high: Prediction
    patient: NDArray[np.intp]
    weight: NDArray[np.float64]
    of_outcome: NDArray[np.float64]
    of_score: NDArray[np.float64]


def augmented_contributions(
    outcome: NDArray[np.float64], predicted: NDArray[np.float64], probability: NDArray[np.float64],
    had: NDArray[np.bool_],
) -> NDArray[np.float64]:  # fmt: skip
    """What every attempt contributes to the mean outcome had all been treated alike, shape (n,).

    Parameters
    ----------
    outcome, predicted : ndarray, shape (n,)
        What was seen (used where ``had``) and what a model predicts for that treatment.
    probability : ndarray, shape (n,)
        Of the treatment.
    had : ndarray of bool, shape (n,)
        Who had it.
    """
    return np.asarray(predicted + np.where(had, (outcome - predicted) / probability, 0.0))


def prepare(propensity: PropensityModel, model: CovariateModel) -> Augmentation:
    """Set up the average; ``model`` must rest on the attempts of ``propensity``."""
    used = propensity.thresholds
    own = arm_with(model, None)
    patient = np.asarray(pd.factorize(used.patient)[0], dtype=np.intp)
    within = 1 / np.bincount(patient)[patient]
    return Augmentation(
        propensity, model, (arm_with(model, propensity.first), arm_with(model, propensity.minus)),
        predict_capture(model, own, used.lower_ma), predict_capture(model, own, used.upper_ma),
        patient, within / within.sum(), parameter_influence(model), _score_influence(propensity, patient),
    )  # fmt: skip


def _score_influence(propensity: PropensityModel, patient: NDArray[np.intp]) -> NDArray[np.float64]:
    score, design = propensity.score, propensity.design
    # in units in which the columns are of a size: recorded numbers may be thousands
    scale = np.abs(design).max(axis=0)
    scaled = design / scale
    information = scaled.T @ ((score * (1 - score))[:, None] * scaled)
    scores = scaled * (propensity.is_first - score)[:, None]
    summed = np.column_stack([np.bincount(patient, weights=column) for column in scores.T])
    return np.asarray(np.linalg.solve(information, summed.T).T / scale)


def _outcome(base: Augmentation, current_ma: float, own: Prediction) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Whether the current captures, or its expectation given the interval, and the gradient of that."""
    used = base.propensity.thresholds
    outcome, gradient = (used.upper_ma <= current_ma).astype(float), np.zeros_like(own.gradient)
    between = (used.lower_ma < current_ma) & (current_ma < used.upper_ma)
    part, whole = increment(base.low, own)[between], increment(base.low, base.high)[between]
    outcome[between] = part / whole
    by_part = (own.gradient - base.low.gradient)[between]
    by_whole = (base.high.gradient - base.low.gradient)[between]
    gradient[between] = (by_part - outcome[between][:, None] * by_whole) / whole[:, None]
    return outcome, gradient


def shares_at(base: Augmentation, current_ma: float) -> SharePair:
    """Shares and influences at one current (mA)."""
    score, design = base.propensity.score, base.propensity.design
    first = base.propensity.is_first
    currents = np.full(score.size, current_ma)
    arms = [predict_capture(base.model, arm, currents) for arm in base.arms]
    own = Prediction(
        np.where(first, arms[0].share, arms[1].share), np.where(first, arms[0].rest, arms[1].rest),
        np.where(first[:, None], arms[0].gradient, arms[1].gradient),
    )  # fmt: skip
    outcome, of_outcome = _outcome(base, current_ma, own)
    shares, influences = [], []
    for sign, had, probability, arm in zip((1, -1), (first, ~first), (score, 1 - score), arms, strict=True):
        value = augmented_contributions(outcome, arm.share, probability, had)
        share = float(base.weight @ value)
        lever = np.where(had, base.weight / probability, 0.0)
        by_outcome = base.weight @ arm.gradient + lever @ (of_outcome - arm.gradient)
        # 1/e falls by (1 - e)/e for a unit of the logit of e; 1/(1 - e) rises by e/(1 - e)
        by_score = (-sign * lever * (1 - probability) * (outcome - arm.share)) @ design
        own_part = np.bincount(base.patient, weights=base.weight * (value - share))
        shares.append(min(max(share, 0.0), 1.0))
        influences.append(own_part + base.of_outcome @ by_outcome + base.of_score @ by_score)
    return SharePair(np.array(shares), np.array(influences))
