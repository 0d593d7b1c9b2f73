"""What a latent class fit can and cannot tell: facts against parameters, local identification, fit of the model."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.numerics.latent_class import fit_replicates
from capstat.numerics.latent_climb import climb
from capstat.numerics.latent_model import differentiate
from capstat.numerics.latent_patterns import masks_of, pattern_table, possible_patterns

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.numerics.latent_model import ClassFit
    from capstat.numerics.latent_patterns import PatternTable

__all__ = [
    "LocalIdentification",
    "count_facts",
    "count_parameters",
    "deviance",
    "local_identification",
    "pattern_probabilities",
    "simulate_tables",
    "simulated_deviances",
]


def count_parameters(table: PatternTable, classes: int = 2) -> int:
    """Free parameters of the model."""
    return table.groups * (classes - 1) + classes * sum((1 << len(block)) - 1 for block in table.blocks)


def count_facts(table: PatternTable, weights: NDArray[np.float64]) -> int:
    """Free proportions that the items answered together give, over all groups.

    It is 2^items - 1 for every group that has complete rows; without them, one less than the rank of the map from the
    complete table to the tables seen.
    """
    masks, group, _ = masks_of(table, weights)
    items = tuple(range(table.answers.shape[1]))
    full, _ = possible_patterns(masks, group, table.groups, (items,))
    return sum(int(np.linalg.matrix_rank(full.compatible[0][full.group == g])) - 1 for g in np.unique(group))


@dataclass(frozen=True, slots=True)
class LocalIdentification:
    """Whether the pattern probabilities move with every direction of the parameters (Goodman 1974, from memory).

    Attributes
    ----------
    rank : int
        Of the Jacobian of the pattern probabilities by the interior parameters.
    interior : int
        Parameters that are not on the boundary.
    condition : float
        Smallest over largest singular value of the Jacobian, every probability divided by its standard error in one
        row; near zero when some parameters can hardly be told apart.
    """

    rank: int
    interior: int
    condition: float


def pattern_probabilities(table: PatternTable, fit: ClassFit) -> NDArray[np.float64]:
    """Probability of every pattern given its group and the items answered, shape (B, k)."""
    weights = np.zeros((len(fit.gap), len(table.group)))
    return differentiate(table, weights, fit.parts)[2]


def local_identification(table: PatternTable, weights: NDArray[np.float64], fit: ClassFit) -> LocalIdentification:
    """Rank of the Jacobian at one fit (B = 1), over all patterns that were possible."""
    masks, group, rows = masks_of(table, weights)
    full, owner = possible_patterns(masks, group, table.groups, table.blocks)
    k = len(full.group)
    # weights of one pattern at a time turn the derivative of the log-likelihood into one row of the Jacobian
    parts = [np.repeat(part, k, axis=0) for part in fit.parts]
    _, derivatives, probability = differentiate(full, np.eye(k), parts)
    scale = np.sqrt(probability[0] * rows[owner] / rows.sum())
    columns = []
    interior = 0
    for part, derivative in zip(fit.parts, derivatives, strict=True):
        for index in np.ndindex(part.shape[1:-1]):
            inside = np.flatnonzero(part[(0, *index)] > 0)
            interior += inside.size - 1
            own = derivative[(slice(None), *index)][:, inside]
            columns.append(own[:, 1:] - own[:, :1])
    jacobian = np.column_stack(columns) * scale[:, None]
    if interior == 0:
        return LocalIdentification(0, 0, 1.0)
    singular = np.linalg.svd(jacobian, compute_uv=False)
    singular = np.pad(singular, (0, max(0, interior - singular.size)))
    rank = int((singular > 1e-8 * singular[0]).sum())
    return LocalIdentification(rank, interior, float(singular[interior - 1] / singular[0]))


def _saturated(table: PatternTable, weights: NDArray[np.float64]) -> NDArray[np.float64]:
    """Log-likelihood of free tables, one for each group; rows with items not answered count for all that they allow."""
    total = np.zeros(len(weights))
    items = tuple(range(table.answers.shape[1]))
    for group in range(table.groups):
        own = table.group == group
        whole = pattern_table(table.answers[own], np.zeros(own.sum(), dtype=np.intp), 1, (items,))
        even = [np.ones((len(weights), 1, 1)), np.full((len(weights), 1, 2 ** len(items)), 0.5 ** len(items))]
        total += climb(whole, weights[:, own], even).log_likelihood
    return total


def deviance(table: PatternTable, weights: NDArray[np.float64], fit: ClassFit) -> NDArray[np.float64]:
    """G^2: twice the log-likelihood lost against free tables, shape (B,)."""
    return np.maximum(2 * (_saturated(table, weights) - fit.log_likelihood), 0.0)


def simulate_tables(
    table: PatternTable, weights: NDArray[np.float64], fit: ClassFit, replicates: int, rng: np.random.Generator
) -> tuple[PatternTable, NDArray[np.float64]]:
    """Tables drawn from one fit, with the same items answered as in the data.

    Returns
    -------
    table : PatternTable
        All patterns that were possible.
    weights : ndarray, shape (replicates, k)
    """
    masks, group, rows = masks_of(table, weights)
    full, owner = possible_patterns(masks, group, table.groups, table.blocks)
    probability = pattern_probabilities(full, fit)[0]
    drawn = np.zeros((replicates, len(owner)))
    for mask, count in enumerate(rows):
        own = owner == mask
        drawn[:, own] = rng.multinomial(count, probability[own] / probability[own].sum(), size=replicates)
    return full, drawn


def simulated_deviances(
    table: PatternTable, weights: NDArray[np.float64], fit: ClassFit, replicates: int, rng: np.random.Generator
) -> NDArray[np.float64]:
    """G^2 of tables drawn from one fit (parametric bootstrap); rows are drawn independently of each other."""
    full, drawn = simulate_tables(table, weights, fit, replicates, rng)
    return deviance(full, drawn, fit_replicates(full, drawn, fit, 2, rng))
