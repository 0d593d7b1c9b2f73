"""False capture before and after a change, such as training: an association in time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from statsmodels.stats.proportion import confint_proportions_2indep

from capstat.capture.false_capture import QUANTITY, check_level, false_share
from capstat.capture.share_tests import compare_shares
from capstat.numerics.mover import Bounded, mover_ratio
from capstat.numerics.proportions import difference_from_intervals
from capstat.numerics.segmented import SegmentedFit, fit_segmented, has_finite_estimate
from capstat.results import Estimate, NotEstimableError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.capture.claims import Claims

__all__ = ["BeforeAfter", "InterruptedSeries", "compare_before_after"]

FEWEST_MONTHS = 6
"""Months with judged claims on each side; common practice, no source: often eight or more are wanted."""
DIRECTION, RATIO_DIRECTION = "after minus before", "after over before"
IN_TIME = "an association in time: other things may have changed in the same months"
DIFFERENCE_METHOD = "difference of proportions; square-and-add from the separate Wilson limits (Newcombe 1998)"
SCORE_METHOD = "ratio of proportions with score limits (Koopman 1984, from memory; statsmodels)"
MOVER_METHOD = (
    "ratio of proportions; limits from the separate Wilson limits by the method of variance estimates recovery for "
    "ratios (Donner & Zou 2012, from memory)"
)


@dataclass(frozen=True, slots=True)
class InterruptedSeries:
    """Logistic segmented regression of false capture on the study month (Bernal et al. 2017, from memory).

    Attributes
    ----------
    months_before, months_after : int
        Months with judged claims.
    dispersion : float or None
        Pearson chi-square of the monthly counts over its degrees of freedom; above 1 the limits are widened by it.
    slope_before : Estimate
        Odds ratio of false capture for one month more, before the change.
    level_change : Estimate
        Odds ratio at the change month, against the earlier slope carried on.
    slope_change : Estimate
        Ratio of the odds ratios for one month more, after against before.
    difference_at_end : Estimate
        Fitted share in the last month less the share with the earlier slope carried on.
    """

    months_before: int
    months_after: int
    dispersion: float | None
    slope_before: Estimate
    level_change: Estimate
    slope_change: Estimate
    difference_at_end: Estimate


@dataclass(frozen=True, slots=True)
class BeforeAfter:
    """False capture before and after a month.

    Attributes
    ----------
    change_month : float
        First month that counts as after.
    before, after : Estimate
        Shares of judged claims that were false.
    difference : Estimate
        After minus before; its p-value is Fisher's, or robust where patients have several claims.
    risk_ratio : Estimate
        After over before.
    test : str
        Name of the test.
    series : InterruptedSeries
        Segmented regression, or the reasons why there is none.
    notes : tuple of str
        What a reader must know.
    """

    change_month: float
    before: Estimate
    after: Estimate
    difference: Estimate
    risk_ratio: Estimate
    test: str
    series: InterruptedSeries
    notes: tuple[str, ...]


def _limits(share: Estimate) -> tuple[float, tuple[float, float]]:
    if share.value is None or share.lower is None or share.upper is None:
        raise NotEstimableError(f"{share.quantity}: {share.reason}.")
    return share.value, (share.lower, share.upper)


def _risk_ratio(
    before: Estimate, after: Estimate, counts: tuple[int, int, int, int], n: int, *, repeated: bool
) -> Estimate:
    """Ratio of the shares; ``counts`` are false and judged after, false and judged before."""
    quantity = "risk ratio of false capture"
    (p1, (l1, u1)), (p0, (l0, u0)) = _limits(after), _limits(before)
    x1, n1, x0, n0 = counts
    method = MOVER_METHOD
    if x1 + x0 == 0:
        reason = "no judged claim was false on either side"
        return Estimate(
            quantity, None, 0.0, np.inf, before.level, "ratio", "score", n, method, RATIO_DIRECTION, reason=reason
        )
    # the score equations have no interior root when a count is at its end
    if repeated or not (0 < x1 < n1 and 0 < x0 < n0):
        found = mover_ratio(Bounded(p1, p1, l1, u1), Bounded(p0, p0, l0, u0), 0.0)
        lower, upper = found.limit_low, found.limit_high
    else:
        method = SCORE_METHOD
        ends = confint_proportions_2indep(
            x1, n1, x0, n0, compare="ratio", method="score", alpha=1 - before.level, correction=False
        )
        lower, upper = (float(end) for end in ends)
    return Estimate(
        quantity, p1 / p0 if p0 > 0 else None, lower, upper, before.level, "ratio", "score", n, method,
        RATIO_DIRECTION, (IN_TIME,), "" if p0 > 0 else "no judged claim before the change was false",
    )  # fmt: skip


_SERIES = (
    ("odds ratio of false capture for one month more, before the change", "odds ratio", "log", "per month"),
    ("change of level of the odds of false capture", "odds ratio", "log", "at the change, against the trend before it"),
    ("change of slope of the odds of false capture", "ratio", "log", "per month, after over before"),
    ("difference in false capture in the last month", "proportion", "logit", "fitted minus trend before carried on"),
)
SERIES_METHOD = "logistic segmented regression on the study month, {}"


def _series_estimates(
    fit: SegmentedFit, last: float, level: float, n: int, method: str, notes: tuple[str, ...]
) -> list[Estimate]:
    z = fit.quantile(level)
    estimates = []
    for at, words in zip((1, 2, 3), _SERIES[:3], strict=True):
        half = z * float(np.sqrt(fit.covariance[at, at]))
        value, lower, upper = (float(np.exp(fit.coefficients[at] + d)) for d in (0.0, -half, half))
        quantity, unit, scale, direction = words
        estimates.append(
            Estimate(
                quantity, value, lower, upper, level, unit, scale, n, method, direction, notes, p_value=fit.p_value(at)
            )
        )
    quantity, unit, scale, direction = _SERIES[3]
    method += "; square-and-add from the limits of both shares (Zou & Donner 2008, from memory)"
    estimates.append(
        Estimate(quantity, *fit.difference_at(last, level), level, unit, scale, n, method, direction, notes)
    )
    return estimates


def _series(claims: Claims, rows: NDArray[np.bool_], change: float, level: float) -> InterruptedSeries:
    time, event, patient = claims.study_month[rows], claims.is_false[rows], claims.patient[rows]
    months = [int(np.unique(time[side]).size) for side in (time < change, time >= change)]
    n, repeated = claims.patients(rows), claims.repeats(rows)
    method = SERIES_METHOD.format("robust to clustering in patients" if repeated else "maximum likelihood")
    reason = ""
    if min(months) < FEWEST_MONTHS:
        reason = f"needs {FEWEST_MONTHS} months with judged claims on each side; there are {months[0]} and {months[1]}"
    elif not has_finite_estimate(event, time, change):
        reason = "on one side of the change all claims agree, or false and upheld ones are separated in time, so that "
        reason += "no finite estimate exists; the comparison of the shares stands"
    if reason:
        missing = [
            Estimate(quantity, None, None, None, level, unit, scale, n, method, direction, reason=reason)
            for quantity, unit, scale, direction in _SERIES
        ]
        return InterruptedSeries(months[0], months[1], None, *missing)
    fit = fit_segmented(event, time, change, patient)
    notes: tuple[str, ...] = (IN_TIME,)
    if fit.dispersion > 1:
        notes += (f"months vary more than claims alone explain (dispersion {fit.dispersion:.2f}); limits are widened",)
    found = _series_estimates(fit, float(time.max()), level, n, method, notes)
    return InterruptedSeries(months[0], months[1], fit.dispersion, *found)


def compare_before_after(claims: Claims, change_month: float, level: float = 0.95) -> BeforeAfter:
    """Compare the share of false captures before a month with that from this month on.

    Parameters
    ----------
    claims : Claims
        From :func:`capstat.capture.claims.read_claims`.
    change_month : float
        First month that counts as after.
    level : float
        Confidence level.

    Raises
    ------
    UsageError
        When the level is not between 0 and 1.
    NotEstimableError
        When no judged claim has a study month, or none lies on one of the sides.
    """
    check_level(level)
    rows = claims.is_judged & ~np.isnan(claims.study_month)
    if not rows.any():
        raise NotEstimableError("No judged claim has a study month: the column 'study_month' of the attempts is empty.")
    is_after = claims.study_month >= change_month
    for side, when in ((rows & ~is_after, "before study month {}"), (rows & is_after, "study month {} or later")):
        if not side.any():
            told = f"{claims.study_month[rows].min():g} to {claims.study_month[rows].max():g}"
            raise NotEstimableError(
                f"No judged claim is from {when.format(f'{change_month:g}')}: they are from months {told}."
            )
    before = false_share(claims, rows & ~is_after, level, f"{QUANTITY}, before month {change_month:g}")
    after = false_share(claims, rows & is_after, level, f"{QUANTITY}, from month {change_month:g}")
    (p1, ends1), (p0, ends0) = _limits(after), _limits(before)
    n, repeated = claims.patients(rows), claims.repeats(rows)
    p_value, test, reason = compare_shares(claims, np.where(rows, is_after, -1).astype(np.intp), seed=0)
    difference = Estimate(
        "difference in the share of false captures", p1 - p0, *difference_from_intervals(p1, ends1, p0, ends0), level,
        "proportion", "score", n, DIFFERENCE_METHOD, DIRECTION, (IN_TIME,), p_value=p_value,
    )  # fmt: skip
    counts = tuple(
        int(part.sum()) for side in (rows & is_after, rows & ~is_after) for part in (side & claims.is_false, side)
    )
    notes = [IN_TIME]
    if p_value is None:
        notes.append(f"no test: {reason}")
    both = np.intersect1d(claims.patient[rows & is_after], claims.patient[rows & ~is_after]).size
    if both:
        notes.append(f"{both} patients have claims on both sides; limits take the sides as independent")
    without = claims.judged - int(rows.sum())
    if without:
        notes.append(f"{without} judged claims without a study month are left out")
    ratio = _risk_ratio(before, after, counts, n, repeated=repeated)  # type: ignore[arg-type]
    series = _series(claims, rows, change_month, level)
    return BeforeAfter(change_month, before, after, difference, ratio, test, series, tuple(notes))
