"""What is true of times, ends, losses of capture and outcomes in an invented registry."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["COURSE_TRUTH", "STATED", "CourseTruth"]

STATED = {
    "effect of capture on death": "none: hazard ratio 1 at every time, given arrest and age",
    "effect of the time of capture on death and outcome": "none, given arrest and age",
    "effect of placement on death and outcome": "none, given arrest and age",
    "why they go together all the same": (
        "patients in arrest are captured later, less often and for a shorter time, and more of them die"
    ),
    "deaths": (
        "nobody dies before death_from_s, by when every ramp is over; followed_until_s of the dead is when circulation "
        "was lost for good"
    ),
    "losses of capture": (
        "the ratio of placements holds from the end of the ramp on, given arrest and whether loss_early_until_s is "
        "over; losses inside the ramp follow from its settings and have nothing to do with it"
    ),
    "missing outcomes": (
        "more often in those who leave hospital alive, so that to be missing tells of the outcome; given the outcome "
        "they hang on nothing else"
    ),
}
"""What the parameters mean for questions that an analysis asks."""


@dataclass(frozen=True, slots=True)
class CourseTruth:
    """Parameters of the course of pacing and of what came after it.

    Times are seconds from the patient's first pulse; hazards are per second.  Pairs are without and in arrest, or the
    ends of a uniform distribution where the name says range.

    Attributes
    ----------
    arrival_median_s, arrival_log_sd, arrival_range_s : float, float, (float, float)
        Time from arrival to the first pulse: lognormal, kept in the range.
    onset_median_s, onset_log_sd, onset_missing : float
        Time from onset to arrival: lognormal; share of patients in whom nobody knows.
    pads_range_s, moved_pads_range_s : (float, float)
        Time from the pads to the first pulse of first and of later attempts.
    second_attempt_range_s : (float, float)
        Time from the end of the first ramp to the first pulse of the second attempt, in whole seconds.
    ends_from_s : float
        Before this time, and before the last ramp has ended, pacing ends only where the ramp was stopped for an own
        rhythm.
    own_rhythm, other_therapy : (float, float)
        Hazards of these ends from then on, whether there is capture or not.
    abandoned : (float, float)
        Hazard of giving up from then on, until the first mechanical capture.
    rhythm_stop_range_s : (float, float)
        Time from the end of a ramp that was stopped for an own rhythm to the last pulse.
    handover_median_s, handover_log_sd, handover_range_s : float, float, (float, float)
        Time of handover, with which pacing ends at the latest: lognormal, kept in the range; depends on nothing.
    pacing_ended_missing : float
        Share of patients in whom nobody wrote down why pacing ended.
    late_capture : (float, float)
        Hazard of the first mechanical capture after a ramp without it.
    loss_early, loss_late : (float, float)
        Hazard of losing capture after the ramp with anterior-posterior pads, before and after ``loss_early_until_s``.
    loss_early_until_s : float
        End of the time in which patients are moved.
    loss_ratio_anterior_lateral : float
        Hazard of losing capture with anterior-lateral pads relative to anterior-posterior ones.
    regained : (float, float)
        Hazard of regaining capture.
    set_back_range_s : (float, float)
        Time from the end of a ramp that stepped down until capture was lost to capture at the setting before.
    death_from_s, death_until_s : float
        Bounds of the time in which ``death`` is the hazard of losing circulation for good.
    death : (float, float)
        That hazard at 72 years.
    death_ratio_per_10_years : float
        Its ratio for each 10 years of age.
    hospital_death : (float, float)
        Probability of death in hospital at 72 years in those who are alive at ``death_until_s``.
    hospital_death_odds_per_10_years : float
        Its odds ratio for each 10 years.
    hospital_death_mean_s : float
        Mean of the exponential time of that death, which is cut off at 29 days.
    death_after_discharge : float
        Probability of death between discharge and 30 days.
    good_outcome : (float, float)
        Probability of a good neurological outcome in those who live at 30 days.
    outcome_missing_discharged, outcome_missing_others : float
        Probability that nothing is known after handover, in those who will leave hospital alive and in others who
        were alive at handover.
    sources : tuple of (str, str)
        Where each number comes from.
    """

    arrival_median_s: float
    arrival_log_sd: float
    arrival_range_s: tuple[float, float]
    onset_median_s: float
    onset_log_sd: float
    onset_missing: float
    pads_range_s: tuple[float, float]
    moved_pads_range_s: tuple[float, float]
    second_attempt_range_s: tuple[float, float]
    ends_from_s: float
    own_rhythm: tuple[float, float]
    other_therapy: tuple[float, float]
    abandoned: tuple[float, float]
    rhythm_stop_range_s: tuple[float, float]
    handover_median_s: float
    handover_log_sd: float
    handover_range_s: tuple[float, float]
    pacing_ended_missing: float
    late_capture: tuple[float, float]
    loss_early: tuple[float, float]
    loss_late: tuple[float, float]
    loss_early_until_s: float
    loss_ratio_anterior_lateral: float
    regained: tuple[float, float]
    set_back_range_s: tuple[float, float]
    death_from_s: float
    death_until_s: float
    death: tuple[float, float]
    death_ratio_per_10_years: float
    hospital_death: tuple[float, float]
    hospital_death_odds_per_10_years: float
    hospital_death_mean_s: float
    death_after_discharge: float
    good_outcome: tuple[float, float]
    outcome_missing_discharged: float
    outcome_missing_others: float
    sources: tuple[tuple[str, str], ...]


COURSE_TRUTH = CourseTruth(
    arrival_median_s=330.0,
    arrival_log_sd=0.55,
    arrival_range_s=(120.0, 2400.0),
    onset_median_s=720.0,
    onset_log_sd=0.7,
    onset_missing=0.30,
    pads_range_s=(15.0, 90.0),
    moved_pads_range_s=(3.0, 15.0),
    second_attempt_range_s=(20.0, 45.0),
    ends_from_s=120.0,
    own_rhythm=(1.5e-4, 8e-5),
    other_therapy=(1e-4, 5e-5),
    abandoned=(1 / 1200, 1 / 900),
    rhythm_stop_range_s=(1.0, 10.0),
    handover_median_s=1980.0,
    handover_log_sd=0.35,
    handover_range_s=(600.0, 3300.0),
    pacing_ended_missing=0.03,
    late_capture=(1 / 600, 1 / 1500),
    loss_early=(1 / 140, 1 / 80),
    loss_late=(1 / 1800, 1 / 900),
    loss_early_until_s=600.0,
    loss_ratio_anterior_lateral=1.5,
    regained=(1 / 210, 1 / 330),
    set_back_range_s=(3.0, 20.0),
    death_from_s=240.0,
    death_until_s=3600.0,
    death=(2.4e-5, 1.75e-4),
    death_ratio_per_10_years=1.2,
    hospital_death=(0.34, 0.81),
    hospital_death_odds_per_10_years=1.3,
    hospital_death_mean_s=4 * 86400.0,
    death_after_discharge=0.02,
    good_outcome=(0.85, 0.60),
    outcome_missing_discharged=0.18,
    outcome_missing_others=0.05,
    sources=(
        ("loss_early, loss_late, regained, late_capture", ("invented, and far better than in published audits of "
         "strips: capture was sustained in 29 of 299 patients, and complete for a median of 13.8 % of the pacing time "
         "of 56 patients (two conference abstracts of 2025)")),
        ("handover_median_s, handover_log_sd", ("chosen for a median pacing time of about 25 min; published is a "
         "median of 18.9 min (quartiles 7.6 and 29.0) in 56 patients (conference abstract of 2025)")),
        ("death", ("invented: about 45 % in 60 min in arrest, 8 % otherwise; published is resuscitation in 41.5 and "
         "59 % of two series (conference abstracts of 2025)")),
        ("hospital_death", ("invented: about 60 % leave hospital alive without arrest, 10 % in arrest; published is a "
         "survival of 34 % in 56 patients (conference abstract of 2025)")),
        ("loss_ratio_anterior_lateral", "invented; nothing published was found"),
        ("everything else", "invented; no distribution of the time to capture was found published"),
    ),
)  # fmt: skip
