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
_YEARS: Final = (
    r"years?([ -]old)?|yrs?([ -]old)?|y\.?/?o\.?|y|jahre?( alt)?|j|ans?|a\u00f1os?|anni|anos|jaar|\u00e5r|lat|"
    r"\u043b\u0435\u0442|\u6b73|\u5c81"
)
_ABOVE: Final = r">|over|above|\u00fcber|plus de|m\u00e1s de"
_AT_LEAST: Final = r">=|=>|\u2265|\+|at least|mindestens|ab"
_OR_OLDER: Final = r"\+|(or|and) (older|over|above)|(und|oder) (\u00e4lter|mehr|dar\u00fcber)|et plus|y m\u00e1s"
_AGE: Final = re.compile(
    rf"((?P<above>{_ABOVE})|(?P<least>{_AT_LEAST}))?\s*(?P<age>[0-9]{{1,3}}([.,][0-9]{{1,2}})?)\s*"
    rf"((?P<older>{_OR_OLDER})\s*)?({_YEARS})?\.?\s*(?P<older_still>{_OR_OLDER})?",
    re.IGNORECASE,
)


def plain_age(text: str) -> str | None:
    """Return an age as a number in text, or ``None`` for a calendar date.

    Years may be named ("67 y"), and an age of 90 or older may be a lower limit ("93+", ">89"); what is neither
    is returned as it is.
    """
    match = _AGE.fullmatch(text.strip())
    if match is None:
        return None if date_like(text) else text
    age = match["age"].replace(",", ".")
    if match["above"] and float(age) >= OLDEST - 1:
        return f"{max(float(age), OLDEST):g}"
    limit = match["above"] or match["least"] or match["older"] or match["older_still"]
    return age if not limit or float(age) >= OLDEST else text


def group_ages(
    ages: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.bool_], NDArray[np.bool_]]:
    """Return ages with everybody above 89 at 90, who was grouped, and whose "age" is a calendar year or date.

    A number like 1948 is a birth year, one like 19480502 or 20548 a birth date, and one like 17655 the number
    by which a spreadsheet stores a date; they become missing.
    """
    with np.errstate(invalid="ignore"):
        calendar = (ages >= 1850) & (ages < 100_000_000)
        grouped = (ages > OLDEST - 1) & (ages != OLDEST) & (ages <= _OLDEST_POSSIBLE)
    result = np.where(calendar, np.nan, ages)
    result[grouped] = OLDEST
    return result, grouped, calendar
