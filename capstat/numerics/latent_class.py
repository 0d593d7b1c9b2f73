"""Two latent classes of binary items: the best of many starts, and fits to resampled tables."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from capstat.numerics.latent_climb import EM_STEPS, climb, expectation_maximisation
from capstat.numerics.latent_model import ClassFit, Parts, differentiate
from capstat.numerics.latent_patterns import block_answers

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.numerics.latent_patterns import PatternTable

__all__ = ["best_fit", "fit_replicates", "random_starts"]


def random_starts(table: PatternTable, count: int, rng: np.random.Generator) -> Parts:
    """Starting values for two classes: half of them with a higher second class in all items, half anywhere."""
    items = table.answers.shape[1]
    probability = rng.uniform(0.02, 0.98, (count, 2, items))
    ordered = np.sort(probability, axis=1)
    probability[: count // 2] = ordered[: count // 2]
    share = rng.uniform(0.1, 0.9, (count, table.groups))
    cells = []
    for block in table.blocks:
        own = probability[:, :, None, list(block)]
        cells.append(np.where(block_answers(block) == 1, own, 1 - own).prod(axis=3))
    return [np.stack([1 - share, share], axis=2), *cells]


def best_fit(
    table: PatternTable, weights: NDArray[np.float64], starts: int, rng: np.random.Generator
) -> tuple[ClassFit, int]:
    """Fit two classes from many starts; the best fit (B = 1), and how many starts reached its likelihood."""
    fits = climb(table, np.tile(weights, (starts, 1)), random_starts(table, starts, rng))
    best = int(np.argmax(fits.log_likelihood))
    reached = int((fits.log_likelihood >= fits.log_likelihood[best] - 1e-6).sum())
    return fits.take(np.array([best])), reached


def fit_replicates(
    table: PatternTable, weights: NDArray[np.float64], at: ClassFit, starts: int, rng: np.random.Generator
) -> ClassFit:
    """Fit B replicates, each from every fit in ``at`` and some random starts; EM chooses where to climb from.

    Parameters
    ----------
    weights : ndarray, shape (B, k)
        Rows with each pattern in every replicate.
    at : ClassFit
        Fits to the data that were resampled.
    """
    b, tries = len(weights), len(at.gap) + starts
    # probabilities of exactly 0 would stay there under EM
    inside = [0.99 * part + 0.01 / part.shape[-1] for part in at.parts]
    extra = random_starts(table, starts, rng)
    begin = [np.tile(np.concatenate([a, e]), (b, 1, 1)) for a, e in zip(inside, extra, strict=True)]
    every = np.repeat(weights, tries, axis=0)
    parts = expectation_maximisation(table, every, begin, EM_STEPS)
    height = differentiate(table, every, parts)[0].reshape(b, tries)
    chosen = np.arange(b) * tries + height.argmax(axis=1)
    return climb(table, weights, [part[chosen] for part in parts])
