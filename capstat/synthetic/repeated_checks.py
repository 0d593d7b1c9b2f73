"""The invented transfer study: patients paced for an hour, their threshold checked again and again."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy import special

from capstat.protocol.policy import RampPolicy
from capstat.synthetic.scenario import LABEL, SyntheticStudy, people
from capstat.synthetic.simulate import Thresholds, simulate_steps

__all__ = ["REPEATED_CHECKS_TRUTH", "RepeatedChecksTruth", "simulate_repeated_checks"]

TRANSFER_DEVICE = RampPolicy(30.0, 5.0, 160.0, 2.0, None)
CHECK_MINUTES = (0.0, 10.0, 20.0, 30.0, 45.0, 60.0)


@dataclass(frozen=True, slots=True)
class RepeatedChecksTruth:
    """Parameters of the scenario, thresholds meaning mechanical capture.

    Attributes
    ----------
    median_ma : float
        Median threshold at the first check.
    between_sd : float
        Standard deviation of the log threshold between patients at the first check.
    drift_sd_30_min : float
        Standard deviation of the change of a patient's log threshold over 30 minutes; a random walk.
    check_done : float
        Probability that a check after the first is done.
    jitter_minutes : float
        A check is at most this early or late.
    """

    median_ma: float
    between_sd: float
    drift_sd_30_min: float
    check_done: float
    jitter_minutes: float


REPEATED_CHECKS_TRUTH = RepeatedChecksTruth(85.0, 0.25, 0.08, 0.9, 1.0)
SOURCES = {
    "drift_sd_30_min": "invented; no published variability of repeated threshold checks was found",
    "everything else": "invented",
}


def simulate_repeated_checks(
    *, n_patients: int = 60, seed: int, truth: RepeatedChecksTruth = REPEATED_CHECKS_TRUTH
) -> SyntheticStudy:
    """Threshold checks at 0, 10, 20, 30, 45 and 60 minutes of a transfer, each a rising ramp of 5 mA steps.

    Each check is one attempt; its threshold stands still during the ramp.  Time zero of a patient is the first pulse of
    the first check.

    Parameters
    ----------
    n_patients : int
        Patients, at least 1.
    seed : int
        Seed of the generator.
    truth : RepeatedChecksTruth
        Parameters.

    Raises
    ------
    ValueError
        Without patients.
    """
    if n_patients < 1:
        raise ValueError(f"The study needs at least 1 patient, not {n_patients}.")
    rng = np.random.default_rng(seed)
    patients = people(n_patients, rng)
    shape = (n_patients, len(CHECK_MINUTES))
    minutes = np.array(CHECK_MINUTES) + rng.uniform(-truth.jitter_minutes, truth.jitter_minutes, shape)
    minutes[:, 0] = 0.0
    seconds = np.round(minutes * 60)
    steps_sd = truth.drift_sd_30_min * np.sqrt(np.diff(seconds, axis=1) / 60 / 30)
    walk = np.cumsum(rng.standard_normal(steps_sd.shape) * steps_sd, axis=1)
    first = np.log(truth.median_ma) + rng.normal(0, truth.between_sd, (n_patients, 1))
    done = rng.random(shape) < truth.check_done
    done[:, 0] = True
    threshold = np.exp(first + np.concatenate([np.zeros((n_patients, 1)), walk], axis=1))[done]
    member, start = np.nonzero(done)[0], seconds[done]
    order = np.cumsum(done, axis=1)[done]
    ids = [f"SYN-D{m + 1:03d}{o}" for m, o in zip(member, order, strict=True)]
    nobody = np.zeros(member.size, dtype=bool)
    thresholds = Thresholds(threshold, threshold, np.full(member.size, np.inf), nobody)
    steps = simulate_steps(thresholds, [TRANSFER_DEVICE] * member.size, ids)
    steps["mechanical_capture"] = steps.pop("electrical_capture")
    # one clock for a patient: settings count from the first pulse of the first check
    steps["time_s"] += pd.Series(start, index=ids)[steps["attempt_id"]].to_numpy()
    captured = steps.loc[steps["mechanical_capture"] == "yes"].groupby("attempt_id")["time_s"].min().reindex(ids)
    last = steps.groupby("attempt_id")["time_s"].max().reindex(ids)
    attempts = pd.DataFrame(
        {
            "data_origin": "synthetic",
            "attempt_id": ids,
            "patient_id": patients["patient_id"].to_numpy()[member],
            "placement": "anterior-posterior",
            "attempt_order": order,
            "setting": "prehospital",
            "assignment": "chosen",
            "max_output_ma": TRANSFER_DEVICE.maximum_ma,
            "start_ma": TRANSFER_DEVICE.start_ma,
            "step_ma": TRANSFER_DEVICE.step_ma,
            "pulse_width_ms": 40,
            "rate_ppm": 70,
            "arrest": "no",
            "conscious": "no",
            "sedation": "yes",
            "pacing_start_s": start,
            "first_capture_s": captured.to_numpy(),
            "pacing_end_s": last.to_numpy() + TRANSFER_DEVICE.seconds_per_step,
            "ended": np.where(captured.notna(), "captured", "maximum-reached"),
        }
    )
    return SyntheticStudy(attempts, steps, patients, _described(truth, seed, n_patients))


def _described(truth: RepeatedChecksTruth, seed: int, n_patients: int) -> dict[str, Any]:
    """Write down what is true of the study; the margin by the reflection principle for a random walk."""
    margin = 100 * np.expm1(truth.drift_sd_30_min * -special.ndtri(0.025))
    return {
        "label": LABEL,
        "generator": "capstat.synthetic.repeated_checks",
        "seed": seed,
        "patients": n_patients,
        "threshold_means": "mechanical capture",
        "parameters": asdict(truth) | {"rate_per_minute": round(truth.drift_sd_30_min**2 / 30, 10)},
        "sources": SOURCES,
        "margin_for_at_most_5_percent_loss_in_30_min": f"{margin:.2f} % above the threshold",
    }
