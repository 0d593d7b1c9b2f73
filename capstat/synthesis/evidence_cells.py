"""Cells of an evidence file to values, with a finding for each cell that is not understood."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import pyarrow as pa

from capstat.attempts.findings import printable
from capstat.attempts.numbers import parse_numbers
from capstat.attempts.raw import NumberColumn
from capstat.attempts.vocabulary import is_missing

if TYPE_CHECKING:
    from capstat.attempts.findings import FindingLog
    from capstat.attempts.raw import RawTable
    from capstat.synthesis.evidence_fields import EvidenceField

__all__ = ["LONGEST_TEXT", "Column", "accepted", "read_column"]

LONGEST_TEXT: Final = 4000
"""Characters of a text."""

_CODE: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,63}")
_CALCULATED: Final = ("=", "+", "-", "@", "\uff1d", "\uff0b", "\uff0d", "\uff20")


@dataclass(frozen=True, slots=True)
class _Problem:
    rule: str
    message: str


@dataclass(frozen=True, slots=True)
class Column:
    """What one field holds in each row, ``None`` where it is empty; ``bad`` holds positions not understood."""

    cells: tuple[object, ...]
    bad: frozenset[int]


def accepted(field: EvidenceField) -> str:
    """Return what a cell may hold, in words."""
    if field.allowed is not None:
        return "one of: " + ", ".join(field.allowed.values)
    if field.kind == "code":
        return "a code of at most 64 letters, digits, points, - and _"
    if field.kind == "codes":
        return "codes of other records, with spaces between them"
    if field.kind == "text":
        return f"a text of at most {LONGEST_TEXT:,} characters"
    kind = "a whole number" if field.kind == "whole" else "a number"
    unit = f" {field.unit}" if field.unit else ""
    # years and PubMed numbers are not grouped
    return f"{kind} from {field.minimum:.10g} to {field.maximum:.10g}{unit}"


def read_column(field: EvidenceField, raw: RawTable, at: int, header: str | None, log: FindingLog) -> Column:
    """Return the values of column ``at`` as the field wants them; ``header`` is its name where that differs."""
    column = raw.columns[at]
    if isinstance(column, NumberColumn):
        raise TypeError("evidence is read from text")
    labels = [_clean(label) for label in column.labels.to_pylist()]
    values = _values(field, labels, comma_decimal=raw.comma_decimal)
    remedy = f"Enter {accepted(field)}" + ("." if field.required else ", or leave the cell empty.")
    cells: list[object] = []
    bad = []
    for position, code in enumerate(column.codes.tolist()):
        value = values[code] if code >= 0 else None
        if value is None and field.required:
            value = _Problem("missing-value", "the cell is empty")
        if isinstance(value, _Problem):
            bad.append(position)
            text = labels[code] if code >= 0 and value.rule != "missing-value" else None
            log.add(
                "error",
                value.rule,
                value.message,
                file=raw.file,
                row=int(raw.rows[position]),
                column=field.name,
                value=text,
                header=header,
                remedy=remedy,
            )
            value = None
        cells.append(value)
    return Column(tuple(cells), frozenset(bad))


def _clean(label: str) -> str:
    # `printable` shortens what is too long, which is refused later by its length
    return " ".join(printable(label, 2 * LONGEST_TEXT).split())


def _values(field: EvidenceField, labels: list[str], *, comma_decimal: bool) -> list[object]:
    """Return the value or the problem of each distinct cell."""
    if field.kind in ("number", "whole"):
        given = [at for at, label in enumerate(labels) if not is_missing(label)]
        texts = pa.array([labels[at] for at in given], type=pa.string())
        numbers, problems = parse_numbers(texts, field.unit, comma_decimal=comma_decimal)
        values: list[object] = [None] * len(labels)
        for place, at in enumerate(given):
            problem = problems.get(place)
            values[at] = _limited(field, float(numbers[place])) if problem is None else _Problem(*problem)
        return values
    return [None if is_missing(label) else _word(field, label) for label in labels]


def _limited(field: EvidenceField, number: float) -> float | int | _Problem:
    low, high = field.minimum, field.maximum
    if field.kind == "whole" and not number.is_integer():
        return _Problem("not-whole", "is not a whole number")
    if low is not None and number < low:
        return _Problem("out-of-range", f"is below {low:.10g}")
    if high is not None and number > high:
        if field.limit_source:
            return _Problem(
                "above-ceiling", f"is above {high:g} {field.unit}, the highest that {field.limit_source} allows"
            )
        return _Problem("out-of-range", f"is above {high:.10g}")
    return int(number) if field.kind == "whole" else number


def _word(field: EvidenceField, label: str) -> object:
    if field.allowed is not None:
        return _of_list(field, label)
    if label.startswith(_CALCULATED):
        return _Problem("formula", "begins with a sign that makes spreadsheets calculate")
    if field.kind == "text":
        too_long = _Problem("too-long", f"has more than {LONGEST_TEXT:,} characters")
        return label if len(label) <= LONGEST_TEXT else too_long
    codes = tuple(dict.fromkeys(re.split(r"[\s;,]+", label))) if field.kind == "codes" else (label,)
    if not all(map(_CODE.fullmatch, codes)):
        return _Problem("code-form", "is no code")
    return codes if field.kind == "codes" else label


def _of_list(field: EvidenceField, label: str) -> object:
    vocabulary = field.allowed
    if vocabulary is None:
        return label
    try:
        word = vocabulary.match(label)
    except KeyError:
        word = None
    if word is None:
        meant = vocabulary.closest(label)
        return _Problem("unknown-word", "is not understood" + (f" (did you mean {meant}?)" if meant else ""))
    return word == "yes" if vocabulary.name == "yes_no" else word
