"""Both placements in the same patient, compared without a model of the thresholds.

A pair is decided when its two intervals have no current in common; only what the bounds make certain is counted.
Null distributions are exact.  For a two-period crossover the same comparisons allow for the period.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from capstat.numerics.proportions import mcnemar, paired_difference_tango
from capstat.numerics.sign_flips import allocation_test, sign_flip_test
from capstat.placement.order import first_attempt_with_each_placement
from capstat.placement.paired import PairedCapture, paired_capture
from capstat.results import Estimate, NotEstimableError, UsageError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.thresholds import CensoredThresholds

__all__ = ["PairedTest", "PairedTests", "PeriodAdjustedTests", "compare_settings_within_patients", "paired_tests"]

# products of currents that are equal on the device's grid may differ in their last digits
TIE = 1e-12

SIGN_METHOD = "sign test of the pairs whose intervals do not overlap, exact and mid-p (Dixon & Mood 1946, from memory)"
RANK_METHOD = (
    "Wilcoxon's signed-rank test of log thresholds, generalised to intervals: certain signs of sums of two differences "
    "(Wilcoxon 1945; Walsh averages, Tukey 1949; both from memory); exact by all exchanges of the two intervals within "
    "patients"
)
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
class PairedTest:
    """A test of no difference between two placements in the same patients.

    Attributes
    ----------
    name : str
        What was compared.
    statistic : float
        Zero when neither placement is favoured; ``direction`` says what a positive value means.
    p_value, p_mid : float
        Two-sided exact p-value, and mid-p (1 when the statistic is 0).
    n_pairs : int
        Patients in the test.
    n_informative : int
        Of them those who can move the statistic.
    first_lower, second_lower : int
        Patients whose threshold is certainly lower with the first, with the second placement.
    undecided : int
        Patients whose bounds do not say.
    direction : str
        What a positive statistic means.
    method : str
        Test by its name in the literature.
    notes : tuple of str
        What a reader must know before using the p-value.
    """

    name: str
    statistic: float
    p_value: float
    p_mid: float
    n_pairs: int
    n_informative: int
    first_lower: int
    second_lower: int
    undecided: int
    direction: str
    method: str
    notes: tuple[str, ...] = ()


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


@dataclass(frozen=True, slots=True)
class PairedTests:
    """Comparisons of two placements in the same patients that need no model.

    Attributes
    ----------
    first, minus : str
        Differences are ``first - minus``.
    current_ma : float
        Current at which capture is compared.
    n_pairs : int
        Patients with both placements; the first attempt with each counts.
    sign, signed_rank : PairedTest
        Of the thresholds.
    capture : PairedCapture or None
        Capture at ``current_ma``; ``None`` when ``tango`` has no value.
    tango : Estimate
        Difference in share captured at ``current_ma`` with Tango's limits.
    period_adjusted : PeriodAdjustedTests or None
        ``None`` with ``period_reason``.
    period_reason : str
        Why period and placement cannot be told apart; empty when they can.
    notes : tuple of str
        Where the two ramps of a patient differ, or that this could not be checked.
    """

    first: str
    minus: str
    current_ma: float
    n_pairs: int
    sign: PairedTest
    signed_rank: PairedTest
    capture: PairedCapture | None
    tango: Estimate
    period_adjusted: PeriodAdjustedTests | None
    period_reason: str
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Pairs:
    """Patients with both placements: column 0 the first placement, column 1 the second; shapes (n, 2)."""

    names: tuple[str, str]
    lower: NDArray[np.float64]
    upper: NDArray[np.float64]
    covariates: dict[str, NDArray[np.float64]]

    def subset(self, keep: NDArray[np.bool_]) -> _Pairs:
        held = {name: values[keep] for name, values in self.covariates.items()}
        return _Pairs(self.names, self.lower[keep], self.upper[keep], held)


def _pairs(thresholds: CensoredThresholds, first: str, minus: str) -> _Pairs:
    if first == minus:
        raise UsageError(f"A placement cannot be compared with itself: both are {first}.")
    single = first_attempt_with_each_placement(thresholds.subset(np.isin(thresholds.placement, (first, minus))))
    if np.any(single.weight != 1):
        raise UsageError("A test of pairs counts every patient once; leave the weights out.")
    one, two = single.for_placement(first), single.for_placement(minus)
    _, i, j = np.intersect1d(one.patient, two.patient, return_indices=True)
    if i.size == 0:
        raise NotEstimableError(f"No patient has both {first} and {minus} placement.")
    recorded = {}
    for name in ("attempt_order", "max_output_ma", "step_ma"):
        if name in single.covariates:
            columns = (part.covariates[name].to_numpy(dtype=float, na_value=np.nan) for part in (one, two))
            recorded[name] = np.column_stack([c[at] for c, at in zip(columns, (i, j), strict=True)])
    return _Pairs(
        (first, minus), np.column_stack((one.lower_ma[i], two.lower_ma[j])),
        np.column_stack((one.upper_ma[i], two.upper_ma[j])), recorded,
    )  # fmt: skip


def _exceeds(left: NDArray[np.float64], right: NDArray[np.float64], attained: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Whether what lies above ``left`` certainly exceeds what lies below ``right``.

    An interval is open below, so equal bounds suffice, unless both bounds can be attained (thresholds known exactly).
    """
    return np.where(attained, left > right * (1 + TIE), left * (1 + TIE) >= right)


