"""Tests of a two-period crossover that allow for a difference between first and second attempts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from capstat.numerics.sign_flips import allocation_test
from capstat.placement.certain_signs import capture_signs, certain_signs, count_signs, threshold_signs
from capstat.placement.pairs import PairedTest, Pairs
from capstat.results import NotEstimableError

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["PeriodAdjustedTests", "order_notes", "period_adjusted_tests"]

GART_METHOD = (
    "Mainland-Gart test: which attempt was better, by which placement came first; Fisher's exact test, two-sided by "
    "probability; mid-p takes half of the tables as probable as the observed one (Mainland 1963; Gart 1969; both from "
    "memory)"
)
KOCH_METHOD = (
    "rank-sum test of period differences of log thresholds between the two orders (Koch 1972, Biometrics 28:577), with "
    "Gehan's scores for intervals (Gehan 1965, from memory)"
)


@dataclass(frozen=True, slots=True)
class PeriodAdjustedTests:
    """The comparisons of a two-period crossover that allow for a difference between first and second attempts.

    Patients of the two orders are compared, which is exact when the order was randomised.  Settings may differ between
    attempts 1 and 2, but must not go with the placement.  What is carried over from one attempt to the next
    is not told apart from the placement.

    Attributes
    ----------
    capture : PairedTest
        Of capture at one current.
    sign : PairedTest
        Of the decided pairs.
    rank : PairedTest
        Of the differences of log thresholds.
    n_first_first, n_second_first : int
        Patients whose first attempt was with the first, with the second placement.
    n_left_out : int
        Patients with both placements but not as their attempts 1 and 2.
    """

    capture: PairedTest
    sign: PairedTest
    rank: PairedTest
    n_first_first: int
    n_second_first: int
    n_left_out: int


def _orders(pairs: Pairs) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Who had the two placements as attempts 1 and 2, and with whom the first placement was attempt 1; shapes (n,)."""
    return (np.sort(pairs.order, axis=1) == (1, 2)).all(axis=1), pairs.order[:, 0] == 1


def order_notes(pairs: Pairs) -> tuple[str, ...]:
    """Say when tests of pairs that do not allow for order could mislead: one order has at least two patients more.

    In a balanced crossover a difference between first and second attempts favours each placement equally often.
    Counted are patients who had the two placements as attempts 1 and 2.
    """
    crossover, came_first = _orders(pairs)
    first, second = int((crossover & came_first).sum()), int((crossover & ~came_first).sum())
    if abs(first - second) <= 1:
        return ()
    one, two = pairs.names
    remedy = "see the tests that allow for order" if first and second else "no test can allow for order here"
    note = (
        f"the orders are not balanced ({first} patients with {one} first, {second} with {two} first), so a difference "
        f"between first and second attempts could look like one between placements; {remedy}"
    )
    return (note,)


def _mainland_gart(name: str, signs: NDArray[np.int64], came_first: NDArray[np.bool_], higher: str) -> PairedTest:
    """Fisher's exact test of the decided pairs: earlier or later attempt lower, by which placement came first."""
    earlier_lower = np.where(came_first, signs < 0, signs > 0)
    (a, b), (c, d) = (
        [int((part & (signs != 0) & lower).sum()) for lower in (earlier_lower, ~earlier_lower)]
        for part in (came_first, ~came_first)
    )
    n = a + b + c + d
    p_value, p_mid = 1.0, 1.0
    if a * d != b * c:
        p_value = min(1.0, float(stats.fisher_exact(np.array([[a, b], [c, d]])).pvalue))
        probability = stats.hypergeom.pmf(np.arange(min(a + b, a + c) + 1), n, a + b, a + c)
        p_mid = p_value - float(probability[np.isclose(probability, probability[a], rtol=1e-9, atol=0)].sum()) / 2
    return PairedTest(
        name, (b * c - a * d) / n if n else 0.0, p_value, p_mid, signs.size, n, *count_signs(signs),
        f"{higher}: excess of pairs over what is expected without a difference", GART_METHOD,
    )  # fmt: skip


def _koch(pairs: Pairs, came_first: NDArray[np.bool_]) -> PairedTest:
    """Period differences, earlier less later attempt, compared between the two orders."""
    swap = np.where(came_first, 0, 1)[:, None] ^ np.array([0, 1])
    _, differences = certain_signs(
        np.take_along_axis(pairs.lower, swap, axis=1), np.take_along_axis(pairs.upper, swap, axis=1)
    )
    test = allocation_test(differences.sum(axis=1), came_first)
    how = "exact by all ways of dealing the orders" if test.exact else "normal approximation with permutation variance"
    return PairedTest(
        "ranks of period differences of log thresholds", test.statistic, test.p_value, test.p_mid, len(pairs.lower),
        test.n_informative, *count_signs(threshold_signs(pairs.lower, pairs.upper)), pairs.higher,
        f"{KOCH_METHOD}; {how}",
    )  # fmt: skip


def period_adjusted_tests(pairs: Pairs, current_ma: float) -> PeriodAdjustedTests:
    """Compare the patients of the two orders, from those who had the two placements as attempts 1 and 2.

    Parameters
    ----------
    pairs : Pairs
        From :func:`capstat.placement.pairs.pairs_of`.
    current_ma : float
        Where capture is compared.

    Raises
    ------
    NotEstimableError
        When placement and period cannot be told apart.
    """
    apart = "so placement and period cannot be told apart"
    if np.isnan(pairs.order).all():
        raise NotEstimableError(f"The order of the attempts was not recorded, {apart}.")
    crossover, came_first = _orders(pairs)
    if not crossover.any():
        raise NotEstimableError(f"No patient had the two placements as attempts 1 and 2, {apart}.")
    used = pairs.subset(crossover)
    came_first = came_first[crossover]
    if came_first.all() or not came_first.any():
        earlier = pairs.names[0] if came_first.all() else pairs.names[1]
        raise NotEstimableError(f"All {came_first.size} patients had {earlier} placement first, {apart}.")
    capture, thresholds = capture_signs(used.lower, used.upper, current_ma), threshold_signs(used.lower, used.upper)
    return PeriodAdjustedTests(
        _mainland_gart(f"capture at {current_ma:g} mA", capture, came_first, pairs.higher),
        _mainland_gart("pairs decided by their intervals", thresholds, came_first, pairs.higher),
        _koch(used, came_first), int(came_first.sum()), int((~came_first).sum()), int((~crossover).sum()),
    )  # fmt: skip
