"""What hands and monitors say about capture in an invented study."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

__all__ = ["SIGN_TRUTH", "SignTruth", "add_signs"]


@dataclass(frozen=True, slots=True)
class SignTruth:
    """Parameters of bedside signs of mechanical capture, at settings that are read as captured on the screen.

    Attributes
    ----------
    femoral_looked_for, carotid_looked_for, oximetry_looked_for, etco2_looked_for, systolic_looked_for : float
        Share of these settings at which the sign was looked for, chance alone deciding.
    femoral_sensitivity, femoral_specificity : float
        Accuracy of the femoral pulse for mechanical capture.
    carotid_sensitivity, carotid_specificity : float
        The same of the carotid pulse.
    twitch : float
        Probability that, without capture, muscle twitches are felt as a pulse in both places.
    oximetry_sensitivity, oximetry_specificity : float
        The same of the pulse-oximetry waveform.
    etco2_captured_mmhg, etco2_not_captured_mmhg : tuple of (float, float)
        Mean and SD of the rise of end-tidal carbon dioxide, with capture and without.
    systolic_captured_mmhg, systolic_not_captured_mmhg : tuple of (float, float)
        Mean and SD of the systolic pressure, with capture and without.
    ultrasound_no_femoral, ultrasound_else : float
        Share of settings with ultrasound (never wrong) where a femoral pulse was looked for and not felt, and
        elsewhere: the reference is sought where there is doubt.
    sources : tuple of (str, str)
        Where each number comes from.
    """

    femoral_looked_for: float
    femoral_sensitivity: float
    femoral_specificity: float
    carotid_looked_for: float
    carotid_sensitivity: float
    carotid_specificity: float
    twitch: float
    oximetry_looked_for: float
    oximetry_sensitivity: float
    oximetry_specificity: float
    etco2_looked_for: float
    etco2_captured_mmhg: tuple[float, float]
    etco2_not_captured_mmhg: tuple[float, float]
    systolic_looked_for: float
    systolic_captured_mmhg: tuple[float, float]
    systolic_not_captured_mmhg: tuple[float, float]
    ultrasound_no_femoral: float
    ultrasound_else: float
    sources: tuple[tuple[str, str], ...]

    def __post_init__(self) -> None:
        """Refuse a twitch that is more frequent than the false pulses it is to explain."""
        if self.twitch > 1 - max(self.femoral_specificity, self.carotid_specificity):
            raise ValueError(
                "Twitches are felt as a pulse in both places, so no pulse is false less often than they occur."
            )


SIGN_TRUTH = SignTruth(
    femoral_looked_for=0.80,
    femoral_sensitivity=0.93,
    femoral_specificity=0.70,
    carotid_looked_for=0.30,
    carotid_sensitivity=0.95,
    carotid_specificity=0.45,
    twitch=0.25,
    oximetry_looked_for=0.75,
    oximetry_sensitivity=0.85,
    oximetry_specificity=0.92,
    etco2_looked_for=0.40,
    etco2_captured_mmhg=(9.0, 4.0),
    etco2_not_captured_mmhg=(1.0, 3.0),
    systolic_looked_for=0.30,
    systolic_captured_mmhg=(95.0, 15.0),
    systolic_not_captured_mmhg=(68.0, 15.0),
    ultrasound_no_femoral=0.45,
    ultrasound_else=0.12,
    sources=(("everything", "invented"),),
)


def _yes_no(looked_for: NDArray[np.bool_], seen: NDArray[np.bool_]) -> NDArray[np.str_]:
    return np.where(looked_for, np.where(seen, "yes", "no"), "")


def _reading(
    looked_for: NDArray[np.bool_], captured: NDArray[np.bool_], normal: NDArray[np.float64],
    with_capture: tuple[float, float], without: tuple[float, float],
) -> NDArray[np.float64]:  # fmt: skip
    """Whole mmHg; NaN where nobody looked."""
    value = np.where(captured, with_capture[0] + with_capture[1] * normal, without[0] + without[1] * normal)
    # adding 0 turns -0 into 0
    return np.where(looked_for, np.round(value) + 0.0, np.nan)


def add_signs(
    steps: pd.DataFrame, mechanical: NDArray[np.bool_], truth: SignTruth, rng: np.random.Generator
) -> pd.DataFrame:
    """Add the columns of the bedside signs; blank where the screen was not read as captured.

    Signs are independent of each other given mechanical capture, but for the two pulses without capture.

    Parameters
    ----------
    steps : pandas.DataFrame
        Simulated steps with ``electrical_capture``.
    mechanical : ndarray of bool, shape (steps,)
        True mechanical capture.
    truth : SignTruth
        Parameters.
    rng : numpy.random.Generator
        Generator of the draws.

    Returns
    -------
    pandas.DataFrame
        A copy with ``femoral_pulse``, ``carotid_pulse``, ``oximetry_waveform``, ``ultrasound``, ``etco2_rise_mmhg``
        and ``systolic_mmhg``.
    """
    n = len(steps)
    read = (steps["electrical_capture"] == "yes").to_numpy()

    def by_chance(probability: float) -> NDArray[np.bool_]:
        return np.asarray(rng.random(n) < probability)

    def looked_for(probability: float) -> NDArray[np.bool_]:
        return read & by_chance(probability)

    twitch = by_chance(truth.twitch)

    def pulse(sensitivity: float, specificity: float) -> NDArray[np.bool_]:
        # other false pulses make up the rest of 1 - specificity
        other = by_chance((1 - specificity - truth.twitch) / (1 - truth.twitch))
        return np.where(mechanical, by_chance(sensitivity), twitch | other)

    femoral_sought, carotid_sought = looked_for(truth.femoral_looked_for), looked_for(truth.carotid_looked_for)
    femoral = pulse(truth.femoral_sensitivity, truth.femoral_specificity)
    carotid = pulse(truth.carotid_sensitivity, truth.carotid_specificity)
    oximetry_sought = looked_for(truth.oximetry_looked_for)
    oximetry = np.where(mechanical, by_chance(truth.oximetry_sensitivity), by_chance(1 - truth.oximetry_specificity))
    doubt = femoral_sought & ~femoral
    ultrasound_sought = read & (rng.random(n) < np.where(doubt, truth.ultrasound_no_femoral, truth.ultrasound_else))
    return steps.assign(
        femoral_pulse=_yes_no(femoral_sought, femoral),
        carotid_pulse=_yes_no(carotid_sought, carotid),
        oximetry_waveform=_yes_no(oximetry_sought, oximetry),
        ultrasound=_yes_no(ultrasound_sought, mechanical),
        etco2_rise_mmhg=_reading(
            looked_for(truth.etco2_looked_for), mechanical, rng.standard_normal(n),
            truth.etco2_captured_mmhg, truth.etco2_not_captured_mmhg,
        ),
        systolic_mmhg=_reading(
            looked_for(truth.systolic_looked_for), mechanical, rng.standard_normal(n),
            truth.systolic_captured_mmhg, truth.systolic_not_captured_mmhg,
        ),
    )  # fmt: skip
