"""Cells to numbers, within the limits of their field."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pyarrow as pa

from capstat.attempts.ages import group_ages, plain_age
from capstat.attempts.cells import look_up, prepared_text
from capstat.attempts.echo import number_to_show
from capstat.attempts.numbers import parse_numbers
from capstat.attempts.raw import NumberColumn
from capstat.attempts.units import JOULES_REMEDY, usual_of_shocks, wrong_unit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.attempts.cells import Cells
    from capstat.attempts.field import Field
    from capstat.attempts.findings import Withheld
    from capstat.attempts.mapping import Recode
    from capstat.attempts.raw import RawColumn, TextColumn

__all__ = ["number_cells"]

_QUESTION_MARKS: Final = ("?", "??")


def number_cells(cells: Cells, column: RawColumn, recode: Recode | None) -> NDArray[np.float64]:
    """Return the numbers of a column, NaN where there is none or where it was refused."""
    if isinstance(column, NumberColumn) and not recode:
        infinite = np.isinf(column.values)
        cells.refuse("not-finite", infinite, "holds an infinite number")
        values = np.where(infinite, np.nan, column.values)
    else:
        written, text = prepared_text(column, recode)
        _doubt_question_marks(cells, written)
        values = _parsed(cells, text)
    suspect = wrong_unit(cells.field, values)
    if suspect is not None:
        rule, message, remedy = suspect
        cells.log.add(
            "error",
            rule,
            message,
            file=cells.file,
            column=cells.field.name,
            header=cells.header,
            remedy=remedy,
        )
        cells.bad[np.isfinite(values)] = True
        return np.full(len(values), np.nan)
    if usual_of_shocks(cells.field, values):
        cells.log.add(
            "warning",
            "looks-like-joules",
            "holds nothing but numbers to which the energy of a shock is set",
            file=cells.file,
            column=cells.field.name,
            header=cells.header,
            remedy="Make sure that they are currents in mA, and not joules of a shock.",
        )
    if cells.field.name == "age_years":
        values = _grouped_ages(cells, values)
    _check_limits(cells, values)
    return np.where(cells.bad, np.nan, values)


def _parsed(cells: Cells, text: TextColumn) -> NDArray[np.float64]:
    labels, dates = text.labels, {}
    if cells.field.name == "age_years":
        ages = [plain_age(label) for label in labels.to_pylist()]
        dates = {at: ("age-is-date", "holds a calendar date") for at, age in enumerate(ages) if age is None}
        labels = pa.array(["" if age is None else age for age in ages], type=pa.string())
    values, problems = parse_numbers(labels, cells.field.unit, comma_decimal=cells.comma_decimal)
    cells.refuse_labels(text, problems | dates)
    return look_up(values, text.codes, np.nan)


def _grouped_ages(cells: Cells, ages: NDArray[np.float64]) -> NDArray[np.float64]:
    values, grouped, calendar = group_ages(ages)
    cells.refuse(
        "age-is-date",
        calendar,
        "holds a calendar year or date, or a spreadsheet's number for one",
        remedy="Enter the age, never a birth date.",
    )
    cells.remark(
        "warning",
        "age-grouped",
        grouped,
        "an age above 89 was stored as 90, which stands for 90 or older",
        remedy="Write 90+ in the file, because higher ages may point to a person.",
    )
    return values


def _check_limits(cells: Cells, values: NDArray[np.float64]) -> None:
    field = cells.field
    lowest, highest = _limits(field.minimum, field.maximum)
    usual_lowest, usual_highest = _limits(field.plausible_minimum, field.plausible_maximum)

    def value(at: int) -> str | Withheld:
        return number_to_show(values[at], field)

    with np.errstate(invalid="ignore"):
        if field.kind == "whole":
            broken = np.isfinite(values) & (values != np.floor(values))
            cells.refuse("not-whole", broken, "is not a whole number", value=value)
        cells.refuse("out-of-range", values < lowest, f"is below {lowest:,.10g}", value=value)
        if field.limit_source:
            ceiling = f"is above {highest:g} {field.unit}, the highest that {field.limit_source} allows"
            remedy = JOULES_REMEDY if field.unit == "mA" else None
            cells.refuse("above-ceiling", values > highest, ceiling, value=value, remedy=remedy)
        else:
            cells.refuse("out-of-range", values > highest, f"is above {highest:,.10g}", value=value)
        unusual = ((values < usual_lowest) | (values > usual_highest)) & ~cells.bad
    cells.remark("warning", "implausible", unusual, "is unusual", value=value, remedy=_check_it(field))


def _limits(lowest: float | None, highest: float | None) -> tuple[float, float]:
    return -np.inf if lowest is None else lowest, np.inf if highest is None else highest


def _check_it(field: Field) -> str:
    low, high = field.plausible_minimum, field.plausible_maximum
    if low is None:
        return f"Check it; usual is at most {high:g} {field.unit}." if high is not None else ""
    return (
        f"Check it; usual is {low:g} {field.unit} or more."
        if high is None
        else f"Check it; usual is {low:g} to {high:g} {field.unit}."
    )


def _doubt_question_marks(cells: Cells, written: TextColumn) -> None:
    """Warn where "?" was written and an empty cell does not mean "not known"."""
    if cells.field.unit != "mA" or not cells.field.blank_means:
        return
    asked = np.array([label in _QUESTION_MARKS for label in written.labels.to_pylist()], dtype=bool)
    cells.remark(
        "warning",
        "question-mark",
        look_up(asked, written.codes, False),
        f"is read as an empty cell, which says: {cells.field.blank_means}",
        value=lambda _: "?",
        remedy="Leave the row out when the current is not known.",
    )
