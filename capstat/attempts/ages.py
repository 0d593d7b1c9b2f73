"""Ages: never a birth date, and nobody above 89 told apart."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

import numpy as np

from capstat.attempts.privacy import date_like

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["OLDEST", "group_ages", "plain_age"]

OLDEST: Final = 90.0
"""Stored for everybody aged 90 or older: higher ages point to a person."""

_OLDEST_POSSIBLE: Final = 130.0
_OLDEST_SPELLINGS: Final = re.compile(
    r"90\s*\+|\+\s*90|>\s*89|(>=|=>|\u2265)\s*90|>\s*90|over 89"
    r"|90\s*(years)?\s*(or|and)\s*(older|over|above)",
    re.IGNORECASE,
)


def plain_age(text: str) -> str | None:
    """Return an age as a number in text, or ``None`` for a calendar date."""
    if _OLDEST_SPELLINGS.fullmatch(text):
        return "90"
    return None if date_like(text) else text


def group_ages(
    ages: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.bool_], NDArray[np.bool_]]:
    """Return ages with everybody above 89 at 90, who was grouped, and whose "age" is a calendar year or date.

    A number like 1948 is a birth year and one like 19480502 a birth date; they become missing.
    """
    with np.errstate(invalid="ignore"):
        calendar = ((ages >= 1850) & (ages <= 2100)) | ((ages >= 1_000_000) & (ages < 100_000_000))
        grouped = (ages > OLDEST - 1) & (ages != OLDEST) & (ages <= _OLDEST_POSSIBLE)
    result = np.where(calendar, np.nan, ages)
    result[grouped] = OLDEST
    return result, grouped, calendar
