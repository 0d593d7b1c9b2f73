"""Invented studies with known truth: the Velmara highland ambulance and rescue network.

Nothing here was observed.  Parameters are calibrated to published numbers where there are any; each names
its source, or says "invented".
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy import special

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = [
    "CROSSOVER_TRUTH",
    "LABEL",
    "MEAN_BMI",
    "REGISTRY_TRUTH",
    "ScenarioTruth",
    "SyntheticStudy",
    "capture_curve",
    "describe",
    "people",
]

LABEL = "SYNTHETIC DATA, invented: Velmara highland ambulance and rescue network. No real patient, crew or service."


@dataclass(frozen=True, slots=True)
class ScenarioTruth:
    """Parameters of a scenario, thresholds meaning mechanical capture.

    Attributes
    ----------
    median_anterior_lateral_ma : float
        Median threshold with anterior-lateral pads at average body size, without arrest.
    ratio_ap_to_al : float
        Threshold with anterior-posterior pads relative to anterior-lateral ones, within a patient.
    between_sd, within_sd : float
        Standard deviations of log threshold between and within patients.
    ratio_per_5_bmi : float
        Ratio of thresholds per 5 kg/m² of body mass index.
    ratio_arrest : float
        Ratio of thresholds in cardiac arrest.
    never_captured, never_captured_arrest : float
        Share of patients that no current captures, without and in arrest.
    mechanical_to_electrical : float
        Mechanical threshold relative to the electrical one.
    sources : tuple of (str, str)
        Where each number comes from.
    """

    median_anterior_lateral_ma: float
    ratio_ap_to_al: float
    between_sd: float
    within_sd: float
    ratio_per_5_bmi: float
    ratio_arrest: float
    never_captured: float
    never_captured_arrest: float
    mechanical_to_electrical: float
    sources: tuple[tuple[str, str], ...]


REGISTRY_TRUTH = ScenarioTruth(
    median_anterior_lateral_ma=92.0,
    ratio_ap_to_al=0.82,
    between_sd=0.22,
    within_sd=0.14,
    ratio_per_5_bmi=1.08,
    ratio_arrest=1.10,
    never_captured=0.02,
    never_captured_arrest=0.10,
    mechanical_to_electrical=1.05,
    sources=(
        ("median_anterior_lateral_ma, ratio_ap_to_al", ("anterior-posterior median then 75 mA, between the emergency "
         "mean of 81 mA (Altamura et al. 1990, doi:10.1111/j.1540-8159.1990.tb06938.x) and the mean of 74 mA, SD 14, of "
         "Altamura et al. 1990 (PMID 1704585); the ratio itself is invented, nearer to 1 than in the crossover")),
        ("between_sd, within_sd", ("total 0.26 on the log scale; published within-study SD 14 to 18 mA at 70 to 75 mA is "
         "0.19 to 0.26 (PMID 1704585 and the pulse-shape study under anaesthesia, n = 58); the split is invented")),
        ("ratio_per_5_bmi, ratio_arrest", "invented; no adult correlation with body size was found published"),
        ("never_captured, never_captured_arrest", ("invented; 2 of 32 emergencies had no stable capture, one of them in "
         "prolonged arrest (doi:10.1111/j.1540-8159.1990.tb06938.x)")),
        ("mechanical_to_electrical", "invented"),
    ),
)  # fmt: skip
CROSSOVER_TRUTH = ScenarioTruth(
    median_anterior_lateral_ma=150.0,
    ratio_ap_to_al=0.72,
    between_sd=0.30,
    within_sd=0.14,
    ratio_per_5_bmi=1.0,
    ratio_arrest=1.0,
    never_captured=0.0,
    never_captured_arrest=0.0,
    mechanical_to_electrical=1.0,
    sources=(
        ("median_anterior_lateral_ma, ratio_ap_to_al, between_sd", ("capture at 140 mA in 78 % (anterior-posterior) and "
         "42 % (anterior-lateral) of patients, Moayedi et al. 2022 (PMID 36191069): with a total log SD of 0.33, medians "
         "108 and 150 mA")),
        ("within_sd", ("SD of paired differences 20.7 mA, derived from the published interval of Moayedi et al. 2022 (PMID "
         "36410605), about 0.20 on the log scale for a difference of two")),
        ("ramp", "start 40 mA, +5 mA every second, maximum 140 mA, as published for that trial (secondary summary)"),
        ("everything else", "invented"),
    ),
)  # fmt: skip

MEAN_BMI = 28.0


@dataclass(frozen=True, slots=True, eq=False)
class SyntheticStudy:
    """An invented study as tables, and what is true of it.

    Attributes
    ----------
    attempts, steps, patients : pandas.DataFrame
        Tables with the columns of the field table, blank where nothing was recorded.
    truth : dict
        Parameters with their sources, the seed, and capture curves for two questions: if everybody had a placement
        (what adjustment aims at), and among those who had it (what a plain curve estimates).
    periods : pandas.DataFrame or None
        Periods with capture; None in scenarios that end with the ramp.
    """

    attempts: pd.DataFrame
    steps: pd.DataFrame
    patients: pd.DataFrame
    truth: dict[str, Any]
    periods: pd.DataFrame | None = None


def people(n: int, rng: np.random.Generator) -> pd.DataFrame:
    """Draw the patients table of ``n`` invented people."""
    height = np.clip(rng.normal(170, 9.5, n), 145, 205).round(0)
    bmi = np.clip(np.exp(rng.normal(np.log(MEAN_BMI) - 0.02, 0.19, n)), 17, 52)
    weight = (bmi * (height / 100) ** 2).round(1)
    age = np.clip(rng.normal(72, 13, n), 18, 102).round(0)
    return pd.DataFrame(
        {
            "patient_id": [f"SYN-{i + 1:04d}" for i in range(n)],
            "age_years": np.where(age > 89, 90, age).astype(int),
            "sex": rng.choice(["female", "male"], n, p=[0.4, 0.6]),
            "height_cm": height,
            "weight_kg": weight,
        }
    )


def capture_curve(truth: ScenarioTruth, log_medians: NDArray[np.float64], never: NDArray[np.float64]) -> dict[str, Any]:
    """Population capture currents and probabilities, averaged over the simulated patients' true covariates."""
    spread = float(np.hypot(truth.between_sd, truth.within_sd))
    grid = np.linspace(20, 400, 7601)

    def share(x: NDArray[np.float64] | float) -> NDArray[np.float64]:
        z = (np.log(np.atleast_1d(x))[:, None] - log_medians) / spread
        return np.asarray((special.ndtr(z) * (1 - never)).mean(axis=1))

    # chunks keep the grid-by-patient table small
    curve = np.concatenate([share(part) for part in np.array_split(grid, 64)])
    currents = {f"{100 * p:g} %": round(float(grid[np.searchsorted(curve, p)]), 2) for p in (0.5, 0.75, 0.9)}
    probabilities = {f"{c:g} mA": round(float(share(c)[0]), 4) for c in (60.0, 80.0, 100.0, 120.0, 140.0)}
    return {"capture_currents_ma": currents, "share_captured": probabilities}


def describe(truth: ScenarioTruth, seed: int, n: int, curves: dict[str, Any]) -> dict[str, Any]:
    """Write down what is true of a study of ``n`` patients."""
    parameters = {name: getattr(truth, name) for name in ScenarioTruth.__dataclass_fields__ if name != "sources"}
    return {
        "label": LABEL,
        "generator": "capstat.synthetic.scenario",
        "seed": seed,
        "patients": n,
        "threshold_means": "mechanical capture",
        "parameters": parameters,
        "sources": dict(truth.sources),
        "population": curves,
    }
