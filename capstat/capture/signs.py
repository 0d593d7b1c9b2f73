"""Signs of capture and the references that they are held against, step by step."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
import pandas as pd

from capstat.results import NotEstimableError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from capstat.attempts import Study

__all__ = ["REFERENCES", "SIGNS", "Sign", "SignRecord", "combine_signs", "read_sign"]


@dataclass(frozen=True, slots=True)
class Sign:
    """A column of the steps that somebody may read capture from.

    Attributes
    ----------
    name, label : str
        Column, and its name in a sentence.
    continuous : bool
        Whether it is a number, higher with capture; otherwise yes or no.
    unit : str
        Unit of the number; empty for yes or no.
    """

    name: str
    label: str
    continuous: bool = False
    unit: str = ""


SIGNS: Final[tuple[Sign, ...]] = (
    Sign("electrical_capture", "bedside reading of the screen"),
    Sign("mechanical_capture", "bedside judgement of mechanical capture"),
    Sign("qrs_with_t_wave", "wide QRS complex with a T wave"),
    Sign("femoral_pulse", "femoral pulse"),
    Sign("carotid_pulse", "carotid pulse"),
    Sign("oximetry_waveform", "oximetry waveform"),
    Sign("arterial_line", "arterial pressure waveform"),
    Sign("ultrasound", "contraction on ultrasound"),
    Sign("etco2_rise_mmhg", "rise of end-tidal carbon dioxide", continuous=True, unit="mmHg"),
    Sign("systolic_mmhg", "systolic blood pressure", continuous=True, unit="mmHg"),
)

REFERENCES: Final[dict[str, str]] = {
    "adjudicated_capture": "review of the recorded strip",
    "ultrasound": "contraction on ultrasound",
    "arterial_line": "arterial pressure waveform",
    "mechanical_capture": "bedside judgement of mechanical capture",
}

_BY_NAME: Final = {sign.name: sign for sign in SIGNS}


@dataclass(frozen=True, slots=True, eq=False)
class SignRecord:
    """A sign and a reference at every step of a study.

    Attributes
    ----------
    name, label : str
        Column of the sign (columns joined by " and " or " or "), and its name in a sentence.
    parts : tuple of str
        Columns that the sign is made of.
    continuous : bool
        Whether ``value`` is a number, higher with capture.
    unit : str
        Unit of ``value``; empty for yes or no.
    reference_name, reference_label : str
        Column of the reference, and its name in a sentence.
    value : ndarray, shape (n,)
        The sign: 1 yes, 0 no, or a number; NaN where it was not looked for.
    reference : ndarray, shape (n,)
        1 capture, 0 no capture, NaN not recorded.
    patient, attempt : ndarray of int, shape (n,)
        Codes of patients, and rows of the attempts table.
    current_ma : ndarray, shape (n,)
        Current of the setting, mA.
    notes : tuple of str
        What a reader must know about how the sign was put together.
    """

    name: str
    label: str
    parts: tuple[str, ...]
    continuous: bool
    unit: str
    reference_name: str
    reference_label: str
    value: NDArray[np.float64]
    reference: NDArray[np.float64]
    patient: NDArray[np.intp]
    attempt: NDArray[np.intp]
    current_ma: NDArray[np.float64]
    notes: tuple[str, ...] = ()

    @property
    def both(self) -> NDArray[np.bool_]:
        """Where sign and reference were both recorded, shape (n,)."""
        found: NDArray[np.bool_] = ~(np.isnan(self.value) | np.isnan(self.reference))
        return found

    def require_both(self, *, continuous: bool) -> NDArray[np.bool_]:
        """Return ``both``, or say why nothing can be assessed.

        Raises
        ------
        UsageError
            The sign is a number where yes or no is needed, or the other way round.
        NotEstimableError
            Sign and reference were at no step recorded together.
        """
        if self.continuous != continuous:
            kinds = {True: "a number", False: "yes or no"}
            raise UsageError(f"{self.name} is {kinds[self.continuous]}; this analysis takes {kinds[continuous]}.")
        for name, column in ((self.reference_name, self.reference), (self.name, self.value)):
            if np.isnan(column).all():
                raise NotEstimableError(f"{name} was recorded at no step, so there is nothing to compare.")
        if not self.both.any():
            raise NotEstimableError(f"{self.name} and {self.reference_name} were never recorded at the same step.")
        return self.both


def _numbers(column: pd.Series) -> NDArray[np.float64]:
    return np.asarray(column.astype("Float64").to_numpy(dtype=np.float64, na_value=np.nan), dtype=np.float64)


def read_sign(study: Study, name: str, reference: str) -> SignRecord:
    """Read one sign and one reference from the steps of a study.

    Parameters
    ----------
    study : Study
        With a steps table.
    name : str
        One of ``SIGNS``.
    reference : str
        One of ``REFERENCES``, and not the sign itself.

    Raises
    ------
    UsageError
        No such sign or reference, or both are one column.
    NotEstimableError
        The study has no steps.
    """
    if name not in _BY_NAME:
        raise UsageError(f"There is no sign {name}; the signs are {', '.join(_BY_NAME)}.")
    if reference not in REFERENCES:
        raise UsageError(f"{reference} cannot be the reference; accepted are {', '.join(REFERENCES)}.")
    if name == reference:
        raise UsageError(f"{name} cannot be both the sign and its reference.")
    steps = study.steps
    if not len(steps):
        raise NotEstimableError("The study has no steps table, and signs of capture are recorded at steps.")
    sign = _BY_NAME[name]
    attempt = steps["attempt_row"].to_numpy(dtype=np.intp)
    patients, _ = pd.factorize(study.attempts["patient_id"])
    return SignRecord(
        name=name, label=sign.label, parts=(name,), continuous=sign.continuous, unit=sign.unit,
        reference_name=reference, reference_label=REFERENCES[reference],
        value=_numbers(steps[name]), reference=_numbers(steps[reference]),
        patient=patients[attempt].astype(np.intp), attempt=attempt, current_ma=_numbers(steps["current_ma"]),
    )  # fmt: skip


def combine_signs(records: Sequence[SignRecord], how: Literal["all", "any"] = "all") -> SignRecord:
    """Read several yes/no signs as one: all of them must be seen, or any of them.

    A step counts when every part was looked for.  One "no" would settle "all" without the other parts, but such steps
    could only ever count as "no", which would lower the sensitivity of the rule (and raise that of "any").

    Raises
    ------
    UsageError
        Fewer than two signs, a number among them, different references or studies, or another ``how``.
    """
    if how not in {"all", "any"}:
        raise UsageError(f"Signs are combined by all or any, not by {how}.")
    if len(records) < 2:
        raise UsageError("A combination needs at least two signs.")
    first = records[0]
    for record in records:
        if record.continuous:
            raise UsageError(f"{record.name} is a number; only yes/no signs can be combined.")
        if record.reference_name != first.reference_name or not _same_steps(record, first):
            raise UsageError("The signs of a combination need the same study and the same reference.")
    values = np.stack([record.value for record in records])
    value = values.min(axis=0) if how == "all" else values.max(axis=0)
    word = " and " if how == "all" else " or "
    notes = tuple(dict.fromkeys(note for record in records for note in record.notes))
    return replace(
        first, name=word.join(record.name for record in records), label=word.join(record.label for record in records),
        parts=tuple(part for record in records for part in record.parts), value=value, notes=notes,
    )  # fmt: skip


def _same_steps(one: SignRecord, two: SignRecord) -> bool:
    pairs = ((one.attempt, two.attempt), (one.current_ma, two.current_ma), (one.reference, two.reference))
    return all(np.array_equal(a, b, equal_nan=True) for a, b in pairs)
