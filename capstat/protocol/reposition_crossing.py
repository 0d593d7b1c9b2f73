"""The current from which on moving the pads is at least as likely to capture as going on."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from capstat.results import Estimate

if TYPE_CHECKING:
    from capstat.protocol.paired_law import PairedLaw

__all__ = ["crossing_current"]

BISECTIONS = 60
# share of patients, captured only after moving, below which the two choices come to the same
HARDLY = 1e-6
METHOD = "lognormal law of two thresholds of one patient; percentiles of draws of its parameters"


def crossing_current(
    law: PairedLaw, highest_here: float, highest_there: float, least: float, level: float, notes: tuple[str, ...]
) -> Estimate:
    """Where P(T here > c, not captured there) has fallen to P(not captured here), by bisection in every row.

    Parameters
    ----------
    law : PairedLaw
        The present placement first.
    highest_here, highest_there : float
        Highest current (mA) with either placement.
    least : float
        Share of patients that must reach the crossing without capture.
    level : float
        Confidence level of the limits; draws in which moving is at least as likely from the start count as 0 mA.
    notes : tuple of str
        Of the comparison.
    """
    rows = law.draws + 1
    here, there = (np.full(rows, highest) for highest in (highest_here, highest_there))
    zero = np.zeros(rows)
    missed_here = law.above_by_row(here, zero)
    low, high = zero.copy(), here.copy()
    from_the_start = missed_here >= law.above_by_row(zero, there)
    for _ in range(BISECTIONS):
        middle = (low + high) / 2
        better = law.above_by_row(middle, there) <= missed_here
        low, high = np.where(better, low, middle), np.where(better, middle, high)
    found = np.where(from_the_start, 0.0, high)
    value: float | None = float(found[0])
    reason = ""
    if from_the_start[0]:
        value, reason = None, "moving is at least as likely to capture at every current, also before the first setting"
    elif missed_here[0] - law.above_by_row(here, there)[0] < HARDLY:
        value, reason = None, f"hardly anybody whom {law.names[0]} does not capture is captured by {law.names[1]}"
    elif law.above_by_row(found, zero)[0] < least:
        value, reason = None, "hardly anybody reaches the current at which moving becomes as likely to capture"
    limits: tuple[float | None, float | None] = (None, None)
    if law.draws:
        lower, upper = np.quantile(found[1:], ((1 - level) / 2, (1 + level) / 2))
        limits = (float(lower), float(upper))
        if lower == 0:
            notes = (*notes, "a limit of 0 mA means that moving is at least as likely to capture from the start")
    return Estimate(
        f"current above which moving to {law.names[1]} is at least as likely to capture as staying with {law.names[0]}",
        value, *limits, level, "mA", "percentile", law.n_patients, METHOD,
        f"moving to {law.names[1]} against going on with {law.names[0]}", notes, reason,
    )  # fmt: skip