def _certain_signs(lower: NDArray[np.float64], upper: NDArray[np.float64]) -> tuple[NDArray[np.int64], ...]:
    """Signs of d_i + d_j and of d_i - d_j where the bounds make them certain, else 0; two arrays (n, n).

    d is the log threshold of column 0 less that of column 1.  It lies above log(lower_0 / upper_1), which it can
    attain when threshold 0 is known exactly, and below log(upper_0 / lower_1); so all comparisons are of products
    of currents, which are exact for whole numbers.
    """
    (l0, l1), (u0, u1), (e0, e1) = lower.T, upper.T, (lower == upper).T
    above = _exceeds(np.outer(l0, l0), np.outer(u1, u1), np.outer(e0, e0))
    below = _exceeds(np.outer(l1, l1), np.outer(u0, u0), np.outer(e1, e1))
    greater = _exceeds(np.outer(l0, l1), np.outer(u1, u0), np.outer(e0, e1))
    return above.astype(np.int64) - below, greater.astype(np.int64) - greater.T


def _signed_rank_values(lower: NDArray[np.float64], upper: NDArray[np.float64]) -> NDArray[np.int64]:
    """Twice the weight of every pair in the sum of certain signs of d_i + d_j over i <= j.

    A flip of pair i turns d_i into -d_i.  The sign of s_i d_i + s_j d_j is s_i times that of d_i + d_j when both
    flips are alike and s_i times that of d_i - d_j when they differ, so the sum is linear in the flips.
    """
    sums, differences = _certain_signs(lower, upper)
    return np.asarray(np.diag(sums) + (sums + differences).sum(axis=1))


def _signs(pairs: _Pairs) -> NDArray[np.int64]:
    """1 where the threshold is certainly higher with the first placement, -1 where certainly lower, else 0."""
    exact = pairs.lower == pairs.upper
    higher = _exceeds(pairs.lower[:, 0], pairs.upper[:, 1], exact[:, 0])
    lower = _exceeds(pairs.lower[:, 1], pairs.upper[:, 0], exact[:, 1])
    return np.asarray(higher.astype(np.int64) - lower)


def _capture_signs(pairs: _Pairs, current_ma: float) -> NDArray[np.int64]:
    """As :func:`_signs`, from capture at one current alone."""
    captured, failed = pairs.upper <= current_ma, pairs.lower >= current_ma
    second_only, first_only = failed[:, 0] & captured[:, 1], captured[:, 0] & failed[:, 1]
    return np.asarray(second_only.astype(np.int64) - first_only)


def _counts(signs: NDArray[np.int64]) -> tuple[int, int, int]:
    return int((signs < 0).sum()), int((signs > 0).sum()), int((signs == 0).sum())


def _higher(names: tuple[str, str]) -> str:
    return f"positive when {names[0]} needs more current than {names[1]}"


