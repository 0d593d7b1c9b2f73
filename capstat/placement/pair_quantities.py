"""What a fitted model of two thresholds in one patient says: delta method on a scale that suits each quantity."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from capstat.placement.pair_fit import MOST_ALIKE
from capstat.results import Curve, Estimate

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from capstat.placement.pair_fit import PairFit

__all__ = ["PairCurves", "correlation_estimate", "pair_curves", "probability_less", "residual_spreads"]

STEP = 1e-5
CURVE_POINTS = 60
LARGEST_PROBIT = 8.0
TOO_FEW = "there are too few patients with both placements and a capture for limits"
METHOD = "model of two thresholds in one patient; delta method"


@dataclass(frozen=True, slots=True, eq=False)
class PairCurves:
    """Capture curves of the same patients with either placement.

    Attributes
    ----------
    curves : tuple of Curve
        Share captured with the first and with the second placement; limits symmetric on the probit scale.
    difference : Curve
        First minus second; limits symmetric on the identity scale.
    model : str
        Which of the fitted models, in words.
    """

    curves: tuple[Curve, Curve]
    difference: Curve
    model: str


def _gradient(
    function: Callable[[NDArray[np.float64]], NDArray[np.float64]], at: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Derivatives by central differences, shape (values, parameters)."""
    columns = []
    for k in range(at.size):
        shift = np.zeros_like(at)
        shift[k] = STEP
        columns.append((function(at + shift) - function(at - shift)) / (2 * STEP))
    return np.column_stack(columns)


