"""Both placements in the same patient, compared without a model of the thresholds.

A pair is decided when its two intervals have no current in common; only what the bounds make certain is counted.
Null distributions are exact.  For a two-period crossover the same comparisons allow for the period.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from capstat.numerics.proportions import mcnemar, paired_difference_tango
from capstat.numerics.sign_flips import sign_flip_test
from capstat.placement.certain_signs import count_signs, signed_rank_values, threshold_signs
from capstat.placement.paired import PairedCapture, paired_capture
from capstat.placement.pairs import PairedTest, Pairs, compare_settings_within_patients, pairs_of, setting_notes
from capstat.placement.period_tests import PeriodAdjustedTests, order_notes, period_adjusted_tests
from capstat.results import Estimate, NotEstimableError

if TYPE_CHECKING:
    from capstat.thresholds import CensoredThresholds

__all__ = ["PairedTest", "PairedTests", "PeriodAdjustedTests", "compare_settings_within_patients", "paired_tests"]

SIGN_METHOD = "sign test of the pairs whose intervals do not overlap, exact and mid-p (Dixon & Mood 1946, from memory)"
RANK_METHOD = (
    "Wilcoxon's signed-rank test of log thresholds, generalised to intervals: certain signs of sums of two differences "
    "(Wilcoxon 1945; Walsh averages, Tukey 1949; both from memory); exact by all exchanges of the two intervals within "
    "patients"
)


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


def _least_p(informative: int) -> tuple[str, ...]:
    """Say so when no result could have been convincing."""
    least = min(1.0, 2 * 0.5**informative)
    if least <= 0.05:
        return ()
    return (f"{informative} informative pairs cannot give a two-sided p-value below {least:g}",)


def _sign_test(pairs: Pairs, notes: tuple[str, ...]) -> PairedTest:
    first_lower, second_lower, undecided = count_signs(threshold_signs(pairs.lower, pairs.upper))
    test, decided = mcnemar(first_lower, second_lower), first_lower + second_lower
    return PairedTest(
        "pairs decided by their intervals", second_lower - first_lower, test.p_exact, test.p_mid, len(pairs.lower),
        decided, first_lower, second_lower, undecided, pairs.higher, SIGN_METHOD, (*_least_p(decided), *notes),
    )  # fmt: skip


def _signed_rank_test(pairs: Pairs, notes: tuple[str, ...]) -> PairedTest:
    test = sign_flip_test(signed_rank_values(pairs.lower, pairs.upper))
    return PairedTest(
        "signed ranks of log thresholds", test.statistic // 2, test.p_value, test.p_mid, len(pairs.lower),
        test.n_informative, *count_signs(threshold_signs(pairs.lower, pairs.upper)), pairs.higher, RANK_METHOD,
        (*_least_p(test.n_informative), *notes),
    )  # fmt: skip


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
    The period-adjusted tests compare patients of the two orders instead; notes of the other two tests say when the
    orders are so unbalanced that they are needed.

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
    pairs = pairs_of(thresholds, first, minus)
    notes = setting_notes(pairs)
    cautions = (*notes, *order_notes(pairs))
    capture, tango = _tango(thresholds, pairs.names, current_ma, level, len(pairs.lower))
    adjusted, reason = None, ""
    try:
        adjusted = period_adjusted_tests(pairs, current_ma)
    except NotEstimableError as error:
        reason = str(error)
    return PairedTests(
        first, minus, current_ma, len(pairs.lower), _sign_test(pairs, cautions), _signed_rank_test(pairs, cautions),
        capture, tango, adjusted, reason, notes,
    )  # fmt: skip