def _least_p(informative: int) -> tuple[str, ...]:
    """Say so when no result could have been convincing."""
    least = min(1.0, 2 * 0.5**informative)
    if least <= 0.05:
        return ()
    return (f"{informative} informative pairs cannot give a two-sided p-value below {least:g}",)


def _sign_test(pairs: _Pairs, notes: tuple[str, ...]) -> PairedTest:
    first_lower, second_lower, undecided = _counts(_signs(pairs))
    test, decided = mcnemar(first_lower, second_lower), first_lower + second_lower
    return PairedTest(
        "pairs decided by their intervals", second_lower - first_lower, test.p_exact, test.p_mid, len(pairs.lower),
        decided, first_lower, second_lower, undecided, _higher(pairs.names), SIGN_METHOD, (*_least_p(decided), *notes),
    )  # fmt: skip


def _signed_rank_test(pairs: _Pairs, notes: tuple[str, ...]) -> PairedTest:
    test = sign_flip_test(_signed_rank_values(pairs.lower, pairs.upper))
    return PairedTest(
        "signed ranks of log thresholds", test.statistic // 2, test.p_value, test.p_mid, len(pairs.lower),
        test.n_informative, *_counts(_signs(pairs)), _higher(pairs.names), RANK_METHOD,
        (*_least_p(test.n_informative), *notes),
    )  # fmt: skip


def _mainland_gart(
    name: str, signs: NDArray[np.int64], came_first: NDArray[np.bool_], names: tuple[str, str]
) -> PairedTest:
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
        name, (b * c - a * d) / n if n else 0.0, p_value, p_mid, signs.size, n, *_counts(signs),
        f"{_higher(names)}: excess of pairs over what is expected without a difference", GART_METHOD,
    )  # fmt: skip


def _koch(pairs: _Pairs, came_first: NDArray[np.bool_]) -> PairedTest:
    """Period differences, earlier less later attempt, compared between the two orders."""
    swap = np.where(came_first, 0, 1)[:, None] ^ np.array([0, 1])
    _, differences = _certain_signs(
        np.take_along_axis(pairs.lower, swap, axis=1), np.take_along_axis(pairs.upper, swap, axis=1)
    )
    test = allocation_test(differences.sum(axis=1), came_first)
    how = "exact by all ways of dealing the orders" if test.exact else "normal approximation with permutation variance"
    return PairedTest(
        "ranks of period differences of log thresholds", test.statistic, test.p_value, test.p_mid, len(pairs.lower),
        test.n_informative, *_counts(_signs(pairs)), _higher(pairs.names), f"{KOCH_METHOD}; {how}",
    )  # fmt: skip


def _period_adjusted(pairs: _Pairs, current_ma: float) -> PeriodAdjustedTests:
    order = pairs.covariates.get("attempt_order")
    apart = "so placement and period cannot be told apart"
    if order is None or np.isnan(order).all():
        raise NotEstimableError(f"The order of the attempts was not recorded, {apart}.")
    crossover = (np.sort(order, axis=1) == (1, 2)).all(axis=1)
    if not crossover.any():
        raise NotEstimableError(f"No patient had the two placements as attempts 1 and 2, {apart}.")
    used = pairs.subset(crossover)
    came_first = order[crossover, 0] == 1
    if came_first.all() or not came_first.any():
        earlier = pairs.names[0] if came_first.all() else pairs.names[1]
        raise NotEstimableError(f"All {came_first.size} patients had {earlier} placement first, {apart}.")
    capture = _capture_signs(used, current_ma)
    return PeriodAdjustedTests(
        _mainland_gart(f"capture at {current_ma:g} mA", capture, came_first, pairs.names),
        _mainland_gart("pairs decided by their intervals", _signs(used), came_first, pairs.names),
        _koch(used, came_first), int(came_first.sum()), int((~came_first).sum()), int((~crossover).sum()),
    )  # fmt: skip


def compare_settings_within_patients(thresholds: CensoredThresholds, first: str, minus: str) -> tuple[str, ...]:
    """Say in words where the two ramps of a patient differ in settings, or that this could not be checked.

    Tests of pairs take the two intervals of a patient as exchangeable when the placements do not differ, and so need
    equal ramps.

    Parameters
    ----------
    thresholds : CensoredThresholds
        With ``max_output_ma`` and ``step_ma`` among the covariates, where recorded.
    first, minus : str
        The two placements.

    Raises
    ------
    NotEstimableError
        When no patient has both placements.
    """
    return _setting_notes(_pairs(thresholds, first, minus))


