"""Risk of death by a time in two groups: Kaplan-Meier with weights, and their difference and ratio."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.numerics.mover import Bounded, mover_difference, mover_ratio
from capstat.numerics.proportions import wilson
from capstat.results import Estimate

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["GroupRisk", "contrasts_of_risks", "group_risk", "survival_at"]

KAPLAN_MEIER = (
    "Kaplan-Meier; Wilson limits at the effective sample size (Greenwood's variance), difference and ratio by "
    "square-and-add (Zou & Donner 2008, Donner & Zou 2012; both from memory)"
)


@dataclass(frozen=True, slots=True)
class GroupRisk:
    """Risk of death in one group.

    Attributes
    ----------
    risk : float or None
        Between 0 and 1; ``None`` where nobody was followed long enough.
    lower, upper : float
        Limits; 0 and 1 without a risk.
    n, deaths : int
        Patients, and deaths up to the time asked for.
    """

    risk: float | None
    lower: float
    upper: float
    n: int
    deaths: int


def survival_at(
    start: NDArray[np.float64],
    stop: NDArray[np.float64],
    died: NDArray[np.bool_],
    horizon: float,
    weight: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Product-limit estimates with many sets of constant weights; at risk in (start, stop], deaths before losses.

    Parameters
    ----------
    start, stop : ndarray, shape (n,)
        Time at risk.
    died : ndarray of bool, shape (n,)
        Death at ``stop``.
    horizon : float
        Time at which survival is wanted.
    weight : ndarray, shape (b, n)
        Sets of weights.

    Returns
    -------
    survival : ndarray, shape (b,)
    variance : ndarray, shape (b,)
        Of the logarithm of survival, by Greenwood; infinite where survival is 0; for weights that are counts only.
    """
    fatal = died & (stop <= horizon)
    times, at = np.unique(stop[fatal], return_inverse=True)
    if not times.size:
        return np.ones(weight.shape[0]), np.zeros(weight.shape[0])
    deaths = np.zeros((weight.shape[0], times.size))
    for column, place in zip(np.flatnonzero(fatal), at, strict=True):
        deaths[:, place] += weight[:, column]
    at_risk = _after(stop, weight, times) - _after(start, weight, times)
    with np.errstate(invalid="ignore", divide="ignore"):
        # a set that has nobody at risk says nothing at that time
        share = np.where(at_risk > 0, np.clip(deaths / at_risk, 0.0, 1.0), 0.0)
        # differences of running sums leave rounding where everybody dies
        share = np.where(share > 1 - 1e-12, 1.0, share)
        terms = np.where(at_risk > 0, share / (at_risk * (1 - share)), 0.0)
    return np.prod(1 - share, axis=1), np.sum(terms, axis=1)


def _after(time: NDArray[np.float64], weight: NDArray[np.float64], wanted: NDArray[np.float64]) -> NDArray[np.float64]:
    """Total weight of those whose ``time`` is ``wanted`` or later, shape (b, k)."""
    order = np.argsort(time, kind="stable")
    total = np.cumsum(weight[:, order[::-1]], axis=1)
    number = time.size - np.searchsorted(time[order], wanted, side="left")
    padded = np.concatenate([np.zeros((weight.shape[0], 1)), total], axis=1)
    return np.asarray(padded[:, number])


def group_risk(
    start: NDArray[np.float64], stop: NDArray[np.float64], died: NDArray[np.bool_], horizon: float, level: float
) -> GroupRisk:
    """Risk of death by ``horizon`` with Wilson limits at the effective sample size of Greenwood's variance."""
    n, deaths = stop.size, int((died & (stop <= horizon)).sum())
    if n == 0:
        return GroupRisk(None, 0.0, 1.0, 0, 0)
    (survival,), (variance,) = survival_at(start, stop, died, horizon, np.ones((1, n)))
    survival = float(survival)
    if survival > 0 and not (stop >= horizon).any():
        return GroupRisk(None, 0.0, 1.0, n, deaths)
    risk = 1 - survival
    effective = float(n)
    if 0 < survival < 1:
        effective = min(n, risk / (survival * float(variance)))
    elif survival == 1:
        # nobody died: as informative as those who were watched all the time
        effective = float((stop >= horizon).sum())
    lower, upper = wilson(risk * effective, effective, level)
    return GroupRisk(risk, lower, upper, n, deaths)


def contrasts_of_risks(
    one: GroupRisk,
    two: GroupRisk,
    names: tuple[str, str],
    *,
    horizon: float,
    quantity: str,
    level: float,
    method: str = KAPLAN_MEIER,
    notes: tuple[str, ...] = (),
) -> tuple[Estimate, Estimate]:
    """Difference and ratio of two risks, first minus and over second."""
    n = one.n + two.n
    reason = ""
    for group, name in ((one, names[0]), (two, names[1])):
        if not group.n:
            reason = reason or f"nobody was {name}"
        elif group.risk is None:
            reason = reason or f"nobody who was {name} was followed to {horizon:g} min"
    by = f"by {horizon:g} min"
    heads = f"difference in {quantity} {by}", f"ratio of {quantity} {by}"
    directions = f"{names[0]} minus {names[1]}", f"{names[0]} over {names[1]}"
    if one.risk is None or two.risk is None:
        difference, ratio = (
            Estimate(
                head, None, None, None, level, unit, scale, n, method, direction=direction, notes=notes, reason=reason
            )
            for head, direction, unit, scale in zip(
                heads, directions, ("percentage points", "ratio"), ("identity", "log"), strict=True
            )
        )
        return difference, ratio
    a, b = (Bounded(g.risk or 0.0, g.risk or 0.0, g.lower, g.upper) for g in (one, two))
    gap, quotient = mover_difference(a, b, 0.0), mover_ratio(a, b, 0.0)
    difference = Estimate(
        heads[0], 100 * (one.risk - two.risk), 100 * gap.limit_low, 100 * gap.limit_high, level,
        "percentage points", "identity", n, method, direction=directions[0], notes=notes,
    )  # fmt: skip
    value = one.risk / two.risk if two.risk > 0 else None
    reason = "" if value is not None else f"nobody who was {names[1]} died {by}"
    ratio = Estimate(
        heads[1], value, quotient.limit_low, quotient.limit_high, level, "ratio", "log", n, method,
        direction=directions[1], notes=notes, reason=reason,
    )  # fmt: skip
    return difference, ratio
