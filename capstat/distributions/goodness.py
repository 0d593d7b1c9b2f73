"""Does a family fit?  Quantile-quantile pairs for censored data, and a test by parametric bootstrap."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from capstat.distributions.likelihood import IntervalData, total_terms
from capstat.distributions.npmle import fit_npmle, innermost_intervals, maximise_on_support
from capstat.distributions.parametric import fit_parametric, log_current_of
from capstat.distributions.prediction import log_capture
from capstat.distributions.regression import MOST_ITERATIONS
from capstat.numerics.maximise import NoMaximumError, maximise_newton
from capstat.results import NotEstimableError, UsageError
from capstat.thresholds.assumed_ramps import assumed_settings

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.distributions.families import Family
    from capstat.distributions.npmle import NpmleFit
    from capstat.distributions.parametric import ParametricFit
    from capstat.results import Curve
    from capstat.thresholds import CensoredThresholds
    from capstat.thresholds.assumed_ramps import AssumedRamps

__all__ = ["GoodnessOfFit", "QuantilePairs", "goodness_of_fit", "quantile_pairs"]

# share of replicates that may fail before a p-value from the rest would mislead
MOST_LOST = 0.05
ASSUMED = (
    "the settings that an attempt would have gone through are reconstructed from step, maximum and observed bounds: "
    "exact when all ramps share one grid, assumed otherwise"
)


@dataclass(frozen=True, slots=True, eq=False)
class QuantilePairs:
    """Currents and the model's quantiles of the share captured there; on the diagonal where the model fits.

    Attributes
    ----------
    label : str
        The model.
    current_ma : ndarray, shape (k,)
        Edges of the nonparametric curve at which the share captured is identified and neither 0 nor 1.
    share : ndarray, shape (k,)
        Share captured at or below each, nonparametrically.
    model_ma : ndarray, shape (k,)
        Current at which the model has that share; infinite where it says that so many cannot be captured.
    lower_ma, upper_ma : ndarray, shape (k,), or None
        The same for the pointwise confidence limits of the share; ``None`` without limits.
    """

    label: str
    current_ma: NDArray[np.float64]
    share: NDArray[np.float64]
    model_ma: NDArray[np.float64]
    lower_ma: NDArray[np.float64] | None
    upper_ma: NDArray[np.float64] | None


def quantile_pairs(curve: NpmleFit, fit: ParametricFit, limits: Curve | None = None) -> QuantilePairs:
    """Pairs for a quantile-quantile plot of censored thresholds, in mA.

    The plotting position of an edge x is the nonparametric distribution function there, ``F(x) = P(T <= x)``,
    without a continuity correction: for a cell (L, R] that is exact at R.  For n distinct exact values it is
    ``i / n`` at the i-th smallest, and the largest has no pair.

    Parameters
    ----------
    curve : NpmleFit
        Nonparametric estimate.
    fit : ParametricFit
        Model fitted to the same attempts.
    limits : Curve, optional
        Capture curve with pointwise limits whose abscissae include all edges, such as ``CaptureSummary.curve``.

    Raises
    ------
    UsageError
        When the limits lack an edge.
    """
    edges = np.unique(curve.support[np.isfinite(curve.support)])
    below, above = curve.capture_probability(edges)
    shown = (above - below < 1e-9) & (below > 1e-9) & (below < 1 - 1e-9)
    current, share = edges[shown], below[shown]
    lower = upper = None
    if limits is not None:
        at = np.searchsorted(limits.x, current)
        if at.max(initial=0) >= limits.x.size or not np.array_equal(limits.x[at], current):
            raise UsageError("The limits belong to another curve: they lack some of its edges.")
        lower, upper = _model_quantiles(fit, limits.band_lower[at]), _model_quantiles(fit, limits.band_upper[at])
    return QuantilePairs(fit.name, current, share, _model_quantiles(fit, share), lower, upper)


def _model_quantiles(fit: ParametricFit, share: NDArray[np.float64]) -> NDArray[np.float64]:
    """Currents (mA) at which the model captures the given shares; 0 and infinity at shares of 0 and 1."""
    ancillary, logit = fit.model.ancillary, fit.model.capturable_coefficients
    residual = np.where(share > 0, np.inf, -np.inf)
    for i in np.flatnonzero((share > 0) & (share < 1)):
        residual[i] = log_current_of(fit.family, float(share[i]), ancillary, logit)[0]
    return np.asarray(np.exp(fit.mu + residual))


@dataclass(frozen=True, slots=True, eq=False)
class GoodnessOfFit:
    """Test of a family against all distributions.

    Attributes
    ----------
    name : str
        The model.
    statistic : float
        Log-likelihood of the nonparametric estimate minus that of the model, for the study.
    p_value : float
        ``(1 + #{simulated >= statistic}) / (B + 1)`` over the B replicates that could be fitted.
    simulated : ndarray, shape (B,)
        The statistic in the replicates.
    failed : int
        Replicates left out because the model had no finite estimate.
    seed : int
        Seed of the draws.
    n : int
        Attempts, one of each patient.
    method : str
        Name of the method.
    notes : tuple of str
        What a reader must know before using the p-value.
    """

    name: str
    statistic: float
    p_value: float
    simulated: NDArray[np.float64]
    failed: int
    seed: int
    n: int
    method: str
    notes: tuple[str, ...]


def goodness_of_fit(
    thresholds: CensoredThresholds,
    *,
    family: Family,
    never_captured: bool = False,
    replicates: int = 499,
    seed: int,
) -> GoodnessOfFit:
    """Test whether a family fits, by parametric bootstrap of the log-likelihood against the nonparametric one.

    Every replicate draws thresholds from the fitted model, passes each through the ramp of its attempt (see
    :func:`assumed_settings`) and refits both.  A threshold matters only by the cell of the ramp that it falls into, so
    the attempts of one ramp are drawn at once: their cells are multinomial with the model's cell probabilities.

    Parameters
    ----------
    thresholds : CensoredThresholds
        One attempt of each patient, without exact values and without weights.
    family, never_captured
        The model, as in :func:`fit_parametric`.
    replicates, seed : int
        Bootstrap size and seed.

    Raises
    ------
    UsageError
        When patients have several attempts, weights are not all 1, or some thresholds are exact.
    NotEstimableError
        When the model cannot be fitted to the data, or to more than one replicate in twenty.
    """
    if thresholds.clustered:
        raise UsageError("The goodness-of-fit test needs independent attempts: use the first attempt of each patient.")
    if not np.all(thresholds.weight == 1):
        raise UsageError("The goodness-of-fit test takes no weights: it draws attempts as they were made.")
    if np.any(thresholds.lower_ma == thresholds.upper_ma):
        raise UsageError("The goodness-of-fit test compares probabilities of intervals, which exact thresholds lack.")
    fit = fit_parametric(thresholds, family=family, never_captured=never_captured)
    statistic = fit_npmle(thresholds).log_likelihood - fit.log_likelihood
    low, high, counts = _draw(assumed_settings(thresholds), fit, replicates, np.random.default_rng(seed))
    found, failed = [], 0
    for row in counts:
        value = _replicate(fit, low[row > 0], high[row > 0], row[row > 0])
        if value is not None:
            found.append(value)
            continue
        failed += 1
        if failed > MOST_LOST * replicates:
            raise NotEstimableError(
                f"More than {100 * MOST_LOST:g} % of the replicates had no finite estimate of the {fit.name} model."
            )
    simulated = np.array(found)
    lost = (f"{failed} of {replicates} replicates had no finite estimate and were left out",) if failed else ()
    # both fits are sums of many logarithms: equal data give statistics equal to rounding
    p_value = (1 + int((simulated >= statistic - 1e-7).sum())) / (simulated.size + 1)
    method = "parametric bootstrap of the log-likelihood difference between the nonparametric estimate and the model"
    return GoodnessOfFit(
        fit.name, statistic, p_value, simulated, failed, seed, len(thresholds), method, (ASSUMED, *lost)
    )


def _draw(
    ramps: AssumedRamps, fit: ParametricFit, replicates: int, rng: np.random.Generator
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Distinct cells of all ramps (lower, upper in mA) and their counts, shape (replicates, m), under the model."""
    sizes = np.bincount(ramps.ramp, minlength=len(ramps.settings))
    edges = [np.concatenate(([0.0], settings, [np.inf])) for settings in ramps.settings]
    pairs = np.concatenate([np.column_stack((edge[:-1], edge[1:])) for edge in edges])
    cells, cell = np.unique(pairs, axis=0, return_inverse=True)
    counts = np.zeros((replicates, len(cells)))
    begin = 0
    for settings, size in zip(ramps.settings, sizes, strict=True):
        ones = np.ones((settings.size, 1))
        share, rest = log_capture(
            fit.family, settings, ones, ones if fit.never_captured else None, fit.model.parameters
        )
        probability = np.diff(np.exp(share), prepend=0.0)
        probability = np.append(probability, np.exp(rest[-1]) if rest.size else 1.0).clip(0.0)
        own = cell.ravel()[begin : begin + probability.size]
        # the cells of one ramp are distinct
        counts[:, own] += rng.multinomial(size, probability / probability.sum(), size=replicates)
        begin += probability.size
    return cells[:, 0], cells[:, 1], counts


def _replicate(
    fit: ParametricFit, low: NDArray[np.float64], high: NDArray[np.float64], count: NDArray[np.float64]
) -> float | None:
    """Return the statistic in one replicate; ``None`` when the model has no finite estimate there."""
    _, best, _ = maximise_on_support(innermost_intervals(low, high), count)
    ones, parameters = np.ones((count.size, 1)), fit.model.parameters
    models = [(IntervalData(low, high, ones, count), parameters[: 1 + fit.model.ancillary.size])]
    if fit.never_captured and np.isinf(high).any():
        models.insert(0, (IntervalData(low, high, ones, count, ones), parameters))
    # where no share never captured can be seen, the likelihood with one rises towards that without
    for data, start in models:
        try:
            return (
                best
                - maximise_newton(partial(total_terms, fit.family, data), start, max_iterations=MOST_ITERATIONS).value
            )
        except NoMaximumError:
            continue
    return None
