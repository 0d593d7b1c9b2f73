"""What the published practice would have said about two placements, shown beside the analysis that needs no imputation.

Non-capture is recorded as "maximum + 1 mA", patients captured by neither placement are left out of a paired comparison,
and means are compared by a t test.  Nothing here is an estimate to be used.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from capstat.distributions.shortcuts import highest_output
from capstat.placement.order import first_attempt_with_each_placement
from capstat.results import Estimate

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.thresholds import CensoredThresholds

__all__ = ["ShortcutComparison", "shortcut_comparison"]

MADE_UP = "non-capture recorded as maximum + 1 mA, the first current that captured taken as the threshold"


@dataclass(frozen=True, slots=True)
class ShortcutComparison:
    """The comparison that a made-up value for non-capture leads to.

    Attributes
    ----------
    difference : Estimate
        Difference of the mean "thresholds" in mA, first minus second, with the t interval.
    n_made_up : int
        Attempts whose value was made up.
    n_left_out : int
        Patients left out: captured by neither placement, or (in a paired comparison) with one placement only.
    n_patients : int
        Patients that were to be compared.
    """

    difference: Estimate
    n_made_up: int
    n_left_out: int
    n_patients: int


def _estimate(
    mean: float, error: float, df: float, n: int, level: float, direction: str, method: str
) -> Estimate:  # fmt: skip
    reach = float(stats.t.ppf(0.5 + level / 2, df)) * error
    return Estimate(
        "difference of means by the published practice", mean, mean - reach, mean + reach, level, "mA", "identity", n,
        f"{MADE_UP}; {method}", direction, p_value=float(2 * stats.t.sf(abs(mean) / error, df)),
    )  # fmt: skip


def _none(direction: str, level: float) -> Estimate:
    return Estimate(
        "difference of means by the published practice", None, None, None, level, "mA", "identity", 0, MADE_UP,
        direction, reason="fewer than two patients are left",
    )  # fmt: skip


def shortcut_comparison(
    thresholds: CensoredThresholds, first: str, minus: str, *, paired: bool, level: float = 0.95
) -> ShortcutComparison:
    """Compare the means of made-up thresholds by a t test, paired or Welch's.

    Parameters
    ----------
    thresholds : CensoredThresholds
        Attempts; other placements are ignored.
    first, minus : str
        The difference is ``first - minus``.
    paired : bool
        Whether patients are compared with themselves.
    level : float
        Confidence level.
    """
    pair = thresholds.subset(np.isin(thresholds.placement, (first, minus)))
    used = first_attempt_with_each_placement(pair) if paired else pair
    missed = np.isinf(used.upper_ma)
    value = np.where(missed, highest_output(used) + 1, used.upper_ma)
    direction = f"{first} minus {minus}"
    if paired:
        return _paired(used, value, missed, (first, minus), direction, level)
    one, two = value[used.placement == first], value[used.placement == minus]
    made_up = int(missed.sum())
    if min(one.size, two.size) < 2 or one.std() + two.std() == 0:
        return ShortcutComparison(_none(direction, level), made_up, 0, used.n_patients)
    squares = np.array([one.var(ddof=1) / one.size, two.var(ddof=1) / two.size])
    df = float(squares.sum() ** 2 / (squares**2 / (np.array([one.size, two.size]) - 1)).sum())
    mean = float(one.mean() - two.mean())
    error = float(np.sqrt(squares.sum()))
    estimate = _estimate(mean, error, df, used.n_patients, level, direction, "Welch's t test")
    return ShortcutComparison(estimate, made_up, 0, used.n_patients)


def _paired(
    used: CensoredThresholds, value: NDArray[np.float64], missed: NDArray[np.bool_], names: tuple[str, str],
    direction: str, level: float,
) -> ShortcutComparison:  # fmt: skip
    rows = [np.flatnonzero(used.placement == name) for name in names]
    _, i, j = np.intersect1d(used.patient[rows[0]], used.patient[rows[1]], return_indices=True)
    one, two = rows[0][i], rows[1][j]
    kept = ~(missed[one] & missed[two])
    one, two = one[kept], two[kept]
    left_out = used.n_patients - int(kept.sum())
    made_up = int(missed[one].sum() + missed[two].sum())
    difference = value[one] - value[two]
    if difference.size < 2 or difference.std() == 0:
        return ShortcutComparison(_none(direction, level), made_up, left_out, used.n_patients)
    n = difference.size
    error = float(difference.std(ddof=1)) / n**0.5
    estimate = _estimate(float(difference.mean()), error, n - 1, n, level, direction, "paired t test")
    return ShortcutComparison(estimate, made_up, left_out, used.n_patients)
