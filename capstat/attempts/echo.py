"""What a message may repeat from the data: a list of what is harmless, and nothing else.

A cell that cannot be understood may hold anything, for example a name in a shifted row.  So a message repeats
it only when it is a short number, a mark or a word that belongs to pacing; row and column lead to all others.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from capstat.attempts import vocabulary
from capstat.attempts.findings import Withheld, printable
from capstat.attempts.person_names import looks_like_name, names_inside
from capstat.attempts.privacy import personal_header, personal_value
from capstat.attempts.vocabulary import is_missing, word_key

if TYPE_CHECKING:
    from capstat.attempts.field import Field

__all__ = ["cell_to_show", "file_to_show", "name_to_show", "named", "number_in_words", "number_to_show"]

_VOCABULARIES: Final = tuple(value for value in vars(vocabulary).values() if isinstance(value, vocabulary.Vocabulary))
_SPELLINGS: Final = tuple(
    spelling
    for words in _VOCABULARIES
    for spelling in (*words.missing, *(s for term in words.terms for s in (term.value, *term.synonyms)))
)
_OTHER_WORDS: Final = (
    "yes no none nil null nan inf infinity side left right front back upper lower chest sternum axilla apex pad pads "
    "true false ok okay done same missing error failed success lost pulse capture captured never always both either "
    "maybe possibly first second third high low normal test"
)


def _words(text: str) -> list[str]:
    """Return the words of a text in the form in which they are compared; numbers count, marks do not."""
    return [key for part in re.findall(r"[^\W_]+", text) if (key := word_key(part))]


_KNOWN_WORDS: Final = frozenset(
    word for spelling in (*_SPELLINGS, _OTHER_WORDS) for word in _words(spelling) if not word.isdigit()
)
_KNOWN_SPELLINGS: Final = frozenset(map(word_key, _SPELLINGS))
_SPREADSHEET_ERRORS: Final = frozenset(
    {"#DIV/0!", "#N/A", "#NAME?", "#NULL!", "#NUM!", "#REF!", "#VALUE!", "#SPILL!", "#CALC!"}
)
_UNITS: Final = "m?A|amps?|ms|s|sec|min|ppm|bpm|mmHg|kPa|[cm]?m|in|inch|inches|ft|k?g|lbs?|J|joules?|m?V|volts?|%"
# No more digits than a measurement has, so that no telephone number, date or record number fits.
_NUMBER: Final = re.compile(
    rf"(?P<sign>[+\u2212-]?)(?P<whole>[0-9]{{0,4}})(?P<rest>[.,][0-9]{{0,3}})?([eE][+-]?[0-9]{{1,3}})?\s?({_UNITS})?",
    re.IGNORECASE,
)
_GROUPED: Final = re.compile(r"(?P<thousands>[0-9])[.,](?P<rest>[0-9]{3})([.,][0-9]{1,2})?")
_TOO_LONG: Final = 10_000
_EARLIEST_YEAR, _LATEST_YEAR = 1850, 2100
_MOST_LETTERS: Final = 3
_MOST_WORDS: Final = 5
_LONGEST_MARK: Final = 3
_LONGEST: Final = 40


def cell_to_show(text: str, field: Field) -> str | Withheld:
    """Return a cell as a message may show it, or words that stand in its place.

    Nothing of an age is shown, and in a column of words no number but a single digit: it could be anything.
    """
    if field.name == "age_years":
        return Withheld("the cell")
    if field.kind == "identifier":
        return Withheld("the code")
    text = text.strip()
    if text.startswith(("=", "@")) or text[:2] in ("+=", "-="):
        return text[0] if len(text) == 1 else f"{text[0]}\u2026"
    harmless = _harmless_number(text) if field.numeric else re.fullmatch(r"[0-9]", text) is not None
    if harmless or _harmless_word(text):
        return text
    return Withheld(f"a text of {len(text):,} characters" if len(text) != 1 else "a text of 1 character")


def number_to_show(number: float, field: Field) -> str | Withheld:
    """Return a number as a message may show it, or words that stand in its place."""
    text = f"{number:.10g}"
    if field.name == "age_years":
        return Withheld("the age")
    short = field.numeric and abs(number) < _TOO_LONG and _harmless_number(text)
    return text if short else Withheld("the number")


def number_in_words(number: float, field: Field, unit: str = "") -> str:
    """Return a number for the middle of a sentence, ``"not shown"`` when it must not be repeated."""
    shown = number_to_show(number, field)
    return "not shown" if isinstance(shown, Withheld) else shown + unit


def name_to_show(name: str) -> str | None:
    """Return the name of a column, a setting or a sheet as a message may show it, or ``None``."""
    spaced = re.sub(r"[_.\s]+", " ", name).strip()
    if personal_header(name) or _points_to_somebody(name) or _points_to_somebody(spaced):
        return None
    return printable(name)


def named(name: str, otherwise: str) -> str:
    """Return a name in quotation marks, or ``otherwise`` when it must not be repeated."""
    shown = name_to_show(name)
    return otherwise if shown is None else f'"{shown}"'


def file_to_show(name: str, otherwise: str) -> str:
    """Return a file's name, or ``otherwise`` when the name may point to a person."""
    stem = re.sub(r"\.[A-Za-z0-9]{1,8}$", "", name)
    spaced = re.sub(r"[_.\s-]+", " ", re.sub(r"([a-z])([A-Z])", r"\1 \2", stem)).strip()
    suspicious = any(map(_points_to_somebody, (stem, spaced, stem.title(), spaced.title())))
    return otherwise if suspicious else printable(name, 120)


def _points_to_somebody(text: str) -> bool:
    return personal_value(text) is not None or looks_like_name(text) or names_inside(text)


def _harmless_number(text: str) -> bool:
    grouped = _GROUPED.fullmatch(text)
    if grouped is not None:
        return not _EARLIEST_YEAR <= int(grouped["thousands"] + grouped["rest"]) <= _LATEST_YEAR
    match = _NUMBER.fullmatch(text)
    if match is None or not (match["whole"] or (match["rest"] or "").strip(".,")):
        return False
    decimals = (match["rest"] or "").strip(".,0")
    return bool(decimals) or not _EARLIEST_YEAR <= int(match["whole"] or 0) <= _LATEST_YEAR


def _harmless_word(text: str) -> bool:
    if is_missing(text) or text in _SPREADSHEET_ERRORS or word_key(text) in _KNOWN_SPELLINGS:
        return len(text) <= _LONGEST
    words = _words(text)
    if not words:  # nothing but marks
        return len(text) <= _LONGEST_MARK and text.isprintable()
    if len(text) <= _LONGEST and len(words) <= _MOST_WORDS and all(word in _KNOWN_WORDS for word in words):
        return True
    # "Ann" may be somebody; "NC" and "xyz" are nobody.
    title = len(text) == _MOST_LETTERS and text.istitle()
    return len(text) <= _MOST_LETTERS and text.isascii() and text.isalpha() and not title
