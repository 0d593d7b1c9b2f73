"""The invented randomised crossover in a procedure laboratory."""

from __future__ import annotations

import numpy as np
import pandas as pd

from capstat.protocol.policy import RampPolicy
from capstat.synthetic.scenario import CROSSOVER_TRUTH, ScenarioTruth, SyntheticStudy, capture_curve, describe, people
from capstat.synthetic.simulate import Thresholds, simulate_steps

__all__ = ["simulate_crossover"]

CROSSOVER_DEVICE = RampPolicy(40.0, 5.0, 140.0, 1.0, None)


def simulate_crossover(*, n_patients: int = 40, seed: int, truth: ScenarioTruth = CROSSOVER_TRUTH) -> SyntheticStudy:
    """Randomised crossover in a procedure laboratory: both placements in each patient, order by chance.

    Two patients are paced in one position only, and one ramp of a patient with a threshold above 80 mA stops early.

    Parameters
    ----------
    n_patients : int
        Patients, at least 4.
    seed : int
        Seed of the generator.
    truth : ScenarioTruth
        Parameters.

    Raises
    ------
    ValueError
        With fewer than 4 patients.
    """
    if n_patients < 4:
        raise ValueError(f"The crossover needs at least 4 patients, not {n_patients}.")
    rng = np.random.default_rng(seed)
    patients = people(n_patients, rng)
    effect = rng.normal(0, truth.between_sd, n_patients)
    # blocks of two, so that the orders stay balanced
    ap_first = np.concatenate([rng.permutation([True, False]) for _ in range((n_patients + 1) // 2)])[:n_patients]
    member = np.repeat(np.arange(n_patients), 2)
    order = np.tile([1, 2], n_patients)
    is_ap = np.where(order == 1, ap_first[member], ~ap_first[member])
    log_t = np.log(truth.median_anterior_lateral_ma) + np.log(truth.ratio_ap_to_al) * is_ap + effect[member]
    mechanical = np.exp(log_t + rng.normal(0, truth.within_sd, member.size))
    stop = np.full(member.size, np.inf)
    single = rng.choice(n_patients, 2, replace=False)
    dropped = np.isin(member, single) & (order == 2)
    # one ramp of a patient who would have needed more ends at about 70 mA
    stop[int(rng.choice(np.flatnonzero((mechanical > 80) & ~dropped)))] = 65.0
    nobody = np.zeros(member.size, dtype=bool)
    ids = [f"SYN-X{m + 1:03d}{o}" for m, o in zip(member, order, strict=True)]
    thresholds = Thresholds(mechanical / truth.mechanical_to_electrical, mechanical, stop, nobody)
    steps = simulate_steps(thresholds, [CROSSOVER_DEVICE] * member.size, ids)
    # as in the published trial, the pulse-oximetry rate decided; electrical capture was not judged
    steps["mechanical_capture"] = steps.pop("electrical_capture")
    captured = steps.loc[steps["mechanical_capture"] == "yes", "attempt_id"].unique()
    top = steps.groupby("attempt_id", sort=False)["current_ma"].max().to_numpy()
    attempts = pd.DataFrame(
        {
            "data_origin": "synthetic",
            "attempt_id": ids,
            "patient_id": patients["patient_id"].to_numpy()[member],
            "placement": np.where(is_ap, "anterior-posterior", "anterior-lateral"),
            "attempt_order": order,
            "setting": "procedure-laboratory",
            "assignment": "randomised",
            "max_output_ma": CROSSOVER_DEVICE.maximum_ma,
            "start_ma": CROSSOVER_DEVICE.start_ma,
            "step_ma": CROSSOVER_DEVICE.step_ma,
            "pulse_width_ms": 40,
            "rate_ppm": 80,
            "arrest": "no",
            "conscious": "no",
            "sedation": "yes",
            "ended": np.select(
                [np.isin(ids, captured), top >= CROSSOVER_DEVICE.maximum_ma],
                ["captured", "maximum-reached"],
                "stopped-other",
            ),
        }
    )
    attempts = attempts.loc[~dropped].reset_index(drop=True)
    steps = steps.loc[steps["attempt_id"].isin(attempts["attempt_id"])].reset_index(drop=True)
    log_al = np.full(1, np.log(truth.median_anterior_lateral_ma))
    curves = {
        name: {"if everybody had this placement": capture_curve(truth, log_al + shift, np.zeros(1))}
        for name, shift in (("anterior-posterior", np.log(truth.ratio_ap_to_al)), ("anterior-lateral", 0.0))
    }
    return SyntheticStudy(attempts, steps, patients, describe(truth, seed, n_patients, curves))
