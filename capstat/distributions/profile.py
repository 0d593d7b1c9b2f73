"""Profile-likelihood limits of capture currents: no symmetry is assumed on any scale."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from scipy import special
from scipy.optimize import minimize

from capstat.distributions.likelihood import IntervalData, total_terms
from capstat.distributions.never_captured import terms_at_share
from capstat.distributions.parametric import ParametricFit, log_current_of
from capstat.numerics.maximise import NoMaximumError, maximise_newton, profile_limit
from capstat.numerics.small_sample import drop_in_log_likelihood
from capstat.results import NotEstimableError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.results import Estimate
    from capstat.thresholds import CensoredThresholds

__all__ = ["profile_capture_current"]

# what stands for minus infinity where a general minimiser needs a number
WORST = 1e10
# first step of the search for a limit, in log current
LARGEST_STEP = 0.3


def profile_capture_current(
    thresholds: CensoredThresholds, fit: ParametricFit, fraction: float, level: float = 0.95
) -> Estimate:
    """Current that captures ``fraction`` of patients, with profile-likelihood limits.

    The likelihood is maximised over everything else while the capture current is held; the limits are where it has
    fallen by the small-sample counterpart of half the chi-square quantile (exact for uncensored normal logarithms).

    Parameters
    ----------
    thresholds : CensoredThresholds
        The attempts that ``fit`` was made from; one for each patient, without weights.
    fit : ParametricFit
        The fit.
    fraction : float
        Share of patients, strictly between 0 and 1.
    level : float
        Confidence level.

    Raises
    ------
    NotEstimableError
        When patients have several attempts or weights are not all 1: the likelihood then counts too much.
    ValueError
        When the fraction is not strictly between 0 and 1.
    """
    if thresholds.clustered or not np.all(thresholds.weight == 1):
        raise NotEstimableError(
            "Profile-likelihood limits need one attempt for each patient, without weights; the delta-method limits "
            "allow for several attempts."
        )
    point = fit.capture_current(fraction, level)
    if point.value is None:
        return point
    drop = drop_in_log_likelihood(fit.model.n_captured, 1, level)
    if np.isinf(drop):
        return replace(point, lower=0.0, upper=np.inf)
    cells = thresholds.cells()
    ones = np.ones((cells.count.size, 1))
    data = IntervalData(cells.lower_ma, cells.upper_ma, ones, cells.count, ones if fit.never_captured else None)
    own = np.concatenate((fit.model.ancillary, fit.model.capturable_coefficients))
    others = own

    def profile(log_current: float) -> float:
        # the currents asked for lie close together: the last solution is the best place to start the next from
        nonlocal others
        # with several parameters a visit far out may leave a bad place to start from: the fit itself is tried too
        starts = (others, own) if own.size > 1 else (others,)
        with np.errstate(over="ignore", invalid="ignore"):  # line searches far out, which lead nowhere
            found = [
                minimize(
                    _negative, start, args=(log_current, fraction, fit, data), jac=True, method="BFGS",
                    options={"gtol": 1e-5},
                )
                for start in starts
            ]  # fmt: skip
        best = min(found, key=lambda result: float(result.fun))
        others = best.x if np.isfinite(best.x).all() and best.fun < WORST else own
        return -float(best.fun)

    centre, error = fit.log_capture_current(fraction)
    # where the fraction is nearly out of reach the delta-method error means nothing, and the search needs a scale
    scale = min(error, LARGEST_STEP)
    high = np.inf
    try:
        low = profile_limit(profile, fit.log_likelihood, centre, scale, drop, -1.0)
        if not fit.never_captured or _out_of_reach(fit, data, fraction) < fit.log_likelihood - drop:
            others = own
            high = profile_limit(profile, fit.log_likelihood, centre, scale, drop, 1.0)
    except NoMaximumError:
        return replace(point, notes=(*point.notes, "the profile likelihood could not be traced; delta-method limits"))
    method = point.method.split(";")[0] + "; profile likelihood"
    with np.errstate(over="ignore"):
        return replace(point, lower=float(np.exp(low)), upper=float(np.exp(high)), method=method)


def _out_of_reach(fit: ParametricFit, data: IntervalData, fraction: float) -> float:
    """Largest log-likelihood when exactly ``fraction`` can be captured, so that the current for it is infinite."""
    start = np.concatenate((fit.model.coefficients, fit.model.ancillary))
    try:
        return maximise_newton(partial(terms_at_share, fit.family, data, float(special.logit(fraction))), start).value
    except NoMaximumError:
        return -np.inf


def _negative(
    others: NDArray[np.float64], log_current: float, fraction: float, fit: ParametricFit, data: IntervalData
) -> tuple[float, NDArray[np.float64]]:
    """Minus the log-likelihood with the location tied to the capture current, and its gradient in the rest."""
    k = fit.model.ancillary.size
    if np.abs(others).max() > 40:  # a line search far out, where nothing can be computed
        return WORST, np.zeros_like(others)
    residual, slope = log_current_of(fit.family, fraction, others[:k], others[k:])
    if not np.isfinite(residual):
        return WORST, np.zeros_like(others)
    value, gradient, _ = total_terms(fit.family, data, np.concatenate(([log_current - residual], others)))
    downhill = -(gradient[1:] - gradient[0] * slope)
    if not (np.isfinite(value) and np.isfinite(downhill).all()):
        return WORST, np.zeros_like(others)
    return -value, downhill
