"""Contradictions between the records of a patient, and body sizes in another unit."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from capstat.attempts.check_codes import check_codes
from capstat.attempts.fields import field_named

if TYPE_CHECKING:
    from numpy.typing import NDArray

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
_ADULT_INCHES: Final = (53.0, 84.0)
"""Heights of adults in inches; in centimetres they are those of infants."""
_ADULT_YEARS: Final = 14.0


def check_body_size(patients: Sheet, log: FindingLog) -> None:
    """Warn of weights that look like pounds and heights that look like inches."""
    weight, height = patients.numbers("weight_kg"), patients.numbers("height_cm")
    age = patients.numbers("age_years")
    pounds_in_all = _many(weight) and bool(np.nanmedian(weight) > _HEAVY_MEDIAN_KG)
    inches_in_all = _many(height) and bool(_adult_inches(height[np.isfinite(height)]).all())
    with np.errstate(invalid="ignore", divide="ignore"):
        index = weight / (height / 100) ** 2
        heavy = index > _HIGHEST_INDEX
        as_inches = index / _CM_PER_INCH**2
        inches = heavy & (height < 100) & _ordinary(as_inches)
        both = heavy & (height < 100) & ~inches & _ordinary(as_inches / _POUNDS_PER_KG)
        pounds = (weight > _HEAVY_KG) | (heavy & (height >= 100) & _ordinary(index / _POUNDS_PER_KG)) | both
        inches |= both | (_adult_inches(height) & (age >= _ADULT_YEARS))
    _report_unit(patients, "weight_kg", pounds, "pounds", log, in_all=pounds_in_all, remedy="Divide pounds by 2.2046.")
    _report_unit(patients, "height_cm", inches, "inches", log, in_all=inches_in_all, remedy="Multiply inches by 2.54.")


def _report_unit(
    patients: Sheet, column: str, where: NDArray[np.bool_], unit: str, log: FindingLog, *, in_all: bool, remedy: str
) -> None:
    """Warn of another unit: once when it may be in all rows, otherwise for each row ``where`` it is likely."""
    if not in_all:
        message = f"may be in {unit}"
        patients.report(log, f"looks-like-{unit}", where, column, message, remedy=remedy, severity="warning")
        return
    median = float(np.nanmedian(patients.numbers(column)))
    log.add(
        "warning",
        f"looks-like-{unit}",
        f"has a median of {median:.0f} {field_named('patients', column).unit}, so it may hold {unit}",
        file=patients.file,
        column=column,
        header=patients.headers.get(column),
        remedy=remedy,
    )


def _many(values: NDArray[np.float64]) -> bool:
    return int(np.count_nonzero(np.isfinite(values))) >= _FEWEST_FOR_MEDIAN


def _adult_inches(height: NDArray[np.float64]) -> NDArray[np.bool_]:
    return (height >= _ADULT_INCHES[0]) & (height <= _ADULT_INCHES[1])


def check_patient_links(patients: Sheet, attempts: Sheet, log: FindingLog) -> None:
    """Warn of patients without attempts, of attempts without a patient record and of codes that nearly coincide."""
    check_codes(patients, ("patient_id",), log)
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


def _ordinary(index: NDArray[np.float64]) -> NDArray[np.bool_]:
    return (index >= _ORDINARY_INDEX[0]) & (index <= _ORDINARY_INDEX[1])