def _errors(
    fit: PairFit, function: Callable[[NDArray[np.float64]], NDArray[np.float64]]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Values of a function of the parameters and their standard errors."""
    slope = _gradient(function, fit.parameters)
    return function(fit.parameters), np.sqrt(np.einsum("ki,ij,kj->k", slope, fit.covariance, slope))


def _parts(fit: PairFit, x: NDArray[np.float64]) -> tuple[float, float, float, float, float]:
    """Locations at average order, standard deviations, and atanh of the correlation."""
    p = len(fit.model.names)
    second = p + fit.model.separate
    return x[0] + x[1], x[0], float(np.exp(x[p])), float(np.exp(x[second])), x[second + 1]


def correlation_estimate(fit: PairFit, n: int, multiplier: float, level: float) -> Estimate:
    """Correlation of the two log thresholds of a patient, limits on Fisher's scale."""
    quantity = "correlation of two log thresholds of a patient"
    position = len(fit.model.names) + 1 + fit.model.separate
    z, error = float(fit.parameters[position]), float(np.sqrt(fit.covariance[position, position]))
    if abs(z) >= MOST_ALIKE - 1e-9:
        return Estimate(
            quantity, float(np.tanh(z)), None, None, level, "", "atanh", n, METHOD, notes=(fit.boundary,)
        )  # fmt: skip
    if not np.isfinite(multiplier):
        return Estimate(quantity, float(np.tanh(z)), None, None, level, "", "atanh", n, METHOD, notes=(TOO_FEW,))
    low, high = np.tanh(z - multiplier * error), np.tanh(z + multiplier * error)
    return Estimate(quantity, float(np.tanh(z)), float(low), float(high), level, "", "atanh", n, METHOD)


def probability_less(
    fit: PairFit, names: tuple[str, str], n: int, multiplier: float, level: float
) -> Estimate:  # fmt: skip
    """Probability that the first placement needs less current than the second in the same patient.

    The threshold itself is meant, not the setting: two thresholds inside the same step of a ramp count as different.
    Limits are symmetric on the probit scale.
    """

    def probit(x: NDArray[np.float64]) -> NDArray[np.float64]:
        first, second, one, two, z = _parts(fit, x)
        return np.array([(second - first) / np.sqrt(one**2 + two**2 - 2 * np.tanh(z) * one * two)])

    value, error = _errors(fit, probit)
    quantity = f"probability that {names[0]} needs less current than {names[1]} in the same patient"
    # at the bound of the correlation nearly all of the uncertainty is in what is held fixed
    lacking = fit.boundary or ("" if np.isfinite(multiplier) else TOO_FEW)
    if lacking and (fit.at_bound or not np.isfinite(multiplier)):
        return Estimate(
            quantity,
            float(special.ndtr(value[0])),
            None,
            None,
            level,
            "proportion",
            "probit",
            n,
            METHOD,
            notes=(lacking,),
        )
    reach = multiplier * error[0]
    low, mid, high = (float(special.ndtr(v)) for v in (value[0] - reach, value[0], value[0] + reach))
    return Estimate(
        quantity, mid, low, high, level, "proportion", "probit", n, METHOD,
        notes=(fit.boundary,) if fit.boundary else (),
    )  # fmt: skip


def residual_spreads(
    fit: PairFit, names: tuple[str, str], n: int, multiplier: float, level: float
) -> tuple[Estimate, ...]:  # fmt: skip
    """Residual standard deviation of log threshold with each placement, limits on the log scale."""

    def logs(x: NDArray[np.float64]) -> NDArray[np.float64]:
        _, _, one, two, z = _parts(fit, x)
        shared = np.tanh(z) * one * two
        return np.asarray(0.5 * np.log(np.array([one**2 - max(shared, 0.0), two**2 - max(shared, 0.0)])))

    quantities = [f"residual standard deviation of log threshold, {name}" for name in names]
    if min(fit.within_sds) < 1e-3 or not np.isfinite(multiplier):
        return tuple(
            Estimate(quantity, sd, None, None, level, "", "log", n, METHOD, notes=(fit.boundary or TOO_FEW,))
            for quantity, sd in zip(quantities, fit.within_sds, strict=True)
        )
    values, errors = _errors(fit, logs)
    found = []
    for quantity, value, error in zip(quantities, values, errors, strict=True):
        with np.errstate(over="ignore"):
            low, mid, high = (float(np.exp(value + side * multiplier * error)) for side in (-1, 0, 1))
        found.append(Estimate(quantity, mid, low, high, level, "", "log", n, METHOD))
    return tuple(found)


def pair_curves(
    fit: PairFit, names: tuple[str, str], top_ma: float, multiplier: float, level: float
) -> PairCurves:  # fmt: skip
    """Share of the same patients captured with either placement, at average order.

    Parameters
    ----------
    fit : PairFit
        The model.
    names : tuple of str
        First and second placement.
    top_ma : float
        Highest current (mA).
    multiplier : float
        Factor of a standard error in an interval.
    level : float
        Confidence level.
    """
    current = np.linspace(20.0, max(top_ma, 40.0), CURVE_POINTS)

    def shares(x: NDArray[np.float64]) -> NDArray[np.float64]:
        first, second, one, two, _ = _parts(fit, x)
        capturable = float(special.expit(x[-1])) if fit.model.mixture else 1.0
        z = np.concatenate(((np.log(current) - first) / one, (np.log(current) - second) / two))
        return np.asarray(capturable * special.ndtr(z))

    def probits(x: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.clip(special.ndtri(shares(x)), -LARGEST_PROBIT, LARGEST_PROBIT)

    def differences(x: NDArray[np.float64]) -> NDArray[np.float64]:
        one, two = np.split(shares(x), 2)
        return np.asarray(one - two)

    words = (
        "lognormal, "
        + ("a spread for each placement" if fit.model.separate else "the same spread with both placements")
        + (", a share never captured with either" if fit.model.mixture else "")
    )
    value, error = _errors(fit, probits)
    known = np.isfinite(multiplier)
    reach = multiplier * error if known else np.full_like(error, np.inf)
    limits = [special.ndtr(value - reach), special.ndtr(value), special.ndtr(value + reach)]
    curves = []
    for k, name in enumerate(names):
        part = slice(k * CURVE_POINTS, (k + 1) * CURVE_POINTS)
        low, mid, high = (limit[part] for limit in limits)
        curves.append(Curve(f"share captured, {name}", current, mid, mid, low, high, level, f"{words}; {METHOD}"))
    gap, gap_error = _errors(fit, differences)
    if fit.at_bound:
        # a correlation held at its bound hides how far the two curves can move apart: as if they were independent
        share_error = _errors(fit, shares)[1]
        gap_error = np.hypot(*np.split(share_error, 2))
    reach = multiplier * gap_error if known else np.full_like(gap_error, 2.0)
    difference = Curve(
        f"difference, {names[0]} minus {names[1]}", current, gap, gap, np.maximum(gap - reach, -1.0),
        np.minimum(gap + reach, 1.0), level, f"{words}; {METHOD}",
    )  # fmt: skip
    return PairCurves((curves[0], curves[1]), difference, words)
