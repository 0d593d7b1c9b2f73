"""The two clones of every patient: followed as captured within a time of grace, and as not captured within it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.outcomes.immortal_risks import survival_at
from capstat.outcomes.immortal_weights import CaptureHazard, capture_hazard, capture_probability

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.outcomes.immortal_course import SurvivalCourse

__all__ = ["ArmRisks", "Clones", "arm_risks", "make_clones"]

# exponents beyond this are weights of nobody's analysis; it keeps them finite
_LARGEST_LOG_WEIGHT = 50.0


@dataclass(frozen=True, slots=True, eq=False)
class Clones:
    """What both clones are made of: patients observed before the grace period ends.

    Attributes
    ----------
    start, until : ndarray, shape (n,)
        Time at risk of death, (start, until].
    died : ndarray of bool, shape (n,)
        Death at ``until``.
    entry, wait : ndarray, shape (n,)
        Time at risk of capture within the grace period.
    captured : ndarray of bool, shape (n,)
        Captured at ``wait``, at the end of the grace period or before.
    columns : ndarray, shape (n, p)
        Confounders, standardised.
    grace, horizon : float
        Minutes since time zero.
    """

    start: NDArray[np.float64]
    until: NDArray[np.float64]
    died: NDArray[np.bool_]
    entry: NDArray[np.float64]
    wait: NDArray[np.float64]
    captured: NDArray[np.bool_]
    columns: NDArray[np.float64]
    grace: float
    horizon: float

    @property
    def there(self) -> NDArray[np.bool_]:
        """Alive and watched after the grace period."""
        return np.asarray(self.until > self.grace)


@dataclass(frozen=True, slots=True, eq=False)
class ArmRisks:
    """Risk of death in the two arms, in b sets of weights.

    Attributes
    ----------
    captured, not_captured : ndarray, shape (b,)
        Risks; NaN where a set has no answer.
    weight_captured, weight_not : ndarray, shape (b, m)
        Weights after the grace period of those who were there then; 0 for the other arm.
    """

    captured: NDArray[np.float64]
    not_captured: NDArray[np.float64]
    weight_captured: NDArray[np.float64]
    weight_not: NDArray[np.float64]


def make_clones(
    course: SurvivalCourse, columns: NDArray[np.float64], rows: NDArray[np.bool_], grace: float, horizon: float
) -> Clones:
    """Prepare clones of some patients; ``columns`` are of those patients only."""
    until, died, capture = course.until_min[rows], course.died[rows], course.captured_min[rows]
    # death comes before a capture at the same time
    with np.errstate(invalid="ignore"):
        captured = (capture <= grace) & ~(died & (capture >= until))
    wait = np.where(captured, capture, np.minimum(until, grace))
    return Clones(course.risk_from[rows], until, died, course.entry_min[rows], wait, captured, columns, grace, horizon)


def arm_risks(clones: Clones, weight: NDArray[np.float64]) -> ArmRisks:
    """Weighted Kaplan-Meier risks in both arms for each set of patient weights, weight models fitted to each.

    Parameters
    ----------
    clones : Clones
        Patients.
    weight : ndarray, shape (b, n)
        Sets of patient weights.
    """
    c, there = clones, clones.there
    early = survival_at(c.start, c.until, c.died, c.grace, weight)[0]
    chance = capture_probability(c.captured[there], c.columns[there], weight[:, there])
    yes = c.captured[there]
    weight_yes = np.where(yes, weight[:, there] / chance, 0.0)
    hazard = capture_hazard(c.entry, c.wait, c.captured, c.columns, weight)
    early_not = _early_survival(c, hazard, weight)
    # captures at the very end of the grace period have been censored in the other arm
    total = hazard.cumulative[:, -1:] - _at_entry(c, hazard)[:, there]
    weight_not = np.where(yes, 0.0, weight[:, there] * _inverse(hazard.relative[:, there], total))
    return ArmRisks(
        _late_risk(c, early, weight_yes, yes), _late_risk(c, early_not, weight_not, ~yes), weight_yes, weight_not
    )


def _inverse(relative: NDArray[np.float64], cumulative: NDArray[np.float64]) -> NDArray[np.float64]:
    """One over the probability of not having been captured."""
    return np.asarray(np.exp(np.minimum(relative * cumulative, _LARGEST_LOG_WEIGHT)))


def _at_entry(clones: Clones, hazard: CaptureHazard) -> NDArray[np.float64]:
    """Cumulative baseline hazard before each patient came under observation, shape (b, n)."""
    if not clones.entry.any():
        return np.zeros((hazard.cumulative.shape[0], clones.entry.size))
    return hazard.before(clones.entry)


def _early_survival(clones: Clones, hazard: CaptureHazard, weight: NDArray[np.float64]) -> NDArray[np.float64]:
    """Survival to the end of the grace period in the arm that is censored at capture."""
    c = clones
    stop = np.where(c.captured, c.wait, c.until)
    fatal = c.died & ~c.captured & (c.until <= c.grace)
    order = np.argsort(-stop, kind="stable")
    stop, start, fatal = stop[order], c.start[order], fatal[order]
    counts, relative, base = weight[:, order], hazard.relative[:, order], _at_entry(c, hazard)[:, order]
    delayed = bool(c.entry.any())
    survival = np.ones(weight.shape[0])
    for time in np.unique(stop[fatal]):
        number = int(np.searchsorted(-stop, -time, side="right"))
        cumulative = hazard.before(float(time))[:, None]
        if delayed:
            now = counts[:, :number] * (start[:number] < time)
            cumulative = np.maximum(cumulative - base[:, :number], 0.0)
        else:
            now = counts[:, :number]
        now = now * _inverse(relative[:, :number], cumulative)
        dead = now[:, fatal[:number] & (stop[:number] == time)].sum(axis=1)
        total = now.sum(axis=1)
        survival *= 1 - np.divide(dead, total, out=np.zeros_like(dead), where=dead > 0)
    return np.where(np.isnan(hazard.cumulative[:, -1]), np.nan, survival)


def _late_risk(
    clones: Clones, early: NDArray[np.float64], weight: NDArray[np.float64], arm: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Risk by the horizon; NaN where nobody of the arm was watched to it and somebody was left."""
    there = clones.there
    stop, died = clones.until[there][arm], clones.died[there][arm]
    own = weight[:, arm]
    settled: NDArray[np.bool_] = np.asarray(np.isfinite(own).all(axis=1))
    own = np.where(settled[:, None], own, 0.0)
    late = survival_at(np.full(stop.size, -1.0), stop, died, clones.horizon, own)[0]
    left = np.asarray(late > 0)
    watched = np.where(left, own[:, stop >= clones.horizon].sum(axis=1) > 0, own.sum(axis=1) > 0)
    return np.where(settled & watched, 1 - early * late, np.nan)
