"""Patients drawn with replacement, and limits from what the draws give."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["draw_patients", "percentile_limits"]


def draw_patients(patients: int, replicates: int, seed: int) -> NDArray[np.float64]:
    """How often each patient was drawn in each replicate, shape (replicates, patients)."""
    rng = np.random.default_rng(seed)
    return rng.multinomial(patients, np.full(patients, 1 / patients), size=replicates).astype(np.float64)


def percentile_limits(values: NDArray[np.float64], patients: int, level: float) -> tuple[float, float] | None:
    """Percentile limits, widened for few patients (Hesterberg 2015, Am Stat 69:371, from memory).

    The tail probability is that of a normal quantile as large as ``sqrt(n / (n - 1))`` times the t quantile with
    n - 1 degrees of freedom.  NaN marks replicates without a value.

    Returns
    -------
    tuple of float or None
        ``None`` with fewer than two patients, or when fewer than half of the replicates have a value.
    """
    kept = values[~np.isnan(values)]
    if patients < 2 or kept.size * 2 < values.size:
        return None
    reach = np.sqrt(patients / (patients - 1)) * stats.t.ppf(0.5 + level / 2, patients - 1)
    tail = float(stats.norm.sf(reach))
    lower, upper = np.quantile(kept, [tail, 1 - tail])
    return float(lower), float(upper)
