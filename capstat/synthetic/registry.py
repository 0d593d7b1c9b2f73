"""The invented observational registry: placements are chosen, ramps stop early, readings of the screen can be wrong."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy import special

from capstat.protocol.policy import RampPolicy
from capstat.synthetic.bedside_signs import SIGN_TRUTH, add_signs
from capstat.synthetic.course import add_course
from capstat.synthetic.course_truth import COURSE_TRUTH
from capstat.synthetic.judgement import JUDGEMENT_TRUTH, false_first_claims, first_claims
from capstat.synthetic.reviews import add_reviews
from capstat.synthetic.scenario import MEAN_BMI, REGISTRY_TRUTH, SyntheticStudy, capture_curve, describe, people
from capstat.synthetic.simulate import Thresholds, simulate_steps

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.synthetic.bedside_signs import SignTruth
    from capstat.synthetic.course_truth import CourseTruth
    from capstat.synthetic.judgement import JudgementTruth
    from capstat.synthetic.scenario import ScenarioTruth

__all__ = ["simulate_registry"]

# Three kinds of device in the network (invented): start, step, maximum, step-down after capture, in mA.
REGISTRY_DEVICES = (
    RampPolicy(40.0, 5.0, 140.0, 4.0, None),
    RampPolicy(30.0, 10.0, 200.0, 5.0, 5.0),
    RampPolicy(50.0, 5.0, 180.0, 3.0, None),
)
DEVICE_SHARES = (0.5, 0.3, 0.2)
REPOSITION_SHARE = 0.6


def _parameters(truth: JudgementTruth | SignTruth) -> dict[str, Any]:
    """Parameters with their sources, as they are written down."""
    return asdict(truth) | {"sources": dict(truth.sources)}


def _population(
    truth: ScenarioTruth, base: NDArray[np.float64], first_is_ap: NDArray[np.bool_], never: NDArray[np.float64]
) -> dict[str, Any]:
    """Curves of both placements for both questions; ``base`` is the log median with anterior-lateral pads."""
    curves = {}
    for name, is_ap in (("anterior-posterior", True), ("anterior-lateral", False)):
        log_medians = base + (np.log(truth.ratio_ap_to_al) if is_ap else 0.0)
        had_it = first_is_ap == is_ap
        curves[name] = {
            "if everybody had this placement": capture_curve(truth, log_medians, never),
            "among those who had it first": capture_curve(truth, log_medians[had_it], never[had_it]),
        }
    return curves


def simulate_registry(
    *,
    n_patients: int = 600,
    seed: int,
    truth: ScenarioTruth = REGISTRY_TRUTH,
    judgement: JudgementTruth = JUDGEMENT_TRUTH,
    signs: SignTruth = SIGN_TRUTH,
    course: CourseTruth = COURSE_TRUTH,
) -> SyntheticStudy:
    """Observational registry: crews choose the placement, and choose anterior-lateral more often in the large.

    Some ramps stop early (pain, own rhythm), some patients are never captured, a failed first placement is
    often followed by the other one, and one ramp in fifty shows a loss of capture that is due to movement.
    Electrical capture as read from the screen is sometimes false, less often after a training; mechanical capture is
    right, but is looked at only where the screen is read as captured.

    Parameters
    ----------
    n_patients : int
        Patients.
    seed : int
        Seed of the generator.
    truth : ScenarioTruth
        Parameters of patients and thresholds.
    judgement : JudgementTruth
        Parameters of readings of the screen and of their review.
    signs : SignTruth
        Parameters of bedside signs.
    course : CourseTruth
        Parameters of times, ends of pacing, losses of capture and outcomes.
    """
    rng = np.random.default_rng(seed)
    # what is seen has a generator of its own, so that it does not change who is paced and how
    seen = np.random.default_rng([seed, 7])
    patients = people(n_patients, rng)
    month = seen.integers(1, judgement.months + 1, n_patients)
    bmi_units = ((patients["weight_kg"] / (patients["height_cm"] / 100) ** 2).to_numpy() - MEAN_BMI) / 5
    arrest = rng.random(n_patients) < 0.15
    conscious = ~arrest & (rng.random(n_patients) < 0.45)
    never_share = np.where(arrest, truth.never_captured_arrest, truth.never_captured)
    never = rng.random(n_patients) < never_share
    effect = rng.normal(0, truth.between_sd, n_patients)
    base = (
        np.log(truth.median_anterior_lateral_ma)
        + np.log(truth.ratio_per_5_bmi) * bmi_units
        + np.log(truth.ratio_arrest) * arrest
    )
    prefers_ap = special.expit(0.3 - 0.8 * bmi_units)
    first_is_ap = rng.random(n_patients) < prefers_ap
    device = rng.choice(len(REGISTRY_DEVICES), n_patients, p=DEVICE_SHARES)

    def one_round(members: NDArray[np.intp], is_ap: NDArray[np.bool_], order: int) -> tuple[pd.DataFrame, pd.DataFrame]:
        n = members.size
        log_t = base[members] + np.log(truth.ratio_ap_to_al) * is_ap + effect[members]
        mechanical = np.exp(log_t + rng.normal(0, truth.within_sd, n))
        mechanical = np.where(never[members], np.inf, mechanical)
        pain = conscious[members] & (rng.random(n) < 0.15)
        rhythm = rng.random(n) < 0.03
        stop = np.where(pain | rhythm, rng.uniform(50, 130, n), np.inf)
        thresholds = Thresholds(mechanical / truth.mechanical_to_electrical, mechanical, stop, rng.random(n) < 0.02)
        policies = [REGISTRY_DEVICES[i] for i in device[members]]
        ids = [f"SYN-A{order}{i + 1:04d}" for i in members]
        claims = first_claims(thresholds.electrical_ma, policies, month[members], truth=judgement, seed=seen)
        steps = simulate_steps(thresholds, policies, ids, first_claim_ma=claims)
        at = pd.Index(ids).get_indexer(pd.Index(steps["attempt_id"]))
        steps["truly_electrical"] = steps["current_ma"] >= thresholds.electrical_ma[at]
        steps["truly_mechanical"] = steps["current_ma"] >= thresholds.mechanical_ma[at]
        captured = steps.loc[steps["mechanical_capture"] == "yes", "attempt_id"].unique()
        top = steps.groupby("attempt_id", sort=False)["current_ma"].max().reindex(ids).to_numpy()
        maximum = np.array([policy.maximum_ma for policy in policies])
        ended = np.select(
            [np.isin(ids, captured), top >= maximum, pain],
            ["captured", "maximum-reached", "stopped-pain"],
            "stopped-own-rhythm",
        )
        attempts = pd.DataFrame(
            {
                "data_origin": "synthetic",
                "attempt_id": ids,
                "patient_id": patients["patient_id"].to_numpy()[members],
                "placement": np.where(is_ap, "anterior-posterior", "anterior-lateral"),
                "attempt_order": order,
                "study_month": month[members],
                "setting": "prehospital",
                "assignment": "chosen",
                "max_output_ma": maximum,
                "start_ma": [policy.start_ma for policy in policies],
                "step_ma": [policy.step_ma for policy in policies],
                "pulse_width_ms": 40,
                "rate_ppm": 70,
                "pacing_mode": rng.choice(["demand", "fixed-rate"], n, p=[0.8, 0.2]),
                "arrest": np.where(arrest[members], "yes", "no"),
                "conscious": np.where(conscious[members], "yes", "no"),
                "ended": ended,
            }
        )
        return attempts, steps

    first = one_round(np.arange(n_patients), first_is_ap, 1)
    failed = first[0]["ended"].to_numpy() == "maximum-reached"
    again = np.flatnonzero(failed & (rng.random(n_patients) < REPOSITION_SHARE))
    second = one_round(again, ~first_is_ap[again], 2)
    attempts, steps = (pd.concat(tables, ignore_index=True) for tables in zip(first, second, strict=True))
    reviewed = rng.random(len(attempts)) < 0.25
    electrical = steps.pop("truly_electrical").to_numpy(dtype=bool)
    mechanical = steps.pop("truly_mechanical").to_numpy(dtype=bool)
    steps = add_reviews(steps, electrical, reviewed, judgement, seen)
    steps = add_signs(steps, mechanical, signs, seen)
    patients.loc[rng.random(n_patients) < 0.08, ["height_cm", "weight_kg"]] = np.nan
    # the course has a generator of its own too: ramps and readings are those of a registry without it
    dwell = np.array([REGISTRY_DEVICES[i].seconds_per_step for i in np.append(device, device[again])])
    whole = add_course(attempts, steps, patients, dwell, truth=course, seed=[seed, 13])
    described = describe(truth, seed, n_patients, _population(truth, base, first_is_ap, never_share)) | {
        "population_electrical": _population(
            truth, base - np.log(truth.mechanical_to_electrical), first_is_ap, never_share
        ),
        "judgement": {
            "screen": _parameters(judgement),
            "signs": _parameters(signs),
            "first_claims_of_electrical_capture": false_first_claims(judgement, attempts, steps, electrical),
        },
        "course": whole.described,
    }
    return SyntheticStudy(whole.attempts, whole.steps, whole.patients, described, whole.periods)
