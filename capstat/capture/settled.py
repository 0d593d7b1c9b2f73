"""Which currents a misjudged ramp settles, for limits where the bootstrap has no variance."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from capstat.thresholds import CensoredThresholds

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.capture.judged_ramps import JudgedRamps
    from capstat.capture.judgement_table import JudgementTable

__all__ = ["settled_thresholds"]

# a ramp settles a current when it makes one answer this many times as likely as the other
SETTLING_ODDS = 20.0


def settled_thresholds(ramps: JudgedRamps, table: JudgementTable, matrix: NDArray[np.float64]) -> CensoredThresholds:
    """Interval (lower, upper] outside which a threshold is at least twenty times less likely, for every ramp.

    Where the estimate of a share is 0 or 1 its bootstrap has no variance, and as many patients count as settle the
    question.  With judgements that are never wrong these are the ordinary intervals; with fallible ones a single
    judgement may not be enough to settle anything.

    Parameters
    ----------
    ramps, table
        The ramps and their tabulation.
    matrix : ndarray, shape (m, k + 1)
        Likelihood of every distinct ramp in every cell.
    """
    below = np.maximum.accumulate(matrix, axis=1)[:, :-1]
    above = np.maximum.accumulate(matrix[:, ::-1], axis=1)[:, ::-1][:, 1:]
    captured, not_captured = below >= SETTLING_ODDS * above, above >= SETTLING_ODDS * below
    # both are monotone along the currents: captured from some current on, not captured up to some current
    upper = np.append(table.edges_ma, np.inf)[np.where(captured.any(axis=1), captured.argmax(axis=1), -1)]
    lower = np.concatenate(([0.0], table.edges_ma))[not_captured.sum(axis=1)]
    return CensoredThresholds.from_bounds(
        lower[table.index], upper[table.index], ramps.patient, ramps.placement, capture=f"{ramps.claim}, corrected"
    )
