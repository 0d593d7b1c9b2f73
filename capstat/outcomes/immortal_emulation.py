"""Captured within a time of grace against not: clones, censored when they leave their strategy, weighted for it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.outcomes.immortal_clones import Clones, arm_risks, make_clones
from capstat.outcomes.immortal_course import confounder_columns
from capstat.outcomes.immortal_emulated_risks import emulated_risks
from capstat.results import NotEstimableError, UsageError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.outcomes.immortal_course import SurvivalCourse
    from capstat.results import Estimate

__all__ = ["CloneCensorWeight", "clone_censor_weight"]

HOLDS_IF = (
    "compared by emulation of a trial; holds only if the recorded confounders account for who is captured in time, "
    "the models of capture fit, and whoever was lost to follow-up was like those who stayed"
)
# of the replicates, so many must give an answer
_USABLE = 0.5
# entries of one batch of replicates
_BATCH = 2_000_000


@dataclass(frozen=True, slots=True, eq=False)
class CloneCensorWeight:
    """Two strategies compared: captured within the grace period, and not captured within it.

    Attributes
    ----------
    within_min, horizon_min : float
        End of the grace period and time at which risks are compared, minutes since time zero.
    included, deaths : int
        Patients who were cloned, and their deaths by the horizon.
    there, captured_by : int
        Patients alive and watched after the grace period; those of them who had been captured.
    left_out : int
        Patients first observed only after the grace period.
    risk_captured, risk_not_captured : Estimate
        Risk of death by the horizon, percent.
    difference, ratio : Estimate
        Captured minus, and over, not captured; the difference in percentage points.
    largest_weights, effective_sizes : tuple of float
        After the grace period, captured arm first; the size is (sum w)^2 / sum w^2.
    """

    within_min: float
    horizon_min: float
    included: int
    deaths: int
    there: int
    captured_by: int
    left_out: int
    risk_captured: Estimate
    risk_not_captured: Estimate
    difference: Estimate
    ratio: Estimate
    largest_weights: tuple[float, float]
    effective_sizes: tuple[float, float]


def clone_censor_weight(
    course: SurvivalCourse,
    within_min: float,
    *,
    horizon_min: float,
    level: float = 0.95,
    replicates: int = 300,
    seed: int,
) -> CloneCensorWeight:
    """Give every patient to both strategies, and censor each clone when the patient leaves its strategy.

    A clone of "captured within g" is censored at g when alive and not captured; capture at exactly g is in time.  A
    clone of "not captured within g" is censored at a capture up to g.  A death before g counts in both arms.  Those who
    stay stand for those who were censored: captured ones by 1 / P(captured by g | alive and watched after g, L) from g
    on, others by one over the probability of no capture up to (not at) each time, from a hazard model with death and
    loss as censoring.  With late entry weights run from entry, and time of entry must not tell of the outcome.

    Parameters
    ----------
    course : SurvivalCourse
        Capture, death and the confounders L; without confounders nothing but immortal time is removed.
    within_min : float
        Grace period g, minutes since time zero.
    horizon_min : float
        Minutes since time zero at which risks are compared.
    level : float
        Confidence level.
    replicates : int
        Bootstrap samples of patients.
    seed : int
        The same seed gives the same limits.

    Raises
    ------
    UsageError
        When the grace period is not between 0 and the horizon, or there are too few replicates.
    NotEstimableError
        When nobody is there after the grace period, all or none of those had been captured, nobody of an
        arm was watched to the horizon, or the bootstrap mostly fails.
    """
    if not 0 <= within_min < horizon_min:
        raise UsageError(
            f"The grace period ({within_min:g} min) must end at 0 or later and before {horizon_min:g} min."
        )
    if replicates < 20:
        raise UsageError(f"A bootstrap needs 20 replicates or more, not {replicates}.")
    rows = (course.entry_min < within_min) | (course.entry_min == 0)
    if not rows.any():
        raise NotEstimableError(f"Nobody was observed before {within_min:g} min.")
    confounders = confounder_columns(course, rows)
    clones = make_clones(course, confounders.standardised(), rows, within_min, horizon_min)
    deaths = int((clones.died & (clones.until <= horizon_min)).sum())
    there, captured_by = int(clones.there.sum()), int((clones.there & clones.captured).sum())
    _positive(within_min, there, captured_by)
    n = int(rows.sum())
    arms = arm_risks(clones, np.ones((1, n)))
    risks = float(arms.captured[0]), float(arms.not_captured[0])
    for risk, name in zip(risks, ("captured", "not captured"), strict=True):
        if np.isnan(risk):
            raise NotEstimableError(f"Nobody {name} within {within_min:g} min was watched to {horizon_min:g} min.")
    drawn = _replicates(clones, replicates, np.random.default_rng(seed))
    usable: NDArray[np.bool_] = np.asarray(np.isfinite(drawn).all(axis=1))
    if usable.mean() < _USABLE:
        raise NotEstimableError(
            f"In {int((~usable).sum())} of {replicates} resamples of patients an arm is empty or not watched to "
            f"{horizon_min:g} min."
        )
    weights = tuple(w[0][w[0] > 0] for w in (arms.weight_captured, arms.weight_not))
    largest, sizes = tuple(float(w.max()) for w in weights), tuple(float(w.sum() ** 2 / (w @ w)) for w in weights)
    told = [*confounders.notes]
    if not confounders.names:
        told.append("no confounders: only immortal time is removed")
    told.append(
        f"largest weight {largest[0]:.1f} among the captured and {largest[1]:.1f} among the others; effective sizes "
        f"{sizes[0]:.0f} of {captured_by} and {sizes[1]:.0f} of {there - captured_by}"
    )
    notes = (HOLDS_IF, *told, *_notes(len(course) - n, within_min, usable))
    estimates = emulated_risks(risks, drawn[usable], (sizes[0], sizes[1]), (within_min, horizon_min), level, n, notes)
    return CloneCensorWeight(
        within_min, horizon_min, n, deaths, there, captured_by, len(course) - n, *estimates,
        (largest[0], largest[1]), (sizes[0], sizes[1]),
    )  # fmt: skip


def _notes(late: int, within_min: float, usable: NDArray[np.bool_]) -> list[str]:
    """What limits the numbers."""
    notes = []
    if late:
        notes.append(f"{late} patients first observed after {within_min:g} min are left out")
    if not usable.all():
        notes.append(f"{int((~usable).sum())} of {usable.size} resamples had no answer and are left out of the limits")
    return notes


def _positive(grace: float, there: int, captured: int) -> None:
    """Refuse data in which one strategy is nobody's."""
    if not there:
        raise NotEstimableError(f"Nobody was alive and watched after {grace:g} min.")
    if captured in (0, there):
        who = "nobody" if not captured else "everybody"
        raise NotEstimableError(
            f"Of the {there} patients alive and watched after {grace:g} min {who} had been captured, so there is no "
            "one to compare with."
        )


def _replicates(clones: Clones, replicates: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """Both risks in each resample of patients, shape (replicates, 2)."""
    n = clones.until.size
    batch = max(1, _BATCH // n)
    parts = []
    for first in range(0, replicates, batch):
        size = min(batch, replicates - first)
        counts = rng.multinomial(n, np.full(n, 1 / n), size=size).astype(float)
        arms = arm_risks(clones, counts)
        parts.append(np.column_stack([arms.captured, arms.not_captured]))
    return np.concatenate(parts)
