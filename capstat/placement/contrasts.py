"""Contrasts of two groups without a model: restricted means, shares captured and capture currents.

All limits come from the separate limits of the two groups, which need not be symmetric: square-and-add for
differences (Newcombe 1998, Stat Med 17:2635; Zou & Donner 2008, Stat Med 27:1693, from memory) and its
counterpart for ratios (Donner & Zou 2012, Stat Methods Med Res 21:347, from memory).  The groups may only be
known to lie between bounds; the limits then hold the whole identified set.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.distributions.invert import capture_current
from capstat.distributions.limits import highest_seen, pointwise_limits
from capstat.distributions.npmle import bounds_at
from capstat.distributions.restricted_mean import highest_known, restricted_mean_threshold
from capstat.results import Estimate, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from capstat.distributions.bootstrap import BootstrapCurve
    from capstat.distributions.summary import CaptureSummary

__all__ = ["GroupContrasts", "group_contrasts"]

# below this many patients in a group limits from a bootstrap of each group are too narrow to be given
FEWEST_PATIENTS = 5
TOO_FEW = f"a group has fewer than {FEWEST_PATIENTS} patients, too few for limits"

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


@dataclass(frozen=True, slots=True)
class _Side:
    """One group: identified bounds, and the confidence limits around them."""

    low: float
    high: float
    limit_low: float
    limit_high: float


def _upper_difference(one: _Side, two: _Side, rho: float) -> tuple[float, float]:
    """Upper identified bound of ``one - two`` and its limit; infinite where an end is."""
    high, low = one.high, two.low
    if not np.isfinite([high, low]).all():
        return np.inf, np.inf
    # a limit never lies inside the identified set
    up, down = max(one.limit_high - high, 0.0), max(low - two.limit_low, 0.0)
    if not np.isfinite([up, down]).all():
        return high - low, np.inf
    return high - low, high - low + float(np.sqrt(max(up**2 - 2 * rho * up * down + down**2, 0.0)))


def _difference(one: _Side, two: _Side, rho: float) -> _Side:
    """Identified bounds of ``one - two`` and their limits by square-and-add."""
    high, limit_high = _upper_difference(one, two, rho)
    low, limit_low = _upper_difference(two, one, rho)
    return _Side(-low, high, -limit_low, limit_high)


def _upper_ratio(one: _Side, two: _Side, rho: float) -> tuple[float, float]:
    """Upper identified bound of ``one / two`` for shares, and its limit; infinite where nothing bounds it.

    The limit is the ratio r at which the square-and-add interval of ``one - r two`` ends at 0, the larger root of a
    quadratic (Donner & Zou 2012).  Unlike a limit on the log scale it exists when ``one`` is 0.
    """
    high, low = one.high, two.low
    up, down = max(one.limit_high - high, 0.0), max(low - two.limit_low, 0.0)
    a, b, c = low**2 - down**2, high * low - rho * up * down, high**2 - up**2
    bound = high / low if low > 0 else np.inf
    limit = (b + float(np.sqrt(max(b**2 - a * c, 0.0)))) / a if a > 0 else np.inf
    return bound, max(bound, limit)


def _ratio(one: _Side, two: _Side, rho: float) -> _Side:
    """Identified bounds of ``one / two`` for shares, and their limits: those of ``two / one`` are the inverse ones."""
    high, limit_high = _upper_ratio(one, two, rho)
    low, limit_low = (1 / end if end > 0 else np.inf for end in _upper_ratio(two, one, rho))
    return _Side(low, high, limit_low, limit_high)


def _correlation(a: NDArray[np.float64], b: NDArray[np.float64]) -> float:
    """Correlation over joint replicates; 0 where one of them is constant."""
    if np.ptp(a) < 1e-12 or np.ptp(b) < 1e-12:
        return 0.0
    return float(np.corrcoef(a, b)[0, 1])


@dataclass(frozen=True, slots=True, eq=False)
class _Pair:
    """What all contrasts of two groups share."""

    one: BootstrapCurve
    two: BootstrapCurve
    first: str
    minus: str
    level: float

    @property
    def n(self) -> int:
        return int(np.union1d(self.one.thresholds.patient, self.two.thresholds.patient).size)

    @property
    def few(self) -> bool:
        return min(self.one.thresholds.n_patients, self.two.thresholds.n_patients) < FEWEST_PATIENTS

    @property
    def shared(self) -> bool:
        return bool(np.intersect1d(self.one.thresholds.patient, self.two.thresholds.patient).size)

    def rho_of_shares(self, at_one: float, at_two: float) -> float:
        """Correlation of the two shares captured, each at a current of its own group (mA)."""
        if not self.shared:
            return 0.0
        one, _ = bounds_at(self.one.intervals, self.one.masses, np.array(at_one))
        two, _ = bounds_at(self.two.intervals, self.two.masses, np.array(at_two))
        return _correlation(one, two)

    def estimate(
        self, quantity: str, value: float | None, found: _Side, *, unit: str, scale: str, method: str, reason: str,
        notes: tuple[str, ...] = (), limits: bool = True,
    ) -> Estimate:  # fmt: skip
        given = limits and not self.few
        joined = "relative to" if unit == "ratio" else "minus"
        return Estimate(
            quantity, value, found.limit_low if given else None, found.limit_high if given else None, self.level, unit,
            scale, self.n, method, f"{self.first} {joined} {self.minus}",
            (*notes, TOO_FEW) if self.few else notes, "" if value is not None else reason,
            (found.low, found.high) if found.low < np.inf else None,
        )  # fmt: skip


def _mean_difference(pair: _Pair, up_to: float) -> Estimate:
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
        rho = _correlation(one_low, two_high)
    found = _difference(one, two, rho)
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


def _side(estimate: Estimate) -> _Side:
    """Bounds and limits of an estimate with identified bounds; without limits, the bounds alone."""
    low, high = estimate.identified or (np.nan, np.nan)
    return _Side(
        low,
        high,
        low if estimate.lower is None else estimate.lower,
        high if estimate.upper is None else estimate.upper,
    )


def _probability_ratios(pair: _Pair, currents_ma: Sequence[float]) -> tuple[Estimate, ...]:
    wanted = np.asarray(currents_ma, dtype=float)
    limits = [pointwise_limits(curve, wanted, pair.level) for curve in (pair.one, pair.two)]
    estimates = []
    for i, current in enumerate(wanted):
        one, two = (
            _Side(*(float(a[i]) for a in (part.lower, part.upper, part.limit_lower, part.limit_upper)))
            for part in limits
        )
        found = _ratio(one, two, pair.rho_of_shares(current, current))
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


def _map(function: np.ufunc, side: _Side) -> _Side:
    return _Side(*(float(function(end)) for end in (side.low, side.high, side.limit_low, side.limit_high)))


def _current_side(summary: CaptureSummary, fraction: float) -> tuple[Estimate, _Side, float]:
    """Capture current of one group, its bounds and limits, and the current (mA) at which to correlate curves.

    A current that was not reached lies above the last at which the curve is known, without an upper bound.
    """
    estimate = capture_current(summary.fit, summary.curve, fraction)
    if estimate.identified is not None:
        return estimate, _side(estimate), estimate.identified[1]
    cumulative = np.cumsum(summary.fit.mass)
    reached = min(int(np.searchsorted(cumulative, fraction - 1e-9)), cumulative.size - 1)
    beyond = float(summary.fit.support[reached, 0])
    return estimate, _Side(beyond, np.inf, min(float(estimate.lower or 0.0), beyond), np.inf), beyond


def _current_contrasts(
    pair: _Pair, summaries: tuple[CaptureSummary, CaptureSummary], fraction: float
) -> tuple[Estimate, Estimate]:
    """Ratio and difference of the currents that capture ``fraction``."""
    (a, one, at_one), (b, two, at_two) = (_current_side(summary, fraction) for summary in summaries)
    rho = pair.rho_of_shares(at_one, at_two)
    share = f"currents that capture {100 * fraction:g} % of patients"
    reasons = [f"{name}: {part.reason}" for name, part in ((pair.first, a), (pair.minus, b)) if part.reason]
    with np.errstate(divide="ignore"):  # the logarithm of 0 is minus infinity: a bound that says nothing
        ratio = _map(np.exp, _difference(_map(np.log, one), _map(np.log, two), rho))
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
            f"difference of {share}", values[1], _difference(one, two, rho), unit="mA", scale="identity",
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
    pair = _Pair(one, two, first, minus, levels[0])
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
