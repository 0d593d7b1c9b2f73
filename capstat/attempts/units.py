"""Columns whose numbers speak of another unit than the field's: metres, inches, pounds, joules, volts."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.attempts.field import Field

__all__ = ["JOULES_REMEDY", "energy_header", "usual_of_shocks", "wrong_unit"]

JOULES_REMEDY: Final = (
    "Enter the pacing current in mA. Numbers this large are usually joules of a shock or volts; "
    "some ambulance records store pacing in a field that is defined in joules."
)

_FEWEST: Final = 3
_FEWEST_ALIKE: Final = 5
_SHOCK_ENERGIES_J: Final = (120.0, 150.0, 200.0, 300.0, 360.0)
_ENERGY_WORDS: Final = frozenset({"joule", "joules", "j", "energy", "energie", "volt", "volts", "voltage", "v"})


def wrong_unit(field: Field, values: NDArray[np.float64]) -> tuple[str, str, str] | None:
    """Return rule, message and remedy when a whole column is in a unit that the field cannot hold."""
    found = values[np.isfinite(values)]
    if len(found) < _FEWEST:  # a few numbers are reported one by one
        return None
    if field.unit == "mA" and field.limit_source and field.maximum is not None:
        too_high = found > field.maximum
        if too_high.any() and (too_high.all() or np.isin(found, _SHOCK_ENERGIES_J).all()):
            return (
                "looks-like-joules",
                "holds joules or volts and not a current, by its numbers",
                JOULES_REMEDY,
            )
    if field.name == "height_cm" and 1.0 <= np.median(found) <= 2.5:
        return "looks-like-metres", "holds metres and not centimetres, by its numbers", "Multiply by 100."
    return None


def usual_of_shocks(field: Field, values: NDArray[np.float64]) -> bool:
    """Whether thresholds are all energies to which defibrillators are set, each of which could also be a current."""
    found = values[np.isfinite(values)]
    enough = len(found) >= _FEWEST_ALIKE or (len(found) >= _FEWEST and len(np.unique(found)) > 1)
    return field.name == "lowest_capture_ma" and enough and bool(np.isin(found, _SHOCK_ENERGIES_J).all())


def energy_header(header: str) -> bool:
    """Whether a column name speaks of energy or voltage."""
    return not _ENERGY_WORDS.isdisjoint(re.findall(r"[a-z]+", header.casefold()))
