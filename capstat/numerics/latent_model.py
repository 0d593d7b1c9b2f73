"""The likelihood of latent class models of binary items, for many sets of weights at once.

Items are independent within a class, except that the items of one block have an unrestricted joint table in each class.
A pair with a covariance in every class (Vacek 1985; Dendukuri & Joseph 2001, both from memory) is a block of two.
All parameters are then those of multinomials: EM has a closed form and one certificate serves them all.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.numerics.latent_patterns import block_answers

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.numerics.latent_patterns import PatternTable

__all__ = ["ClassFit", "Parts", "differentiate"]

Parts = list["NDArray[np.float64]"]

_TINY = 1e-300


@dataclass(frozen=True, slots=True, eq=False)
class ClassFit:
    """One model fitted to B sets of weights.

    Attributes
    ----------
    parts : list of ndarray
        First the shares of the classes, shape (B, groups, classes); then for each block the probabilities of its
        answers, shape (B, classes, 2^size).
    log_likelihood : ndarray, shape (B,)
        Without multinomial constants.
    gap : ndarray, shape (B,)
        Largest derivative towards a corner of any of the multinomials, for one row; zero exactly at a stationary point,
        on the boundary too (Karush-Kuhn-Tucker).
    """

    parts: Parts
    log_likelihood: NDArray[np.float64]
    gap: NDArray[np.float64]

    def item(self, table: PatternTable, item: int) -> NDArray[np.float64]:
        """Probability of 1 for one item in each class, shape (B, classes)."""
        for block, cells in zip(table.blocks, self.parts[1:], strict=True):
            if item in block:
                return np.asarray(cells @ block_answers(block)[:, block.index(item)])
        raise KeyError(f"No block holds item {item}.")

    def take(self, rows: NDArray[np.intp]) -> ClassFit:
        """Some of the fits, in a given order."""
        return ClassFit([part[rows] for part in self.parts], self.log_likelihood[rows], self.gap[rows])

    def relabelled(self, rows: NDArray[np.bool_]) -> ClassFit:
        """Exchange the two classes of the chosen fits."""
        chosen = rows[:, None, None]
        axes = [2] + [1] * (len(self.parts) - 1)
        parts = [np.where(chosen, np.flip(part, axis=a), part) for part, a in zip(self.parts, axes, strict=True)]
        return ClassFit(parts, self.log_likelihood, self.gap)


def differentiate(
    table: PatternTable, weights: NDArray[np.float64], parts: Parts
) -> tuple[NDArray[np.float64], Parts, NDArray[np.float64]]:
    """Log-likelihood, its derivatives by all probabilities, and the probability of every pattern.

    A probability times its derivative is its expected count, so this is the E step of EM as well.

    Parameters
    ----------
    weights : ndarray, shape (B, k)
        Rows with each pattern.
    parts : list of ndarray
        As in :class:`ClassFit`.

    Returns
    -------
    log_likelihood : ndarray, shape (B,)
    derivatives : list of ndarray
        In the shapes of ``parts``.
    probability : ndarray, shape (B, k)
    """
    factors = [np.maximum(q @ fits.T, _TINY) for q, fits in zip(parts[1:], table.compatible, strict=True)]
    given = factors[0].copy()
    for factor in factors[1:]:
        given *= factor
    joint = np.swapaxes(parts[0], 1, 2)[:, :, table.group] * given
    probability = np.maximum(joint.sum(axis=1), _TINY)
    ratio = (weights / probability)[:, None, :]
    in_group = np.equal.outer(table.group, np.arange(table.groups)).astype(float)
    by_share = np.swapaxes((given * ratio) @ in_group, 1, 2)
    joint *= ratio
    by_cell = [(joint / factor) @ fits for factor, fits in zip(factors, table.compatible, strict=True)]
    return (weights * np.log(probability)).sum(axis=1), [by_share, *by_cell], probability
