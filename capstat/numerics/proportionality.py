"""Do hazard ratios change with time: score test and scaled Schoenfeld residuals."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, get_args

import numpy as np
from scipy import stats
from statsmodels.nonparametric.smoothers_lowess import lowess

from capstat.numerics.hazards_fit import evaluate, information, term_means
from capstat.numerics.hazards_sets import exposure
from capstat.numerics.hazards_variance import event_means
from capstat.results import NotEstimableError, UsageError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from capstat.numerics.hazards import HazardsFit
    from capstat.numerics.hazards_sets import RiskSets

__all__ = ["Proportionality", "TimeTransform", "assess_proportionality", "smooth_residuals"]

TimeTransform = Literal["km", "identity", "log", "rank"]


@dataclass(frozen=True, slots=True, eq=False)
class Proportionality:
    """A test for each term, one for all, and the residuals behind them.

    Attributes
    ----------
    terms : tuple of str, length q
        What was tested.
    statistic, p_value : ndarray, shape (q,)
        Chi-squared statistics and p-values against hazard ratios that are constant.
    degrees : ndarray of int, shape (q,)
        Degrees of freedom.
    global_statistic, global_p_value : float
        The same for all columns together; degrees of freedom are their number.
    transform : str
        Function of time in which a log hazard ratio would change linearly.
    names : tuple of str, length p
        Columns.
    times : ndarray, shape (m,)
        Times of the events, increasing.
    transformed : ndarray, shape (m,)
        The same, transformed.
    residuals : ndarray, shape (m, p)
        Scaled Schoenfeld residuals plus the coefficient: each is a noisy reading of the log hazard ratio then.
    method : str
        How.
    """

    terms: tuple[str, ...]
    statistic: NDArray[np.float64]
    p_value: NDArray[np.float64]
    degrees: NDArray[np.intp]
    global_statistic: float
    global_p_value: float
    transform: TimeTransform
    names: tuple[str, ...]
    times: NDArray[np.float64]
    transformed: NDArray[np.float64]
    residuals: NDArray[np.float64]
    method: str


def assess_proportionality(
    fit: HazardsFit, *, transform: TimeTransform = "km", terms: Mapping[str, Sequence[int]] | None = None
) -> Proportionality:
    """Score test of coefficients that change linearly in a function of time, as R's cox.zph since survival 3.0.

    Each term ``z g(t)`` is added to the fitted model and its score compared with its information given all
    coefficients, at the estimate (not the Grambsch & Therneau 1994 approximation, which takes the variance of the
    residuals as constant; that one is used for the scaled residuals only, which are for the eye).  Observations are
    taken as independent: clusters are not allowed for.

    Parameters
    ----------
    fit : HazardsFit
        The fitted regression.
    transform : {"km", "identity", "log", "rank"}
        ``g``: one minus Kaplan and Meier's curve just before, time itself, its logarithm, or the rank of the time
        among all rows.
    terms : mapping of str to sequence of int, optional
        Columns that are tested together, by the name of their term; each column by itself when not given.

    Raises
    ------
    UsageError
        When the transform or a column does not exist.
    NotEstimableError
        When all events happened at one time or are too few, or the log of time 0 is wanted.
    """
    if transform not in get_args(TimeTransform):
        raise UsageError(f"transform must be one of {', '.join(get_args(TimeTransform))}, not {transform!r}.")
    p = len(fit.names)
    groups = {name: (j,) for j, name in enumerate(fit.names)} if terms is None else terms
    if not groups or any(not group or not set(group) <= set(range(p)) for group in groups.values()):
        raise UsageError(f"Terms must name columns from 0 to {p - 1}.")
    sets, design = fit.rows.sets, fit.rows.design
    if sets.times.size < 2:
        raise NotEstimableError("All events happened at one time, so that no change with time can be seen.")
    g = _transformed(sets, transform, fit.rows.time)
    centred = g - g[sets.place].mean()
    at = evaluate(sets, design, fit.coefficients * fit.rows.scales)
    means = term_means(design, at)
    by_term = centred[sets.term_place]
    plain, mixed, squared = (information(design, at, means, by_term**power) for power in (0, 1, 2))
    residual = -at.risk * exposure(at.sets, sets.term_weight * by_term / at.at_risk)
    residual[sets.died] += sets.weight[sets.died] * centred[sets.place]
    score = design.T @ residual
    # information of the added columns given the fitted coefficients
    inner = squared - mixed.T @ np.linalg.solve(plain, mixed)

    # few events cannot tell a change of every column from the coefficients themselves
    if np.linalg.eigvalsh(inner / np.sqrt(np.outer(np.diag(squared), np.diag(squared))))[0] < 1e-9:
        raise NotEstimableError("There are too few events to see a change with time of every column.")

    def tested(group: Sequence[int]) -> float:
        columns = np.asarray(group)
        # given the coefficients alone: other added columns are left out
        return float(score[columns] @ np.linalg.solve(inner[np.ix_(columns, columns)], score[columns]))

    statistic = np.array([tested(group) for group in groups.values()])
    degrees = np.array([len(group) for group in groups.values()], dtype=np.intp)
    whole = tested(range(p))
    order = np.argsort(sets.place, kind="stable")
    own = design[sets.died] - event_means(sets, means)[sets.place]
    scaled = sets.died.size * np.linalg.solve(plain, own.T).T / fit.rows.scales + fit.coefficients
    return Proportionality(
        tuple(groups), statistic, np.asarray(stats.chi2.sf(statistic, degrees)), degrees, whole,
        float(stats.chi2.sf(whole, p)),
        transform, fit.names, sets.times[sets.place[order]], g[sets.place[order]], scaled[order],
        f"score test of log hazard ratios that change linearly with time ({transform} transform), as R's cox.zph",
    )  # fmt: skip


def _transformed(sets: RiskSets, transform: TimeTransform, time: NDArray[np.float64]) -> NDArray[np.float64]:
    """The function of time at each event time, shape (k,)."""
    if transform == "identity":
        return sets.times
    if transform == "log":
        if sets.times[0] <= 0:
            raise NotEstimableError("The log of time needs events after time 0.")
        return np.log(sets.times)
    if transform == "rank":
        ranks = stats.rankdata(time)
        return ranks[sets.died[np.unique(sets.place, return_index=True)[1]]]
    events = np.bincount(sets.place, minlength=sets.times.size)
    left = np.cumprod(1 - events / sets.at_risk(np.ones(sets.stop.size)))
    return 1 - np.concatenate([[1.0], left[:-1]])


def smooth_residuals(
    result: Proportionality, column: int, share: float = 2 / 3
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Locally weighted line through the residuals of a column, for a figure: distinct event times and values, (k,).

    Cleveland's lowess (1979, from memory) over the transformed times (statsmodels), without its robustifying steps:
    residuals of a yes/no column come in two clusters, and these would take the smaller one for outliers.

    Raises
    ------
    NotEstimableError
        When there are fewer than five events.
    """
    if result.times.size < 5:
        raise NotEstimableError("A smooth line needs at least five events.")
    times, at = np.unique(result.times, return_index=True)
    fitted = lowess(result.residuals[:, column], result.transformed, frac=share, it=0, return_sorted=False)
    return times, np.asarray(fitted[at], dtype=float)
