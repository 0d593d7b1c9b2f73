"""Whether patients with one placement have counterparts with the other: overlap of the propensity scores."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.placement.observational.weighting import Weighting, effective_size, propensity_weights

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.placement.observational.propensity import PropensityModel

__all__ = ["GroupOverlap", "Overlap", "score_overlap"]

EXTREME = (0.05, 0.95)
BINS = 20
# beyond these a reader is warned; conventions, not tests
MOST_OUTSIDE, LARGEST_SHARE, SMALLEST_EFFECTIVE = 0.05, 0.05, 0.5


@dataclass(frozen=True, slots=True, eq=False)
class GroupOverlap:
    """Propensity scores of one group.

    Attributes
    ----------
    placement : str
        The group.
    n : int
        Attempts.
    smallest, largest : float
        Range of the scores.
    outside : float
        Share of the group outside the range of the other group.
    largest_weight_share : float
        Share of all inverse-probability weight that the single heaviest attempt has.
    effective_inverse_probability, effective_overlap : float
        Effective sample size under either weighting.
    counts : ndarray of int, shape (20,)
        Attempts in each bin of ``Overlap.edges``.
    """

    placement: str
    n: int
    smallest: float
    largest: float
    outside: float
    largest_weight_share: float
    effective_inverse_probability: float
    effective_overlap: float
    counts: NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class Overlap:
    """Overlap of the two groups.

    Attributes
    ----------
    groups : tuple of GroupOverlap
        First and second placement.
    extreme : float
        Share of all attempts with a score below 0.05 or above 0.95.
    edges : ndarray, shape (21,)
        Bins of a histogram of the scores.
    notes : tuple of str
        What casts doubt on positivity (that every kind of patient could have had either placement); empty when
        nothing does.
    """

    groups: tuple[GroupOverlap, GroupOverlap]
    extreme: float
    edges: NDArray[np.float64]
    notes: tuple[str, ...]


def score_overlap(model: PropensityModel) -> Overlap:
    """Describe how the propensity scores of the two groups overlap."""
    edges = np.linspace(0, 1, BINS + 1)
    by_inverse = propensity_weights(model.score, model.is_first, Weighting.INVERSE_PROBABILITY)
    by_overlap = propensity_weights(model.score, model.is_first, Weighting.OVERLAP)
    groups = []
    for placement, own in ((model.first, model.is_first), (model.minus, ~model.is_first)):
        score, other, weight = model.score[own], model.score[~own], by_inverse[own]
        groups.append(
            GroupOverlap(
                placement, score.size, float(score.min()), float(score.max()),
                float(((score < other.min()) | (score > other.max())).mean()),
                float(weight.max() / weight.sum()), effective_size(weight), effective_size(by_overlap[own]),
                np.histogram(score, edges)[0].astype(np.intp),
            )
        )  # fmt: skip
    extreme = float(((model.score < EXTREME[0]) | (model.score > EXTREME[1])).mean())
    return Overlap((groups[0], groups[1]), extreme, edges, _doubts((groups[0], groups[1]), extreme))


def _doubts(groups: tuple[GroupOverlap, GroupOverlap], extreme: float) -> tuple[str, ...]:
    notes = []
    if extreme > MOST_OUTSIDE:
        notes.append(
            f"{100 * extreme:.0f} % of the attempts have a propensity score below 0.05 or above 0.95: for them the "
            "placement was nearly certain, and inverse-probability weights rest on few patients."
        )
    for group in groups:
        if group.outside > MOST_OUTSIDE:
            notes.append(
                f"{100 * group.outside:.0f} % of the attempts with {group.placement} placement have scores that do not "
                "occur with the other placement: they have no counterpart."
            )
        if group.largest_weight_share > LARGEST_SHARE:
            notes.append(
                f"A single attempt carries {100 * group.largest_weight_share:.0f} % of the weight of the "
                f"{group.placement} group."
            )
        if group.effective_inverse_probability < SMALLEST_EFFECTIVE * group.n:
            notes.append(
                f"After weighting, the {group.n} attempts with {group.placement} placement count as "
                f"{group.effective_inverse_probability:.0f}."
            )
    return tuple(notes)
