"""Weights from a propensity score."""

from __future__ import annotations

from enum import Enum
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["Weighting", "effective_size", "propensity_weights"]


class Weighting(Enum):
    """Whom the weighted groups stand for."""

    INVERSE_PROBABILITY = "all patients (inverse-probability weights)"
    OVERLAP = "patients who could have had either placement (overlap weights)"
    FIRST = "patients like those with the first placement (weights by the odds)"


def propensity_weights(
    score: NDArray[np.float64], is_first: NDArray[np.bool_], weighting: Weighting
) -> NDArray[np.float64]:
    """Weights of mean 1 within each group (Hajek normalisation).

    Inverse-probability weights ``1 / e`` and ``1 / (1 - e)``; overlap weights ``1 - e`` and ``e`` (Li, Morgan &
    Zaslavsky 2018, J Am Stat Assoc 113:390); weights by the odds ``1`` and ``e / (1 - e)``.

    Parameters
    ----------
    score : ndarray, shape (..., n)
        Probability ``e`` of the first placement; may have leading replicate axes.
    is_first : ndarray of bool, shape (n,)
        Who had it.
    weighting : Weighting
        Whom the groups are to stand for.
    """
    rest = 1 - score
    first, minus = {
        Weighting.INVERSE_PROBABILITY: (1 / score, 1 / rest),
        Weighting.OVERLAP: (rest, score),
        Weighting.FIRST: (np.ones_like(score), score / rest),
    }[weighting]
    weight = np.where(is_first, first, minus)
    for group in (is_first, ~is_first):
        weight[..., group] /= weight[..., group].mean(axis=-1, keepdims=True)
    return weight


def effective_size(weight: NDArray[np.float64]) -> float:
    """Size of an unweighted group whose mean varies as much: ``(sum w)^2 / sum w^2`` (Kish 1965, from memory)."""
    return float(weight.sum() ** 2 / (weight**2).sum())
