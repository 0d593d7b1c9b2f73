"""Contrasts of two groups without a model: restricted means, shares captured and capture currents.

All limits come from the separate limits of the two groups, see :mod:`capstat.numerics.mover`.  The groups may only be
known to lie between bounds; the limits then hold the whole identified set.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.distributions.invert import capture_current
from capstat.distributions.limits import highest_seen, pointwise_limits
from capstat.distributions.restricted_mean import highest_known, restricted_mean_threshold
from capstat.numerics.mover import Bounded, mover_difference, mover_ratio
from capstat.placement.group_pair import GroupPair, replicate_correlation
from capstat.results import Estimate, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from capstat.distributions.bootstrap import BootstrapCurve
    from capstat.distributions.summary import CaptureSummary

__all__ = ["GroupContrasts", "group_contrasts"]

MEAN_METHOD = (
    "difference of areas above the nonparametric capture curves (Turnbull); limits by square-and-add from the "
    "separate t limits (Zou & Donner 2008, from memory)"
)
PROBABILITY_METHOD = (
    "ratio of nonparametric capture curves (Turnbull); limits from the separate Wilson limits by the method of "
    "variance estimates recovery for ratios (Donner & Zou 2012, from memory)"
)
CURRENT_METHOD = (
    "{} of nonparametric capture currents (Turnbull); limits by square-and-add{} from the separate limits "
    "(Zou & Donner 2008, from memory), each read off the limits of the capture curve (Brookmeyer & Crowley 1982)"
)
UPPER_ENDS = "the value compares the lowest tested currents known to capture that share"


@dataclass(frozen=True, slots=True)
class GroupContrasts:
    """Two groups compared without a model, first against second.

    Attributes
    ----------
    restricted_mean_difference : Estimate
        Difference, in mA, of the mean threshold up to ``up_to_ma``.
    up_to_ma : float
        Highest current at which both capture curves are known.
    probability_ratios : tuple of Estimate
        Ratio of the shares captured, one for each current.
    current_ratios, current_differences : tuple of Estimate
        Ratio of the capture currents, and their difference in mA, one for each fraction.
    """

    restricted_mean_difference: Estimate
    up_to_ma: float
    probability_ratios: tuple[Estimate, ...]
    current_ratios: tuple[Estimate, ...]
    current_differences: tuple[Estimate, ...]


def _mean_difference(pair: GroupPair, up_to: float) -> Estimate:
    quantity = f"difference in mean threshold up to {up_to:g} mA"
    if not up_to > 0:
        return Estimate(
            "difference in mean threshold", None, None, None, pair.level, "mA", "identity", pair.n, MEAN_METHOD,
            f"{pair.first} minus {pair.minus}", reason="at no current is it known in both groups whether it captures",
        )  # fmt: skip
    means = [restricted_mean_threshold(curve, up_to_ma=up_to, level=pair.level) for curve in (pair.one, pair.two)]
    limited = all(mean.lower is not None for mean in means)
    one, two = (_side(mean) for mean in means)
    rho = 0.0
    if pair.shared:
        one_low, two_high = (
            curve.masses @ np.minimum(curve.intervals[:, end], up_to) for curve, end in ((pair.one, 0), (pair.two, 1))
        )
        rho = replicate_correlation(one_low, two_high)
    found = mover_difference(one, two, rho)
    settled = found.high - found.low < 1e-9 * up_to
    notes = () if limited else ("all resamples of a group are alike, so they put no limits on its mean",)
    if not settled:
        notes = (
            *notes,
            f"with the thresholds of both groups at the upper ends of their intervals {one.high - two.high:.1f} mA",
            f"with both at the lower ends {one.low - two.low:.1f} mA",
        )
    return pair.estimate(
        quantity, found.low if settled else None, found, unit="mA", scale="identity", method=MEAN_METHOD,
        reason=f"only known to lie between {found.low:.1f} and {found.high:.1f} mA", notes=notes, limits=limited,
    )  # fmt: skip


def _side(estimate: Estimate) -> Bounded:
    """Bounds and limits of an estimate with identified bounds; without limits, the bounds alone."""
    low, high = estimate.identified or (np.nan, np.nan)
    return Bounded(
        low,
        high,
        low if estimate.lower is None else estimate.lower,
        high if estimate.upper is None else estimate.upper,
    )


def _probability_ratios(pair: GroupPair, currents_ma: Sequence[float]) -> tuple[Estimate, ...]:
    wanted = np.asarray(currents_ma, dtype=float)
    limits = [pointwise_limits(curve, wanted, pair.level) for curve in (pair.one, pair.two)]
    estimates = []
    for i, current in enumerate(wanted):
        one, two = (
            Bounded(*(float(a[i]) for a in (part.lower, part.upper, part.limit_lower, part.limit_upper)))
            for part in limits
        )
        found = mover_ratio(one, two, pair.rho_of_shares(current, current))
        settled = one.high - one.low < 1e-9 and two.high - two.low < 1e-9
        value = one.low / two.low if settled and two.low > 0 else None
        if settled:
            reason = f"nobody was captured at {current:g} mA with {pair.minus}"
        else:
            reason = "the data only bound the shares at this current"
        estimates.append(
            pair.estimate(
                f"ratio of shares captured at {current:g} mA", value, found, unit="ratio", scale="score",
                method=PROBABILITY_METHOD, reason=reason,
            )
        )  # fmt: skip
    return tuple(estimates)


def _map(function: np.ufunc, side: Bounded) -> Bounded:
    return Bounded(*(float(function(end)) for end in (side.low, side.high, side.limit_low, side.limit_high)))


def _current_side(summary: CaptureSummary, fraction: float) -> tuple[Estimate, Bounded, float]:
    """Capture current of one group, its bounds and limits, and the current (mA) at which to correlate curves.

    A current that was not reached lies above the last at which the curve is known, without an upper bound.
    """
    estimate = capture_current(summary.fit, summary.curve, fraction)
    if estimate.identified is not None:
        return estimate, _side(estimate), estimate.identified[1]
    cumulative = np.cumsum(summary.fit.mass)
    reached = min(int(np.searchsorted(cumulative, fraction - 1e-9)), cumulative.size - 1)
    beyond = float(summary.fit.support[reached, 0])
    return estimate, Bounded(beyond, np.inf, min(float(estimate.lower or 0.0), beyond), np.inf), beyond


def _current_contrasts(
    pair: GroupPair, summaries: tuple[CaptureSummary, CaptureSummary], fraction: float
) -> tuple[Estimate, Estimate]:
    """Ratio and difference of the currents that capture ``fraction``."""
    (a, one, at_one), (b, two, at_two) = (_current_side(summary, fraction) for summary in summaries)
    rho = pair.rho_of_shares(at_one, at_two)
    share = f"currents that capture {100 * fraction:g} % of patients"
    reasons = [f"{name}: {part.reason}" for name, part in ((pair.first, a), (pair.minus, b)) if part.reason]
    with np.errstate(divide="ignore"):  # the logarithm of 0 is minus infinity: a bound that says nothing
        ratio = _map(np.exp, mover_difference(_map(np.log, one), _map(np.log, two), rho))
    values: tuple[float | None, float | None] = (None, None)
    if a.value is not None and b.value is not None:
        values = a.value / b.value, a.value - b.value
    notes = (UPPER_ENDS,) if values[0] is not None else ()
    return (
        pair.estimate(
            f"ratio of {share}", values[0], ratio, unit="ratio", scale="log",
            method=CURRENT_METHOD.format("ratio", " on the log scale"), reason="; ".join(reasons), notes=notes,
        ),
        pair.estimate(
            f"difference of {share}", values[1], mover_difference(one, two, rho), unit="mA", scale="identity",
            method=CURRENT_METHOD.format("difference", ""), reason="; ".join(reasons), notes=notes,
        ),
    )  # fmt: skip


def group_contrasts(
    one: BootstrapCurve,
    two: BootstrapCurve,
    summaries: tuple[CaptureSummary, CaptureSummary],
    *,
    first: str,
    minus: str,
    currents_ma: Sequence[float],
    fractions: Sequence[float],
) -> GroupContrasts:
    """Compare two groups by restricted mean, share captured and capture currents, without a model.

    When patients belong to both groups, and the curves were resampled together, the correlation of the replicates
    enters the limits.  For capture currents it is that of the two shares captured at them, since to first order
    the estimates are linear in these (Bahadur 1966, from memory).

    Parameters
    ----------
    one, two : BootstrapCurve
        Differences are ``one - two``, ratios ``one / two``; from one call of
        :func:`capstat.distributions.bootstrap.bootstrap_curves`.
    summaries : tuple of CaptureSummary
        Those of the two curves; the confidence level is theirs.
    first, minus : str
        Names of the groups.
    currents_ma : sequence of float
        Currents at which the ratio of shares is wanted, in mA; include the highest of the device.
    fractions : sequence of float
        Capture currents to compare, as shares between 0 and 1.

    Raises
    ------
    UsageError
        When the summaries have different confidence levels.
    """
    levels = [summary.curve.level for summary in summaries]
    if levels[0] != levels[1]:
        raise UsageError(f"The groups have limits of different levels, {levels[0]:g} and {levels[1]:g}.")
    pair = GroupPair(one, two, first, minus, levels[0])
    up_to = min(highest_known(one), highest_known(two))
    if np.isinf(up_to):
        # everybody was captured: nothing changes above the highest current seen
        up_to = max(highest_seen(one.thresholds), highest_seen(two.thresholds))
    currents = [_current_contrasts(pair, summaries, fraction) for fraction in fractions]
    return GroupContrasts(
        _mean_difference(pair, up_to),
        up_to,
        _probability_ratios(pair, currents_ma),
        tuple(ratio for ratio, _ in currents),
        tuple(difference for _, difference in currents),
    )
