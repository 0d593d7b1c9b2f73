"""Whether thresholds of different patients moved in the same direction between repeated checks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

if TYPE_CHECKING:
    from capstat.protocol.repeated_checks import RepeatedChecks

__all__ = ["SharedTrend", "shared_trend"]


@dataclass(frozen=True, slots=True)
class SharedTrend:
    """Sign test of the first against the last check.

    Attributes
    ----------
    patients : int
        Patients.
    higher, lower : int
        Patients whose last threshold is surely above, surely below the first; the intervals of the others overlap.
    p_value : float
        Exact two-sided sign test of those that differ; 1 without any.
    """

    patients: int
    higher: int
    lower: int
    p_value: float


def shared_trend(checks: RepeatedChecks) -> SharedTrend:
    """Compare the first with the last check of every patient; the models of drift know no shared trend."""
    patient = checks.patient
    first = np.flatnonzero(np.diff(patient, prepend=-1))
    last = np.append(first[1:] - 1, patient.size - 1) if first.size else first
    higher = int((checks.lower_ma[last] >= checks.upper_ma[first]).sum())
    lower = int((checks.upper_ma[last] <= checks.lower_ma[first]).sum())
    differ = higher + lower
    p_value = float(stats.binomtest(higher, differ).pvalue) if differ else 1.0
    return SharedTrend(first.size, higher, lower, p_value)
