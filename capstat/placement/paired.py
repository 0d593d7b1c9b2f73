"""Both placements in the same patient: capture at one current, and the intervals for a picture."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from capstat.numerics.proportions import McNemarResult, mcnemar, paired_difference_newcombe
from capstat.placement.order import first_attempt_with_each_placement
from capstat.results import Estimate, NotEstimableError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.thresholds import CensoredThresholds

__all__ = ["PairedCapture", "PairedIntervals", "paired_capture", "paired_intervals"]


@dataclass(frozen=True, slots=True)
class PairedCapture:
    """Capture at one current by both placements in the same patients.

    Attributes
    ----------
    current_ma : float
        The current, usually the device maximum.
    both, first_only, second_only, neither : int
        Patients.
    undetermined : int
        Patients left out because a ramp stopped before this current.
    test : McNemarResult
        Exact and mid-p test of the discordant patients.
    difference : Estimate
        Share captured by the first placement minus share captured by the second.
    """

    current_ma: float
    both: int
    first_only: int
    second_only: int
    neither: int
    undetermined: int
    test: McNemarResult
    difference: Estimate


@dataclass(frozen=True, slots=True, eq=False)
class PairedIntervals:
    """Thresholds of the patients who had both placements, for a picture.

    Attributes
    ----------
    first, second : ndarray, shape (n, 2)
        Intervals (lower, upper] in mA with the first and with the second placement; rows are patients, sorted
        by the second and then the first, without identifiers.
    """

    first: NDArray[np.float64]
    second: NDArray[np.float64]


def paired_intervals(thresholds: CensoredThresholds, first: str, minus: str) -> PairedIntervals:
    """Intervals of the patients with both placements; the first attempt with each counts."""
    single = first_attempt_with_each_placement(thresholds)
    one, two = single.for_placement(first), single.for_placement(minus)
    _, i, j = np.intersect1d(one.patient, two.patient, return_indices=True)
    rows_one = np.column_stack((one.lower_ma, one.upper_ma))[i]
    rows_two = np.column_stack((two.lower_ma, two.upper_ma))[j]
    order = np.lexsort((rows_one[:, 1], rows_one[:, 0], rows_two[:, 1], rows_two[:, 0]))
    return PairedIntervals(rows_one[order], rows_two[order])


def paired_capture(
    thresholds: CensoredThresholds, first: str, minus: str, *, current_ma: float, level: float = 0.95
) -> PairedCapture:
    """Exact paired test of capture at one current, with an interval for the difference.

    McNemar's exact test; Newcombe's method 10 for the paired difference.  Where a patient has several
    attempts with one placement the first counts.

    Raises
    ------
    NotEstimableError
        When no patient has both placements determined at this current.
    """
    single = first_attempt_with_each_placement(thresholds)
    captured = np.full(len(single), np.nan)
    captured[single.upper_ma <= current_ma] = 1.0
    captured[single.lower_ma >= current_ma] = 0.0
    table = (
        pd.DataFrame({"patient": single.patient, "placement": single.placement, "captured": captured})
        .pivot_table(index="patient", columns="placement", values="captured", aggfunc="first", dropna=False)
        .reindex(columns=[first, minus])
    )
    has = pd.crosstab(single.patient, single.placement).reindex(columns=[first, minus], fill_value=0) > 0
    with_both = int(has.all(axis=1).sum())
    known = table.dropna()
    if known.empty:
        raise NotEstimableError(f"No patient has both placements followed to {current_ma:g} mA.")
    one, two = known[first].to_numpy() == 1, known[minus].to_numpy() == 1
    n11, n12 = int((one & two).sum()), int((one & ~two).sum())
    n21, n22 = int((~one & two).sum()), int((~one & ~two).sum())
    low, high = paired_difference_newcombe(n11, n12, n21, n22, level)
    test = mcnemar(n12, n21)
    difference = Estimate(
        f"paired difference in share captured at {current_ma:g} mA", (n12 - n21) / len(known), low, high, level,
        "proportion", "score", len(known), "Newcombe method 10 for pairs; exact McNemar test",
        f"{first} minus {minus}", p_value=test.p_exact,
    )  # fmt: skip
    return PairedCapture(current_ma, n11, n12, n21, n22, with_both - len(known), test, difference)
