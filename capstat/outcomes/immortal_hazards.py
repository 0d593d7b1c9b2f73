"""Hazard ratio of death, captured against not captured, by proportional hazards."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from capstat.numerics.hazards import fit_hazards
from capstat.results import Estimate, NotEstimableError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.outcomes.immortal_course import Confounders

__all__ = ["CAPTURED", "DeathHazard", "death_hazard"]

CAPTURED = "captured"


@dataclass(frozen=True, slots=True, eq=False)
class DeathHazard:
    """A fitted model of the hazard of death.

    Attributes
    ----------
    ratio : Estimate
        Hazard ratio, captured over not captured.
    names : tuple of str, length p
        Columns: "captured" first, then those of the confounders.  Empty where there is no estimate.
    coefficients : ndarray, shape (p,)
        Log hazard ratios.
    standard_errors : ndarray, shape (p,)
        From the information.
    robust_errors : ndarray, shape (p,) or None
        From sums over patients, where rows of one patient were combined.
    log_likelihood : float or None
        Partial log-likelihood.
    """

    ratio: Estimate
    names: tuple[str, ...]
    coefficients: NDArray[np.float64]
    standard_errors: NDArray[np.float64]
    robust_errors: NDArray[np.float64] | None
    log_likelihood: float | None


def death_hazard(
    start: NDArray[np.float64],
    stop: NDArray[np.float64],
    died: NDArray[np.bool_],
    captured: NDArray[np.bool_],
    confounders: Confounders | None,
    *,
    quantity: str,
    level: float,
    method: str,
    notes: tuple[str, ...] = (),
    cluster: NDArray[np.intp] | None = None,
) -> DeathHazard:
    """Fit Cox's model with Efron's ties; rows are at risk in (start, stop].

    Parameters
    ----------
    start, stop : ndarray, shape (m,)
        Time at risk of each row; rows of one patient do not overlap.
    died : ndarray of bool, shape (m,)
        Death at ``stop``.
    captured : ndarray of bool, shape (m,)
        Exposure of the row.
    confounders : Confounders or None
        Columns to adjust for, m rows.
    quantity, level, method, notes
        For the estimate.
    cluster : ndarray of int, shape (m,), optional
        Patient of each row; limits are then robust ones, by patient.

    Returns
    -------
    DeathHazard
        Its ``ratio`` has a reason in place of a value where the model cannot be fitted.
    """
    n = stop.size if cluster is None else len(np.unique(cluster))
    head = f"hazard ratio of death, {quantity}"
    direction = "captured over not captured"
    design = captured.astype(float)[:, None]
    names: tuple[str, ...] = (CAPTURED,)
    if confounders is not None:
        design = np.column_stack([design, confounders.matrix])
        names, notes = (CAPTURED, *confounders.names), (*notes, *confounders.notes)
    reason = ""
    if not captured.any():
        reason = "nobody was captured"
    elif captured.all():
        reason = "everybody was captured at the beginning"
    elif not died.any():
        reason = "nobody died"
    if not reason:
        try:
            fit = fit_hazards(stop, died, design, entry=start, cluster=cluster, names=names)
        except NotEstimableError as error:
            reason = str(error)
    if reason:
        nothing = np.empty(0)
        estimate = Estimate(
            head, None, None, None, level, "ratio", "log", n, method, direction=direction, notes=notes, reason=reason
        )
        return DeathHazard(estimate, (), nothing, nothing, None, None)
    errors = np.sqrt(np.diag(fit.covariance))
    robust = None if fit.robust_covariance is None else np.sqrt(np.diag(fit.robust_covariance))
    used = errors[0] if robust is None else robust[0]
    log_ratio = float(fit.coefficients[0])
    reach = float(stats.norm.ppf(0.5 + level / 2) * used)
    estimate = Estimate(
        head, float(np.exp(log_ratio)), float(np.exp(log_ratio - reach)), float(np.exp(log_ratio + reach)), level,
        "ratio", "log", n, method, direction=direction, notes=notes,
        p_value=float(2 * stats.norm.sf(abs(log_ratio) / used)),
    )  # fmt: skip
    return DeathHazard(estimate, names, fit.coefficients, errors, robust, float(fit.log_likelihood))
