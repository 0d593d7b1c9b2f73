"""What became of the invented patients: death hangs on arrest and age and on nothing else."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
from scipy import special

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.synthetic.course_truth import CourseTruth

__all__ = ["Fates", "draw_fates", "fates_by_arrest", "outcome_columns"]

SECONDS_30_DAYS: Final = 30 * 86400.0
LAST_HOSPITAL_DEATH_S: Final = 29 * 86400.0
AGE_YEARS: Final = 72.0


@dataclass(frozen=True, slots=True, eq=False)
class Fates:
    """What is true of each patient, recorded or not; times in seconds from the first pulse.

    Attributes
    ----------
    handover_s : ndarray, shape (n,)
        Handover in hospital, if the patient lives to see it.
    death_s : ndarray, shape (n,)
        Circulation was lost for good; infinite in those who are alive at 30 days.
    discharged : ndarray of bool, shape (n,)
        Left hospital alive.
    good_outcome : ndarray of bool, shape (n,)
        Independent in daily life at 30 days.
    """

    handover_s: NDArray[np.float64]
    death_s: NDArray[np.float64]
    discharged: NDArray[np.bool_]
    good_outcome: NDArray[np.bool_]


def draw_fates(
    age_years: NDArray[np.float64], arrest: NDArray[np.bool_], truth: CourseTruth, rng: np.random.Generator
) -> Fates:
    """Draw what becomes of each patient, from arrest and age alone.

    Parameters
    ----------
    age_years : ndarray, shape (n,)
        Recorded age.
    arrest : ndarray of bool, shape (n,)
        In cardiac arrest when pacing began.
    truth : CourseTruth
        Parameters.
    rng : numpy.random.Generator
        Generator of the draws.
    """
    n = arrest.size
    decades = (age_years - AGE_YEARS) / 10
    handover = np.exp(np.log(truth.handover_median_s) + truth.handover_log_sd * rng.standard_normal(n))
    hazard = np.where(arrest, truth.death[1], truth.death[0]) * truth.death_ratio_per_10_years**decades
    early = truth.death_from_s + rng.standard_exponential(n) / hazard
    odds = special.logit(np.where(arrest, truth.hospital_death[1], truth.hospital_death[0]))
    odds += np.log(truth.hospital_death_odds_per_10_years) * decades
    in_hospital = rng.random(n) < special.expit(odds)
    # an exponential time that is cut off, by its inverse distribution function
    mean = truth.hospital_death_mean_s
    longest = -np.expm1(-(LAST_HOSPITAL_DEATH_S - truth.death_until_s) / mean)
    late = truth.death_until_s - mean * np.log1p(-rng.random(n) * longest)
    after = rng.random(n) < truth.death_after_discharge
    after_s = rng.uniform(LAST_HOSPITAL_DEATH_S, SECONDS_30_DAYS, n)
    good = rng.random(n) < np.where(arrest, truth.good_outcome[1], truth.good_outcome[0])

    soon = early < truth.death_until_s
    death = np.select([soon, in_hospital, after], [early, late, after_s], np.inf)
    return Fates(
        np.round(np.clip(handover, *truth.handover_range_s), 1),
        np.round(death, 1),
        ~soon & ~in_hospital,
        good & np.isinf(death),
    )


def outcome_columns(fates: Fates, truth: CourseTruth, rng: np.random.Generator) -> pd.DataFrame:
    """What was written down of each patient's fate: columns of the patients table, in its order.

    In some nothing is known after handover, more often in those who will leave hospital alive, because they were moved
    elsewhere: to be missing tells of the outcome.  Their last contact is the handover.
    """
    arrived = fates.death_s > fates.handover_s
    chance = np.where(fates.discharged, truth.outcome_missing_discharged, truth.outcome_missing_others)
    lost = arrived & (rng.random(arrived.size) < chance)
    alive = np.isinf(fates.death_s)

    def told(value: NDArray[np.bool_]) -> NDArray[np.str_]:
        return np.where(lost, "", np.where(value, "yes", "no"))

    return pd.DataFrame(
        {
            "survived_to_arrival": np.where(arrived, "yes", "no"),
            "survived_to_admission": told(arrived & (fates.death_s > truth.death_until_s)),
            "survived_to_discharge": told(fates.discharged),
            "survived_30_days": told(alive),
            "good_neurological_outcome": told(fates.good_outcome),
            "followed_until_s": np.where(lost, fates.handover_s, np.minimum(fates.death_s, SECONDS_30_DAYS)),
            "died": np.where(lost | alive, "no", "yes"),
        }
    )


def fates_by_arrest(fates: Fates, arrest: NDArray[np.bool_], truth: CourseTruth) -> dict[str, Any]:
    """Count what became of all patients, also of those in whom it was not written down."""
    counts = {}
    for name, members in (("without arrest", ~arrest), ("in arrest", arrest)):
        counts[name] = {
            "patients": int(members.sum()),
            "alive at handover": int((members & (fates.death_s > fates.handover_s)).sum()),
            "alive at 60 min": int((members & (fates.death_s > truth.death_until_s)).sum()),
            "discharged alive": int((members & fates.discharged).sum()),
            "alive at 30 days": int((members & np.isinf(fates.death_s)).sum()),
            "good neurological outcome": int((members & fates.good_outcome).sum()),
        }
    return counts
