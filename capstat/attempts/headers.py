"""Column names that are no field: which field they may mean, and how to say so in a mapping file."""

from __future__ import annotations

import difflib
import json
import re
from typing import TYPE_CHECKING, Final

from capstat.attempts.findings import printable
from capstat.attempts.privacy import personal_value
from capstat.attempts.vocabulary import word_key

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from capstat.attempts.field import Field, Table

__all__ = ["header_key", "looks_like_data", "mapping_example", "near_misses"]

_SIMILAR: Final = 0.85
_SHORTEST_WITHIN: Final = 6
_MOST_COMPARED: Final = 500
_LONGEST: Final = 100
_NEGATIONS: Final = frozenset({"no", "non", "not", "without"})
_UNITS: Final = frozenset(
    {"a", "ma", "v", "mv", "kv", "j", "us", "ms", "s", "sec", "min", "h", "g", "kg", "lb", "lbs", "mm", "cm", "m", "in",
     "inch", "inches", "ft", "ppm", "bpm", "hz", "mmhg", "kpa", "years", "months"}
)  # fmt: skip
# A number with at most three letters after it is a measurement, not a name.
_NUMBER: Final = re.compile(r"[^A-Za-z]*[0-9][^A-Za-z]*[A-Za-z]{0,3}")


def header_key(header: str) -> str:
    """Return the form in which column names are compared."""
    # A header of marks only ("%", "#") has no letters to compare.
    return word_key(header) or header.strip()


def looks_like_data(headers: Sequence[str]) -> bool:
    """Whether a first row holds values in place of column names, so that nothing of it may be repeated."""
    shown = (header.strip()[:_LONGEST] for header in headers)
    return any(_NUMBER.fullmatch(header) or personal_value(header) for header in shown)


def near_misses(headers: Sequence[str], fields: Sequence[Field]) -> dict[str, str]:
    """Return the header that nearly spells a field, by the field's name; each header is offered for one field.

    The unit may be left out.  Names that say the opposite (``highest_capture`` for ``highest_no_capture_ma``) or
    another unit are no near misses.  The name of a required field is also found inside a longer one.
    """
    best: dict[str, tuple[float, str]] = {}
    for header in [header for header in headers if len(header) <= _LONGEST][:_MOST_COMPARED]:
        matcher = difflib.SequenceMatcher(autojunk=False)
        matcher.set_seq2(header_key(header))
        score, name = max(((_likeness(matcher, header, field), field.name) for field in fields), default=(0.0, ""))
        if score >= _SIMILAR and score > best.get(name, (0.0, ""))[0]:
            best[name] = (score, header)
    return {name: header for name, (_, header) in best.items()}


def mapping_example(table: Table, fields: Sequence[Field], near: Mapping[str, str], mapping_name: str) -> str:
    """Return lines for a mapping file that say which column holds each of ``fields``, as far as it is known."""
    lines = [f"# in {printable(mapping_name)}" if mapping_name else "# mapping.toml, used with --mapping mapping.toml"]
    lines.append(f"[{table}.columns]")
    for field in fields:
        if field.name in near:
            lines.append(f"{field.name} = {json.dumps(printable(near[field.name]), ensure_ascii=False)}")
        else:
            lines.append(f'{field.name} = "..."  # {field.meaning}')
    return "\n".join(lines)


def _likeness(matcher: difflib.SequenceMatcher[str], header: str, field: Field) -> float:
    """Return how alike a header (set in ``matcher``) and a field's name are, from 0 to 1."""
    words, of_field = _words(header), _words(field.name)
    if bool(_NEGATIONS & set(words)) != bool(_NEGATIONS & set(of_field)):
        return 0.0
    last, unit = words[-1:], of_field[-1:] if field.unit else []
    if _UNITS & set(last) and last != unit:
        return 0.0
    likeness = 0.0
    for spelling in {word_key(field.name), "".join(of_field[: len(of_field) - len(unit)])}:
        matcher.set_seq1(spelling)
        if matcher.real_quick_ratio() >= _SIMILAR and matcher.quick_ratio() >= _SIMILAR:
            likeness = max(likeness, matcher.ratio())
        if field.required and len(spelling) >= _SHORTEST_WITHIN and spelling in header_key(header):
            likeness = max(likeness, _SIMILAR)
    return likeness


def _words(name: str) -> list[str]:
    return re.findall(r"[a-z0-9]+", re.sub(r"([a-z])([A-Z])", r"\1 \2", name).casefold())
