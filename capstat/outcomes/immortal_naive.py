"""Ever captured against never captured: the comparison with immortal time, kept to show how far it is off."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.outcomes.immortal_course import confounder_columns
from capstat.outcomes.immortal_hazards import DeathHazard, death_hazard
from capstat.outcomes.immortal_risks import KAPLAN_MEIER, contrasts_of_risks, group_risk

if TYPE_CHECKING:
    from capstat.outcomes.immortal_course import Confounders, SurvivalCourse
    from capstat.outcomes.immortal_risks import GroupRisk
    from capstat.results import Estimate

__all__ = ["Naive", "naive"]

BIASED = (
    "BIASED by immortal time: whoever was captured late had to live until then, and that time is credited to capture"
)
_GROUPS = ("ever captured", "never captured")


@dataclass(frozen=True, slots=True, eq=False)
class Naive:
    """Ever captured against never captured, as if capture had been known at time zero.

    Attributes
    ----------
    hazard : DeathHazard
        Crude model.
    adjusted : DeathHazard or None
        With the confounders, still biased: what is left between it and the time-varying model is time alone; ``None``
        without confounders.
    captured, not_captured : GroupRisk
        Risk of death by the horizon.
    difference, ratio : Estimate
        Of the two risks; the difference in percentage points.
    immortal_share : float or None
        Share of the follow-up of the ever captured that lay before their capture; ``None`` without any.
    """

    hazard: DeathHazard
    adjusted: DeathHazard | None
    captured: GroupRisk
    not_captured: GroupRisk
    difference: Estimate
    ratio: Estimate
    immortal_share: float | None


def naive(course: SurvivalCourse, *, horizon_min: float, level: float = 0.95) -> Naive:
    """Compare ever captured with never captured; BIASED, not to be read as a result.

    Parameters
    ----------
    course : SurvivalCourse
        Capture and death of each patient.
    horizon_min : float
        Minutes since time zero at which risks are compared.
    level : float
        Confidence level.
    """
    ever = np.isfinite(course.captured_min)
    followed = float((course.until_min - course.entry_min)[ever].sum())
    before = float((course.captured_min - course.entry_min)[ever].sum())
    share = before / followed if followed > 0 else None
    notes: tuple[str, ...] = (BIASED,)
    if share is not None:
        notes = (*notes, f"{100 * share:.0f} % of the follow-up of the ever captured was before their capture")

    def fit(confounders: Confounders | None, words: str) -> DeathHazard:
        return death_hazard(
            course.risk_from, course.until_min, course.died, ever, confounders,
            quantity=f"ever against never captured{words} (BIASED)", level=level,
            method="Cox regression, Efron's ties, capture taken as known at time zero (BIASED)", notes=notes,
        )  # fmt: skip

    adjusted = fit(confounder_columns(course), ", adjusted") if course.confounders.shape[1] else None
    one, two = (
        group_risk(course.risk_from[rows], course.until_min[rows], course.died[rows], horizon_min, level)
        for rows in (ever, ~ever)
    )
    difference, ratio = contrasts_of_risks(
        one, two, _GROUPS, horizon=horizon_min, quantity="risk of death, ever against never captured (BIASED),",
        level=level, method=f"{KAPLAN_MEIER} (BIASED)", notes=notes,
    )  # fmt: skip
    return Naive(fit(None, ""), adjusted, one, two, difference, ratio, share)
