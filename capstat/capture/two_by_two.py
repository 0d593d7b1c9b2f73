"""Accuracy of a sign from the four counts of its table against a reference, one step from each patient.

Altman & Bland (1994, BMJ 308:1552 and 309:102) for the quantities; Simel, Samsa & Matchar (1991, J Clin Epidemiol
44:763, from memory) for the limits of likelihood ratios.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from scipy import stats

from capstat.numerics.proportions import clopper_pearson, wilson
from capstat.results import Estimate, UsageError

__all__ = [
    "RATIOS",
    "SHARES",
    "Accuracy",
    "Ratio",
    "Share",
    "TwoByTwo",
    "accuracy_from_counts",
    "ratio_reason",
    "score_limits_of_ratio",
]

LOG_METHOD = "ratio of proportions; limits on the log scale (Simel, Samsa & Matchar 1991, from memory)"
SCORE_METHOD = (
    "ratio of proportions; a cell is zero, so score limits of the ratio of two independent proportions "
    "(Miettinen & Nurminen 1985, from memory)"
)
INTERVALS: Final = {"wilson": ("Wilson", wilson), "clopper-pearson": ("Clopper-Pearson", clopper_pearson)}


@dataclass(frozen=True, slots=True)
class TwoByTwo:
    """Steps by sign and reference.

    Attributes
    ----------
    true_positive, false_positive, false_negative, true_negative : int
        Sign and capture, sign without capture, capture without sign, neither.
    """

    true_positive: int
    false_positive: int
    false_negative: int
    true_negative: int

    def __post_init__(self) -> None:
        """Refuse negative counts."""
        if min(self.cells) < 0:
            raise ValueError("Counts of steps cannot be negative.")

    @property
    def cells(self) -> tuple[int, int, int, int]:
        """The four counts, in the order of the attributes."""
        return self.true_positive, self.false_positive, self.false_negative, self.true_negative

    @property
    def total(self) -> int:
        """All steps of the table."""
        return sum(self.cells)

    def count(self, cells: tuple[int, ...]) -> int:
        """Steps in some of the cells, named by their position in ``cells``."""
        return sum(self.cells[cell] for cell in cells)


TP, FP, FN, TN = range(4)


@dataclass(frozen=True, slots=True)
class Share:
    """A proportion of the table: which cells are successes, which failures, and why it may be missing."""

    quantity: str
    success: tuple[int, ...]
    failure: tuple[int, ...]
    empty: str
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Ratio:
    """A ratio of two proportions, each with (success, failure) cells: with capture, and without."""

    quantity: str
    with_capture: tuple[int, int]
    without_capture: tuple[int, int]
    direction: str


PREVALENCE_NOTE = "depends on how often capture was present at the steps that were compared"
SHARES: Final[dict[str, Share]] = {
    "sensitivity": Share("sensitivity", (TP,), (FN,), "the reference found capture at no step"),
    "specificity": Share("specificity", (TN,), (FP,), "the reference found capture at every step"),
    "positive_predictive_value": Share(
        "positive predictive value", (TP,), (FP,), "the sign was present at no step", (PREVALENCE_NOTE,)
    ),
    "negative_predictive_value": Share(
        "negative predictive value", (TN,), (FN,), "the sign was absent at no step", (PREVALENCE_NOTE,)
    ),
    "prevalence": Share("share of steps with capture", (TP, FN), (FP, TN), "there are no steps"),
}
RATIOS: Final[dict[str, Ratio]] = {
    "positive_likelihood_ratio": Ratio(
        "positive likelihood ratio", (TP, FN), (FP, TN), "sign present: with capture over without capture"
    ),
    "negative_likelihood_ratio": Ratio(
        "negative likelihood ratio", (FN, TP), (TN, FP), "sign absent: with capture over without capture"
    ),
}


@dataclass(frozen=True, slots=True)
class Accuracy:
    """How a sign agrees with a reference.

    Attributes
    ----------
    table : TwoByTwo
        Steps at which both were recorded.
    sensitivity, specificity : Estimate
        Share of steps with capture that show the sign, and of steps without capture that do not.
    positive_predictive_value, negative_predictive_value : Estimate
        Share of steps with the sign that are captured, and of steps without it that are not.
    positive_likelihood_ratio, negative_likelihood_ratio : Estimate
        Sensitivity over 1 - specificity, and 1 - sensitivity over specificity.
    prevalence : Estimate
        Share of steps with capture by the reference.
    """

    table: TwoByTwo
    sensitivity: Estimate
    specificity: Estimate
    positive_predictive_value: Estimate
    negative_predictive_value: Estimate
    positive_likelihood_ratio: Estimate
    negative_likelihood_ratio: Estimate
    prevalence: Estimate


def _upper_score_limit(x1: float, n1: float, x2: float, n2: float, z2: float) -> float:
    """Largest ratio p1/p2 that the score test does not reject; infinite when x2 is 0."""
    if x2 == 0:
        return np.inf
    n, seen = n1 + n2, x1 + x2

    def rejected(ratio: float) -> bool:
        # constrained maximum-likelihood estimate of p2, the smaller root of a quadratic
        b = n1 * ratio + x1 + n2 + x2 * ratio
        p2 = 2 * seen / (b + float(np.sqrt(max(b * b - 4 * n * ratio * seen, 0.0))))
        p1 = min(ratio * p2, 1.0)
        variance = (p1 * (1 - p1) / n1 + ratio**2 * p2 * (1 - p2) / n2) * n / (n - 1)
        return (x1 / n1 - ratio * x2 / n2) ** 2 > z2 * variance

    value = x1 / n1 / (x2 / n2)
    beyond = max(2 * value, 1e-6)
    while not rejected(beyond):
        beyond *= 2
    kept = value
    for _ in range(80):
        middle = (kept + beyond) / 2
        kept, beyond = (kept, middle) if rejected(middle) else (middle, beyond)
    return kept


def score_limits_of_ratio(
    count1: float, nobs1: float, count2: float, nobs2: float, level: float
) -> tuple[float, float]:
    """Score limits of p1/p2 (Miettinen & Nurminen 1985, from memory); counts need not be whole.

    Zero in the second proportion gives no upper limit, zero in the first a lower limit of 0.  Written out because
    statsmodels 0.15.0 gives a lower limit of 1 instead of 0.75 for 12 of 12 against 9 of 9, and an upper one of 0.43
    instead of 0.25 for 0 of 12 against 9 of 9.

    Raises
    ------
    ValueError
        Both counts are zero: nothing bounds the ratio.
    """
    if count1 == 0 and count2 == 0:
        raise ValueError("A ratio of two proportions that are both zero has no limits.")
    if nobs1 + nobs2 <= 1:
        # effective sizes may be that small; the small-sample factor n/(n - 1) then has no meaning
        return 0.0, np.inf
    z2 = float(stats.norm.ppf(0.5 + level / 2)) ** 2
    inverse = _upper_score_limit(count2, nobs2, count1, nobs1, z2)
    return 1 / inverse, _upper_score_limit(count1, nobs1, count2, nobs2, z2)


def ratio_reason(count1: float, nobs1: float, count2: float, nobs2: float) -> str:
    """Why a ratio of two proportions has no value; empty when it has one."""
    if nobs1 == 0:
        return SHARES["sensitivity"].empty
    if nobs2 == 0:
        return SHARES["specificity"].empty
    if count2 == 0:
        return "it would be divided by zero: no step without capture counts towards it"
    return ""


def _share(table: TwoByTwo, share: Share, level: float, interval: str) -> Estimate:
    name, limits = INTERVALS[interval]
    count = table.count(share.success)
    nobs = count + table.count(share.failure)
    method = f"proportion of steps; {name} limits"
    if nobs == 0:
        return Estimate(
            share.quantity,
            None,
            None,
            None,
            level,
            "proportion",
            "identity",
            0,
            method,
            notes=share.notes,
            reason=share.empty,
        )
    lower, upper = limits(count, nobs, level)
    return Estimate(
        share.quantity, count / nobs, lower, upper, level, "proportion", "identity", nobs, method, notes=share.notes
    )


def _ratio(table: TwoByTwo, ratio: Ratio, level: float) -> Estimate:
    count1, rest1 = (table.cells[cell] for cell in ratio.with_capture)
    count2, rest2 = (table.cells[cell] for cell in ratio.without_capture)
    nobs1, nobs2 = count1 + rest1, count2 + rest2
    reason = ratio_reason(count1, nobs1, count2, nobs2)
    value = None if reason else count1 / nobs1 / (count2 / nobs2)
    lower = upper = None
    method = LOG_METHOD
    if min(table.cells) > 0 and value is not None:
        error = float(np.sqrt(1 / count1 - 1 / nobs1 + 1 / count2 - 1 / nobs2))
        reach = float(np.exp(stats.norm.ppf(0.5 + level / 2) * error))
        lower, upper = value / reach, value * reach
    elif min(nobs1, nobs2) > 0:
        method = SCORE_METHOD
        if count1 + count2 > 0:
            lower, upper = score_limits_of_ratio(count1, nobs1, count2, nobs2, level)
    return Estimate(
        ratio.quantity, value, lower, upper, level, "ratio", "log", table.total, method, ratio.direction, reason=reason
    )


def accuracy_from_counts(
    table: TwoByTwo, level: float = 0.95, interval: Literal["wilson", "clopper-pearson"] = "wilson"
) -> Accuracy:
    """Accuracy from counts, each step from another patient.

    Parameters
    ----------
    table : TwoByTwo
        The counts.
    level : float
        Confidence level.
    interval : {"wilson", "clopper-pearson"}
        Limits of the proportions.

    Returns
    -------
    Accuracy
        A proportion without steps has no value; nor has a likelihood ratio that would be divided by zero, but it
        keeps its lower limit.

    Raises
    ------
    UsageError
        Another interval was asked for.
    """
    if interval not in INTERVALS:
        raise UsageError(f"There is no interval {interval}; accepted are {', '.join(INTERVALS)}.")
    return Accuracy(
        table,
        **{name: _share(table, share, level, interval) for name, share in SHARES.items()},
        **{name: _ratio(table, ratio, level) for name, ratio in RATIOS.items()},
    )