def _setting_notes(pairs: _Pairs) -> tuple[str, ...]:
    notes, n = [], len(pairs.lower)
    for column, words in (("max_output_ma", "highest currents"), ("step_ma", "steps of current")):
        values = pairs.covariates.get(column, np.full((n, 2), np.nan))
        known = np.isfinite(values).all(axis=1)
        differ = int((known & (values[:, 0] != values[:, 1])).sum())
        if differ:
            notes.append(
                f"{words} ({column}) differ between the two attempts of {differ} of {n} patients; tests of pairs also "
                "respond to such a difference"
            )
        if not known.all():
            notes.append(
                f"{words} ({column}) were not recorded for both attempts of {n - int(known.sum())} of {n} patients, so "
                "it was not checked that their ramps are alike"
            )
    return tuple(notes)


def _tango(
    thresholds: CensoredThresholds, names: tuple[str, str], current_ma: float, level: float, n_pairs: int
) -> tuple[PairedCapture | None, Estimate]:
    method = "Tango (1998) score interval for pairs; exact McNemar test"
    try:
        capture = paired_capture(thresholds, *names, current_ma=current_ma, level=level)
    except NotEstimableError as error:
        return None, Estimate(
            f"paired difference in share captured at {current_ma:g} mA", None, None, None, level, "proportion",
            "score", n_pairs, method, f"{names[0]} minus {names[1]}", reason=str(error),
        )  # fmt: skip
    table = (capture.both, capture.first_only, capture.second_only, capture.neither)
    low, high = paired_difference_tango(*table, level)
    notes: tuple[str, ...] = ()
    if capture.undetermined:
        notes = (f"{capture.undetermined} patients left out because a ramp stopped before {current_ma:g} mA",)
    return capture, replace(capture.difference, lower=low, upper=high, method=method, notes=notes)


def paired_tests(
    thresholds: CensoredThresholds, first: str, minus: str, *, current_ma: float, level: float = 0.95
) -> PairedTests:
    """Compare two placements within patients without a model of the thresholds.

    The sign test uses pairs whose intervals do not overlap; it is valid for any scale of current.  The signed-rank
    test adds what the bounds say about the size of differences on the log scale.  Both take the two intervals of a
    patient as exchangeable when the placements do not differ, which includes ramps with the same settings and maximum.
    The period-adjusted tests compare patients of the two orders instead.

    Parameters
    ----------
    thresholds : CensoredThresholds
        Attempts; other placements are ignored, and so are patients without both.
    first, minus : str
        Differences are ``first - minus``.
    current_ma : float
        Where capture is compared, usually the device maximum.
    level : float
        Confidence level of Tango's interval.

    Raises
    ------
    NotEstimableError
        When no patient has both placements.
    UsageError
        When both placements are the same, or attempts have weights.

    Examples
    --------
    >>> from capstat import CensoredThresholds
    >>> some = CensoredThresholds.from_bounds(
    ...     [40, 60, 50, 70, 65, 140], [45, 65, 55, 75, 70, float("inf")], [1, 1, 2, 2, 3, 3], ["a", "b"] * 3
    ... )
    >>> tests = paired_tests(some, "a", "b", current_ma=140)
    >>> tests.sign.first_lower, tests.sign.p_value, tests.signed_rank.statistic
    (3, 0.25, -6)
    """
    pairs = _pairs(thresholds, first, minus)
    notes = _setting_notes(pairs)
    capture, tango = _tango(thresholds, pairs.names, current_ma, level, len(pairs.lower))
    adjusted, reason = None, ""
    try:
        adjusted = _period_adjusted(pairs, current_ma)
    except NotEstimableError as error:
        reason = str(error)
    return PairedTests(
        first, minus, current_ma, len(pairs.lower), _sign_test(pairs, notes), _signed_rank_test(pairs, notes), capture,
        tango, adjusted, reason, notes,
    )  # fmt: skip
