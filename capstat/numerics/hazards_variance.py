"""Score residuals of hazards regressions, and sums of them by cluster."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from capstat.numerics.hazards_sets import binned, exposure

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.numerics.hazards_fit import Maximum
    from capstat.numerics.hazards_sets import RiskSets

__all__ = ["clustered", "event_means", "score_residuals"]


def event_means(sets: RiskSets, means: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mean over those at risk at each event time, of the terms there alike, shape (k, p)."""
    count = np.bincount(sets.term_place, minlength=sets.times.size)
    return np.asarray(sets.at_terms(means) / count[:, None])


def score_residuals(design: NDArray[np.float64], best: Maximum) -> NDArray[np.float64]:
    """Contribution of each row to the score, weight included, shape (n, p); their sum is the score.

    Lin & Wei (1989, from memory); with Efron's ties as in R's residuals(type = "score").
    """
    at, sets = best.at, best.at.sets
    increments = sets.term_weight / at.at_risk
    seen = exposure(sets, increments[:, None] * best.means)
    residuals = np.asarray(at.risk[:, None] * (seen - design * at.hazard[:, None]))
    own = design[sets.died] - event_means(sets, best.means)[sets.place]
    residuals[sets.died] += sets.weight[sets.died, None] * own
    return residuals


def clustered(influence: NDArray[np.float64], codes: NDArray[np.intp]) -> NDArray[np.float64]:
    """Sum of squares of the influences (n, p) added up by cluster, shape (p, p)."""
    totals = binned(codes, influence, int(codes.max()) + 1)
    return np.asarray(totals.T @ totals)
