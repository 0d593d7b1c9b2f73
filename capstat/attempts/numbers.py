"""Text to numbers, the way spreadsheets of several countries write them, without guessing."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["DecimalMarks", "NumberProblem", "parse_number", "parse_numbers"]

NumberProblem = tuple[str, str]
"""Rule and message."""

_PLAIN: Final = r"^-?[0-9]{1,15}(\.[0-9]{1,12})?$"
_NUMBER: Final = re.compile(r"[+-]?([0-9]+([.,][0-9]*)?|[.,][0-9]+)([eE][+-]?[0-9]{1,4})?")
_GROUPED: Final = re.compile(r"[+-]?[1-9][0-9]{0,2}([.,])[0-9]{3}")
_DOT_GROUPED: Final = r"^-?[1-9][0-9]{0,2}\.[0-9]{3}$"
_SEVERAL_MARKS: Final = re.compile(r"[+-]?[0-9]{1,3}([.,' \u00a0\u2009\u202f][0-9]{3})*([.,][0-9]+)?")
_NOT_FINITE: Final = frozenset({"nan", "inf", "infinity", "1.#inf", "1.#qnan", "-1.#ind"})
_LONGEST: Final = 400


def _surely_decimal(mark: str) -> str:
    """Return a pattern of numbers in which ``mark`` cannot group thousands."""
    return rf"^[+-]?([0-9]+{mark}([0-9]{{1,2}}|[0-9]{{4,}})|0[0-9]*{mark}[0-9]+|[0-9]{{4,}}{mark}[0-9]+)([^0-9.,].*)?$"


_COMMA_IS_DECIMAL: Final = _surely_decimal(",")
_DOT_IS_DECIMAL: Final = _surely_decimal(r"\.")


@dataclass(frozen=True, slots=True)
class DecimalMarks:
    """Which marks are decimal marks beyond doubt, so that three digits after one are no thousands."""

    comma: bool = False
    dot: bool = True

    @classmethod
    def of_column(cls, labels: pa.StringArray, *, comma_decimal: bool) -> DecimalMarks:
        """Return the marks of a column: numbers such as ``62,5`` settle what ``1,200`` means.

        Parameters
        ----------
        labels : StringArray
            Distinct cells.
        comma_decimal : bool
            Whether the file's separator is a semicolon, which goes with decimal commas.  Otherwise a lone point
            is a decimal point.
        """
        commas = bool(pc.any(pc.match_substring_regex(labels, _COMMA_IS_DECIMAL)).as_py())
        if not (commas or comma_decimal):
            # No number here has a decimal comma, so that a lone point needs no evidence.
            return cls()
        dots = bool(pc.any(pc.match_substring_regex(labels, _DOT_IS_DECIMAL)).as_py())
        return cls(comma=not dots, dot=dots and not commas)


def parse_number(text: str, unit: str, marks: DecimalMarks | None = None) -> float | NumberProblem:
    """Return the number that ``text`` spells, or the rule that it breaks and why.

    Parameters
    ----------
    text : str
        Cell without surrounding spaces.
    unit : str
        The field's unit; it may follow the number, as in ``"80 mA"``.
    marks : DecimalMarks, optional
        What is known about decimal marks.  Where it is not known, ``"1,234"`` might be one thousand two
        hundred and thirty-four, and is refused.
    """
    bare = text.replace("\u2212", "-")
    if unit and bare.casefold().endswith(unit.casefold()):
        bare = bare[: -len(unit)].rstrip()
    refusal = _refusal(bare, marks or DecimalMarks())
    if refusal is not None:
        return refusal
    number = float(bare.replace(",", "."))
    return number if np.isfinite(number) else ("not-finite", "is too large for a number")


def _refusal(bare: str, marks: DecimalMarks) -> NumberProblem | None:
    if bare.startswith(("=", "@")) or bare[:2] in ("+=", "-="):
        return "formula", "is a formula, which is never calculated here"
    if bare.lstrip("+-").casefold() in _NOT_FINITE:
        return "not-finite", "is not a finite number"
    if len(bare) > _LONGEST or not _NUMBER.fullmatch(bare):
        if _SEVERAL_MARKS.fullmatch(bare):
            return "ambiguous-number", "has more than one separator, so that its size is a guess"
        return "not-a-number", "is not a number"
    grouped = _GROUPED.fullmatch(bare)
    if grouped and not (marks.comma if grouped[1] == "," else marks.dot):
        return "ambiguous-number", "could be a decimal number or thousands"
    return None


def parse_numbers(
    labels: pa.StringArray, unit: str, *, comma_decimal: bool
) -> tuple[NDArray[np.float64], dict[int, NumberProblem]]:
    """Return the numbers that distinct labels spell, NaN and a problem where they spell none.

    Plain numbers are converted by one call; only the others are looked at one by one, because a column of
    times may hold a million distinct values.  ``comma_decimal`` is as for `DecimalMarks.of_column`.
    """
    marks = DecimalMarks.of_column(labels, comma_decimal=comma_decimal)
    plain = pc.match_substring_regex(labels, _PLAIN)
    if not marks.dot:
        plain = pc.and_not(plain, pc.match_substring_regex(labels, _DOT_GROUPED))
    values: NDArray[np.float64] = np.full(len(labels), np.nan)
    is_plain = plain.to_numpy(zero_copy_only=False).astype(bool)
    values[is_plain] = pc.cast(labels.filter(plain), pa.float64()).to_numpy(zero_copy_only=False)
    problems: dict[int, NumberProblem] = {}
    for at in np.flatnonzero(~is_plain).tolist():
        parsed = parse_number(labels[at].as_py(), unit, marks)
        if isinstance(parsed, tuple):
            problems[at] = parsed
        else:
            values[at] = parsed
    return values, problems
