"""Contradictions between the records of a patient, and body sizes in another unit."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from capstat.attempts.findings import FindingLog
    from capstat.attempts.sheet import Sheet

__all__ = ["check_body_size", "check_patient_links"]

_POUNDS_PER_KG: Final = 2.20462
_CM_PER_INCH: Final = 2.54
_HIGHEST_INDEX: Final = 60.0
_ORDINARY_INDEX: Final = (15.0, 45.0)
_HEAVY_MEDIAN_KG: Final = 130.0
_HEAVY_KG: Final = 250.0
_FEWEST_FOR_MEDIAN: Final = 5


def check_body_size(patients: Sheet, log: FindingLog) -> None:
    """Warn of weights that look like pounds and heights that look like inches."""
    weight, height = patients.numbers("weight_kg"), patients.numbers("height_cm")
    known = weight[np.isfinite(weight)]
    if len(known) >= _FEWEST_FOR_MEDIAN and np.median(known) > _HEAVY_MEDIAN_KG:
        log.add(
            "warning",
            "looks-like-pounds",
            f"has a median of {np.median(known):.0f} kg, so it may hold pounds",
            file=patients.file,
            column="weight_kg",
            header=patients.headers.get("weight_kg"),
            remedy="Divide pounds by 2.2046.",
        )
        weight = np.full(len(weight), np.nan)  # said once for all rows
    with np.errstate(invalid="ignore", divide="ignore"):
        index = weight / (height / 100) ** 2
        heavy = index > _HIGHEST_INDEX
        pounds = (weight > _HEAVY_KG) | (heavy & (height >= 100) & _ordinary(index / _POUNDS_PER_KG))
        inches = heavy & ~pounds & (height < 100) & _ordinary(index / _CM_PER_INCH**2)
    patients.report(
        log,
        "looks-like-pounds",
        pounds,
        "weight_kg",
        "may be in pounds",
        remedy="Divide pounds by 2.2046.",
        severity="warning",
    )
    patients.report(
        log,
        "looks-like-inches",
        inches,
        "height_cm",
        "may be in inches",
        remedy="Multiply inches by 2.54.",
        severity="warning",
    )


def check_patient_links(patients: Sheet, attempts: Sheet, log: FindingLog) -> None:
    """Warn of patients without attempts and of attempts without a patient record."""
    described, paced = patients.frame["patient_id"], attempts.frame["patient_id"]
    patients.report(
        log,
        "patient-without-attempts",
        ~described.isin(paced.cat.categories).to_numpy() & described.notna().to_numpy(),
        "patient_id",
        f"has no attempt in {attempts.file}",
        remedy="Check the code; case and spaces count.",
        severity="warning",
    )
    lonely = ~paced.isin(described.cat.categories).to_numpy() & paced.notna().to_numpy()
    attempts.report(
        log,
        "no-patient-record",
        lonely,
        "patient_id",
        f"has no record in {patients.file}",
        remedy="Check the code; case and spaces count.",
        severity="warning",
    )


def _ordinary(index: np.ndarray) -> np.ndarray:
    return (index >= _ORDINARY_INDEX[0]) & (index <= _ORDINARY_INDEX[1])
