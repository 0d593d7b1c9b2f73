"""The share of patients whom no current captures, and whether the data can tell.

Berkson & Gage (1952) and Farewell (1982, doi:10.2307/2529885) for the mixture; Self & Liang (1987,
doi:10.1080/01621459.1987.10478472) for the test at the boundary; Maller & Zhou (1994,
doi:10.1080/01621459.1994.10476889) for the question whether follow-up, here the highest current, reaches far enough.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from scipy import special, stats

from capstat.distributions.likelihood import IntervalData, row_terms, total_terms
from capstat.distributions.parametric import ParametricFit, fit_parametric
from capstat.distributions.regression import MOST_ITERATIONS
from capstat.numerics.maximise import NoMaximumError, maximise_newton, profile_interval
from capstat.results import Estimate, NotEstimableError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.distributions.families import Family
    from capstat.thresholds import CensoredThresholds

__all__ = ["FollowUp", "NeverCaptured", "estimate_never_captured", "follow_up", "gains_from_mixing", "terms_at_share"]

# the search for the upper limit of the share runs on the logit scale up to here (a share of 99.99 %)
LARGEST_LOGIT = 9.0
# Maller & Zhou's level for calling follow-up sufficient
SUFFICIENT_BELOW = 0.05
# attempts without capture that must have been followed beyond the last capture
FEWEST_BEYOND = 3


@dataclass(frozen=True, slots=True)
class FollowUp:
    """Whether the highest currents lie beyond where captures happen, so that a plateau was seen.

    Attributes
    ----------
    last_capture_ma : float or None
        Highest first capturing current; ``None`` when nobody was captured.
    highest_tested_ma : float
        Highest current that some attempt was seen not to capture at, or to capture at.
    n_beyond : int
        Attempts without capture that were followed above ``last_capture_ma``.
    n_in_window : int
        Attempts that captured within the stretch just below ``last_capture_ma`` that is as long as the stretch seen
        above it.
    alpha : float
        (1 - n_in_window / n)^n of Maller & Zhou (1994): the chance of seeing so few late captures if the highest
        currents did not reach beyond the thresholds.  1 when nothing was seen above the last capture.
    sufficient : bool
        Whether ``alpha`` is below 0.05, and at least three of the attempts without capture, and at least half of them,
        were followed above ``last_capture_ma``.
    """

    last_capture_ma: float | None
    highest_tested_ma: float
    n_beyond: int
    n_in_window: int
    alpha: float
    sufficient: bool


def follow_up(thresholds: CensoredThresholds) -> FollowUp:
    """Judge whether the currents tested reach beyond the thresholds.

    A captured threshold counts at its first capturing current, the upper end of its interval, which makes the
    plateau as short as it can be.  The rule is written for thresholds known exactly; on a ramp it errs on the side of
    "not sufficient": a single capture at the device maximum leaves nothing above it and gives ``alpha = 1``.  It is a
    warning light, not a test with a known error rate (Shen 2000; Xie, Escobar-Bach & Van Keilegom 2024).  The rule
    supposes that everybody could be followed equally far.  Devices have different maxima, and one attempt on a stronger
    device must not speak for all; hence the two further conditions of ``sufficient``, which are this project's own.

    Parameters
    ----------
    thresholds : CensoredThresholds
        Attempts of one group.

    Raises
    ------
    NotEstimableError
        When there are no attempts.
    """
    n = len(thresholds)
    if n == 0:
        raise NotEstimableError("There are no attempts with a usable threshold interval.")
    captured = np.isfinite(thresholds.upper_ma)
    open_from = thresholds.lower_ma[~captured].max(initial=0.0)
    if not captured.any():
        return FollowUp(None, float(open_from), int(n), 0, 1.0, sufficient=False)
    last = float(thresholds.upper_ma[captured].max())
    highest = max(last, float(open_from))
    window = (thresholds.upper_ma > 2 * last - highest) & captured
    inside = int(window.sum()) if highest > last else 0
    alpha = float((1 - inside / n) ** n)
    beyond = int((thresholds.lower_ma[~captured] > last).sum())
    most = 2 * beyond >= int((~captured).sum())
    sufficient = alpha < SUFFICIENT_BELOW and beyond >= FEWEST_BEYOND and most
    return FollowUp(last, highest, beyond, inside, alpha, sufficient)


@dataclass(frozen=True, slots=True, eq=False)
class NeverCaptured:
    """What one family says about the share never captured.

    Attributes
    ----------
    family : Family
        Distribution of the thresholds of those who can be captured.
    share : Estimate
        Share never captured at any current, as a proportion, with profile-likelihood limits (chi-square, 1 degree of
        freedom).  0 at the boundary.
    p_value : float
        Likelihood-ratio test of a share of 0, referred to the 50:50 mixture of chi-square with 0 and with 1 degree of
        freedom (Self & Liang 1987).
    fit : ParametricFit
        The mixture where the share is above 0, else the ordinary fit.
    follow_up : FollowUp
        Whether the currents reach far enough for the share to mean anything.
    """

    family: Family
    share: Estimate
    p_value: float
    fit: ParametricFit
    follow_up: FollowUp


def terms_at_share(
    family: Family, data: IntervalData, logit: float, parameters: NDArray[np.float64]
) -> tuple[float, NDArray[np.float64], NDArray[np.float64]]:
    """Log-likelihood with gradient and Hessian in (location, ancillary) at a fixed logit of the capturable share."""
    value, slope, bend = total_terms(family, data, np.append(parameters, logit))
    return value, slope[:-1], bend[:-1, :-1]


def _interval_data(thresholds: CensoredThresholds) -> IntervalData:
    cells = thresholds.cells()
    ones = np.ones((cells.count.size, 1))
    return IntervalData(cells.lower_ma, cells.upper_ma, ones, cells.count, ones)


def gains_from_mixing(thresholds: CensoredThresholds, ordinary: ParametricFit) -> bool:
    """Whether the likelihood rises when the share never captured leaves 0: the sign of its derivative there."""
    data = _interval_data(thresholds)
    plain = IntervalData(data.lower_ma, data.upper_ma, data.design, data.weight)
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        log_survival = row_terms(ordinary.family, plain, ordinary.model.parameters).value
    missed = np.isinf(data.upper_ma)
    return float(data.weight[missed] @ np.expm1(-log_survival[missed])) > float(data.weight[~missed].sum())


def _best(thresholds: CensoredThresholds, family: Family, data: IntervalData) -> tuple[ParametricFit, ParametricFit]:
    """The ordinary fit, and the mixture where it fits better (else the ordinary fit again)."""
    ordinary = fit_parametric(thresholds, family=family)
    if not np.isinf(data.upper_ma).any():
        return ordinary, ordinary
    try:
        mixture = fit_parametric(thresholds, family=family, never_captured=True)
    except NotEstimableError:
        if gains_from_mixing(thresholds, ordinary):
            raise
        return ordinary, ordinary
    return ordinary, mixture if mixture.log_likelihood > ordinary.log_likelihood else ordinary


def estimate_never_captured(thresholds: CensoredThresholds, *, family: Family, level: float = 0.95) -> NeverCaptured:
    """Estimate the share of patients whom no current captures, and say whether the data can tell.

    "Not captured at the maximum" mixes those who need more current than the device gives with those whom nothing would
    capture.  Only a plateau of the capture curve below the maximum separates the two, and how far it does so depends on
    the family: give several.

    Parameters
    ----------
    thresholds : CensoredThresholds
        One attempt for each patient, without weights.
    family : Family
        Distribution of the thresholds of those who can be captured.
    level : float
        Confidence level.

    Raises
    ------
    NotEstimableError
        When patients have several attempts or weights are not all 1 (the profile likelihood would be too sharp), or the
        family cannot be fitted.
    """
    if thresholds.clustered or not np.all(thresholds.weight == 1):
        raise NotEstimableError(
            "The share never captured is estimated from one attempt for each patient, without weights: several "
            "attempts of a patient are not independent."
        )
    data = _interval_data(thresholds)
    ordinary, best = _best(thresholds, family, data)
    at_boundary = best is ordinary
    gain = max(2 * (best.log_likelihood - ordinary.log_likelihood), 0.0)
    limits, unsure = _profile_limits(data, ordinary, best, family, level)
    reached = follow_up(thresholds)
    share = Estimate(
        "share never captured at any current", 1 - best.share_capturable, *limits, level, "proportion",
        "profile likelihood", thresholds.n_patients,
        f"{family.name} thresholds with a share never captured; profile likelihood",
        notes=_notes(reached, at_boundary=at_boundary, unsure=unsure),
    )  # fmt: skip
    p_value = 1.0 if gain == 0 else 0.5 * float(stats.chi2.sf(gain, 1))
    return NeverCaptured(family, share, p_value, best, reached)


def _profile_limits(
    data: IntervalData, ordinary: ParametricFit, best: ParametricFit, family: Family, level: float
) -> tuple[tuple[float, float], bool]:
    """Limits of the share on the profile likelihood, and whether the search met a flat likelihood on the way."""
    drop = float(stats.chi2.ppf(level, 1)) / 2
    # every point of the profile starts from the same place, so that it does not depend on the order of calls
    start = np.concatenate((best.model.coefficients, best.model.ancillary))
    flat = False

    def profile(logit: float) -> float:
        nonlocal flat
        try:
            return maximise_newton(
                partial(terms_at_share, family, data, -logit), start, max_iterations=MOST_ITERATIONS
            ).value
        except NoMaximumError:
            flat = True
            return -np.inf

    if best is ordinary:
        # the maximum lies at a logit of minus infinity: begin at the largest share that is surely inside the limits
        grid = np.linspace(-8.0, LARGEST_LOGIT, 35)
        at = max((float(x) for x in grid if profile(float(x)) >= best.log_likelihood - drop), default=-8.0)
    else:
        at = float(-best.model.capturable_coefficients[0])
    lower, upper = profile_interval(profile, best.log_likelihood, at, 0.25, drop, reach=8 * LARGEST_LOGIT)
    zero_inside = ordinary.log_likelihood >= best.log_likelihood - drop
    low = 0.0 if zero_inside else float(special.expit(lower))
    return (low, float(special.expit(upper))), flat


def _notes(reached: FollowUp, *, at_boundary: bool, unsure: bool) -> tuple[str, ...]:
    notes = []
    if at_boundary:
        notes.append("the likelihood is largest with nobody beyond capture; the upper limit is what the data allow")
    if not reached.sufficient:
        notes.append(
            "the currents tested do not clearly reach beyond the thresholds, so this share rests on the shape of the "
            "family"
        )
    if unsure:
        notes.append("the likelihood is flat for some shares; the limits are where it could still be maximised")
    return tuple(notes)
