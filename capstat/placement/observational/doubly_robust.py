"""Doubly robust capture curves: what share would be captured, had all patients had one placement.

Right in large samples when the model of the threshold is right, or the model of the propensity score, not necessarily
both.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import special, stats

from capstat.distributions.standard_population import standard_error
from capstat.numerics.proportions import difference_from_intervals, wilson
from capstat.numerics.small_sample import p_from_wald
from capstat.placement.observational.augmented import SharePair, prepare, shares_at
from capstat.placement.observational.outcome_model import fit_outcome_model
from capstat.placement.observational.weighting import Weighting, effective_size, propensity_weights
from capstat.results import Curve, Estimate

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from capstat.distributions.covariate_model import CovariateModel
    from capstat.placement.observational.propensity import PropensityModel

__all__ = ["DoublyRobustCapture", "doubly_robust_capture"]

MOST_POINTS = 60
METHOD = (
    "augmented inverse-probability weighting (Robins, Rotnitzky & Zhao 1994); stacked estimating equations of outcome "
    "model, propensity score and average, clustered by patient"
)
# fewer attempts than this with, or without, capture in a group: the sandwich is not believed
FEWEST_SETTLED = 5
FEW_NOTE = (
    "With fewer than 5 attempts on one side of a current in a group, limits are at least as wide as Wilson's for the "
    "effective size of the group."
)
NOTE = (
    "Where an attempt's interval does not settle whether a current captures, its expectation under the model of the "
    "threshold stands in; there the result leans on that model."
)


@dataclass(frozen=True, slots=True, eq=False)
class DoublyRobustCapture:
    """Capture curves and differences that allow for the confounders twice.

    Attributes
    ----------
    curves : tuple of Curve
        Share captured if all patients had the first placement and if all had the second; limits symmetric on the
        probit scale.  Not forced to increase.
    difference : Curve
        First minus second.
    settled : ndarray, shape (k,)
        At each current of the curves, share of the attempts of which it is known whether it captures.
    shares : tuple of tuple of Estimate
        For each requested current, with the first and with the second placement.
    differences, risk_ratios : tuple of Estimate
        For each requested current, first minus second and first relative to second.
    outcome : CovariateModel
        The model of the threshold.
    notes : tuple of str
        What a reader must know.
    """

    curves: tuple[Curve, Curve]
    difference: Curve
    settled: NDArray[np.float64]
    shares: tuple[tuple[Estimate, Estimate], ...]
    differences: tuple[Estimate, ...]
    risk_ratios: tuple[Estimate, ...]
    outcome: CovariateModel
    notes: tuple[str, ...]

    @property
    def never_captured(self) -> bool:
        """Whether the model of the threshold has a share never captured."""
        return self.outcome.capturable_design is not None


@dataclass(frozen=True, slots=True, eq=False)
class _Frame:
    """What all results have in common."""

    names: tuple[str, str]
    model: CovariateModel
    level: float
    propensity: PropensityModel

    @property
    def sizes(self) -> tuple[float, float]:
        """Effective size of both groups under inverse-probability weights."""
        own = self.propensity
        weight = propensity_weights(own.score, own.is_first, Weighting.INVERSE_PROBABILITY)
        return effective_size(weight[own.is_first]), effective_size(weight[~own.is_first])

    def few(self, x: float) -> bool:
        """Whether in either group hardly anybody is captured, or hardly anybody not, at a current."""
        used = self.propensity.thresholds
        counts = [
            int((own & told).sum())
            for own in (self.propensity.is_first, ~self.propensity.is_first)
            for told in (used.upper_ma <= x, used.lower_ma >= x)
        ]
        return min(counts) < FEWEST_SETTLED

    @property
    def multiplier(self) -> float:
        return self.model.regression.multiplier(self.level)

    @property
    def n(self) -> int:
        return self.model.regression.n_patients


def doubly_robust_capture(
    propensity: PropensityModel, *, currents_ma: Sequence[float], level: float
) -> DoublyRobustCapture:
    """Estimate both capture curves and their difference.

    At current ``x`` an attempt counts 1 when its interval says that ``x`` captures and 0 when it says that it does
    not.  Between the bounds its conditional expectation under the model of the threshold is used: double robustness is
    full where nothing is between bounds, that is, at currents that every ramp tested.

    The standard errors by stacked estimating equations hold when either model is wrong, unlike the influence function
    that ignores that both were fitted, and need no refits, unlike a bootstrap.

    Parameters
    ----------
    propensity : PropensityModel
        Score, confounders and attempts; every patient counts once, however many attempts they had.
    currents_ma : sequence of float
        Where estimates are wanted, in mA.
    level : float
        Confidence level, pointwise.

    Raises
    ------
    NotEstimableError
        When the model of the threshold has no estimate, or no current was looked at in both groups.
    """
    model = fit_outcome_model(propensity.thresholds, propensity.minus, propensity.confounders)
    frame = _Frame((propensity.first, propensity.minus), model, level, propensity)
    base, used, grid = prepare(propensity, model), propensity.thresholds, _grid(propensity)
    points = [shares_at(base, float(x)) for x in grid]
    wanted = [(float(x), shares_at(base, float(x))) for x in currents_ma]
    return DoublyRobustCapture(
        (_curve(frame, 0, points, grid), _curve(frame, 1, points, grid)), _difference_curve(frame, points, grid),
        np.array([((used.upper_ma <= x) | (used.lower_ma >= x)).mean() for x in grid]),
        tuple((_share(frame, 0, x, point), _share(frame, 1, x, point)) for x, point in wanted),
        tuple(_difference(frame, x, point) for x, point in wanted),
        tuple(_risk_ratio(frame, x, point) for x, point in wanted),
        model, (NOTE,),
    )  # fmt: skip


def _grid(propensity: PropensityModel) -> NDArray[np.float64]:
    """Bounds of the intervals up to the highest current seen in both groups, thinned where there are many."""
    used = propensity.thresholds
    bounds = np.unique(np.concatenate((used.lower_ma, used.upper_ma)))
    bounds = bounds[(bounds > 0) & (bounds <= propensity.highest_shared_ma)]
    if bounds.size > MOST_POINTS:
        bounds = bounds[np.linspace(0, bounds.size - 1, MOST_POINTS).round().astype(np.intp)]
    return bounds


def _share_limits(share: float, error: float, multiplier: float) -> tuple[float, float]:
    """Limits symmetric on the probit scale; at 0 and 1, which it does not reach, on the scale of the share."""
    if error == 0:
        return share, share
    if not 0 < share < 1:
        return max(share - multiplier * error, 0.0), min(share + multiplier * error, 1.0)
    probit = float(special.ndtri(share))
    reach = multiplier * error / float(stats.norm.pdf(probit))
    return float(special.ndtr(probit - reach)), float(special.ndtr(probit + reach))


def _interval(frame: _Frame, side: int, x: float, point: SharePair) -> tuple[float, float]:
    """Limits of a share; where hardly anybody is on one side of it, at least as wide as Wilson's.

    Estimating equations see no uncertainty in a tail that a model fills in.
    """
    share = float(point.share[side])
    low, high = _share_limits(share, standard_error(point.influence[side]), frame.multiplier)
    if not frame.few(x):
        return low, high
    size, inside = frame.sizes[side], min(max(share, 0.0), 1.0)
    wilson_low, wilson_high = wilson(inside * size, size, frame.level)
    return min(low, wilson_low), max(high, wilson_high)


def _gap(frame: _Frame, x: float, point: SharePair) -> tuple[float, float, float, float]:
    """Difference, its limits and its standard error."""
    value = float(point.share[0] - point.share[1])
    error = standard_error(point.influence[0] - point.influence[1])
    reach = frame.multiplier * error if error > 0 else 0.0
    low, high = max(value - reach, -1.0), min(value + reach, 1.0)
    if frame.few(x):
        first, second = (_interval(frame, side, x, point) for side in (0, 1))
        added = difference_from_intervals(float(point.share[0]), first, float(point.share[1]), second)
        low, high = min(low, added[0]), max(high, added[1])
    return value, low, high, error


def _curve(frame: _Frame, side: int, points: list[SharePair], grid: NDArray[np.float64]) -> Curve:
    share = np.array([point.share[side] for point in points])
    limits = np.array([_interval(frame, side, float(x), point) for x, point in zip(grid, points, strict=True)])
    label = f"share captured, all {frame.names[side]}"
    return Curve(label, grid, share, share, limits[:, 0], limits[:, 1], frame.level, METHOD)


def _difference_curve(frame: _Frame, points: list[SharePair], grid: NDArray[np.float64]) -> Curve:
    rows = [_gap(frame, float(x), point) for x, point in zip(grid, points, strict=True)]
    gap, low, high, _ = np.array(rows).T
    label = f"difference in share captured, {frame.names[0]} minus {frame.names[1]}"
    return Curve(label, grid, gap, gap, low, high, frame.level, METHOD)


def _share(frame: _Frame, side: int, x: float, point: SharePair) -> Estimate:
    lower, upper = _interval(frame, side, x, point)
    return Estimate(
        f"share captured at {x:g} mA, all {frame.names[side]}", float(point.share[side]), lower, upper, frame.level,
        "proportion", "probit", frame.n, METHOD, notes=_notes(frame, x),
    )  # fmt: skip


def _notes(frame: _Frame, x: float) -> tuple[str, ...]:
    return (NOTE, FEW_NOTE) if frame.few(x) else (NOTE,)


def _difference(frame: _Frame, x: float, point: SharePair) -> Estimate:
    fit = frame.model.regression
    value, lower, upper, error = _gap(frame, x, point)
    return Estimate(
        f"difference in share captured at {x:g} mA, doubly robust", value, lower, upper, frame.level, "proportion",
        "identity", frame.n, METHOD, f"{frame.names[0]} minus {frame.names[1]}", notes=_notes(frame, x),
        p_value=None
        if error == 0 or frame.few(x)
        else p_from_wald(value / error, fit.n_captured, fit.coefficients.size),
    )  # fmt: skip


def _risk_ratio(frame: _Frame, x: float, point: SharePair) -> Estimate:
    quantity = f"ratio of shares captured at {x:g} mA, doubly robust"
    direction = f"{frame.names[0]} relative to {frame.names[1]}"
    if not (point.share > 0).all():
        return Estimate(
            quantity, None, None, None, frame.level, "ratio", "log", frame.n, METHOD, direction,
            reason="with one of the placements nobody is captured at this current",
        )  # fmt: skip
    log_value = float(np.log(point.share[0] / point.share[1]))
    if frame.few(x):
        return Estimate(
            quantity, float(np.exp(log_value)), None, None, frame.level, "ratio", "log", frame.n, METHOD, direction,
            notes=_notes(frame, x),
        )  # fmt: skip
    error = standard_error(point.influence[0] / point.share[0] - point.influence[1] / point.share[1])
    reach = frame.multiplier * error if error > 0 else 0.0
    with np.errstate(over="ignore"):  # with few patients a limit may be beyond any number
        lower, upper = float(np.exp(log_value - reach)), float(np.exp(log_value + reach))
    return Estimate(
        quantity, float(np.exp(log_value)), lower, upper, frame.level, "ratio", "log", frame.n, METHOD, direction,
        notes=(NOTE,),
    )  # fmt: skip
