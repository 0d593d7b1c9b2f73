"""Columns and values that may point to a person: how they are recognised.

The rules look for what spreadsheets of pacing attempts really contain by mistake.  They cannot prove that
a file is anonymous, and they prefer a false alarm about an unused column, which costs nothing, to silence.
What messages may repeat is decided in `capstat.attempts.echo`, by a list of what is harmless.
"""

from __future__ import annotations

import re
import unicodedata
from typing import TYPE_CHECKING, Final

from capstat.attempts import privacy_words as words
from capstat.attempts.person_names import looks_like_name, names_inside

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from capstat.attempts.field import Field

__all__ = [
    "certainly_personal_header",
    "date_like",
    "mostly_record_numbers",
    "personal_column",
    "personal_content",
    "personal_header",
    "personal_use",
    "personal_value",
]

_MONTH: Final = (
    r"(jan|feb|f\u00e9v|mar|m\u00e4r|apr|avr|ma[iy]|jun|jui|jul|aug|ao\u00fb|ago|sep|o[ck]t|nov|de[czs\u00e9])"
    r"[a-z\u00e9]{0,9}"
)
_DATE: Final = re.compile(
    r"(?<![0-9])((18|19|20)[0-9]{2}[-/.](0?[1-9]|1[0-2])[-/.](0?[1-9]|[12][0-9]|3[01])"
    r"|(0?[1-9]|[12][0-9]|3[01])[-/.](0?[1-9]|[12][0-9]|3[01])[-/.]((18|19|20)?[0-9]{2})"
    rf"|(0?[1-9]|[12][0-9]|3[01])\.?[-/ ]?{_MONTH}[-/. ,]{{1,2}}((18|19|20)?[0-9]{{2}})"
    rf"|{_MONTH}[. ]{{1,2}}(0?[1-9]|[12][0-9]|3[01]),? (18|19|20)[0-9]{{2}}"
    r"|(19|20)[0-9]{2}(0[1-9]|1[0-2])(0[1-9]|[12][0-9]|3[01]))(?![0-9])",
    re.IGNORECASE,
)
_EMAIL: Final = re.compile(r"[^\s@]@[^\s@]+\.[A-Za-z]{2,}")
_DIGIT_RUN: Final = re.compile(r"\+?[0-9](?:[ ()/.-]{0,2}[0-9]){8,}")
_DECIMAL: Final = re.compile(r"[+-]?[0-9]*[.,][0-9]+([eE][+-]?[0-9]+)?")
_LONG_NUMBER: Final = re.compile(r"[0-9]{6,}")
_RECORD_NUMBER: Final = re.compile(r"[0-9]{7,8}")

_SHARE_OF_NAMES: Final = 0.3
_SHARE_OF_NUMBERS: Final = 0.9
_FEWEST_NUMBERS: Final = 3
_MOST_LOOKED_AT: Final = 20_000


def personal_header(header: str) -> str | None:
    """Return what a column name promises or may promise ("a name", "a birth date", ...), or ``None``."""
    return certainly_personal_header(header) or _possibly_personal_header(header)


def certainly_personal_header(header: str) -> str | None:
    """Return what a column name promises when it can hardly mean anything else, or ``None``."""
    plain, parts = _header_words(header)
    if any(word in plain for word in words.CASELESS_NAMES):
        return "a name"
    joined = _joined(parts)
    for what, promised in words.CERTAIN.items():
        if joined & promised:
            return what
    if _numbers_of(parts, words.RECORDS):
        return "a record, insurance or social number"
    named = bool({"name", "names", "nom", "nombre", "nome", "naam", "navn", "namn"} & set(parts))
    others = set(parts) - words.POSSIBLE["a name"]
    return "a name" if named and others <= words.PERSONS else None


def _possibly_personal_header(header: str) -> str | None:
    _, parts = _header_words(header)
    if not words.HARMLESS_OWNERS & set(parts):
        joined = _joined(parts)
        for what, promised in words.POSSIBLE.items():
            if joined & promised:
                return what
    if _numbers_of(parts, words.SERVICE_RECORDS):
        return "a record, insurance or social number"
    return None


def _header_words(header: str) -> tuple[str, list[str]]:
    decomposed = unicodedata.normalize("NFKD", header)
    plain = "".join(c for c in decomposed if not unicodedata.combining(c))
    split = re.sub(r"([a-z])([A-Z])", r"\1 \2", plain.replace("\u00df", "ss").replace("\u00f8", "o")).casefold()
    return unicodedata.normalize("NFC", header), re.findall(r"[^\W\d_]+", split)


def _joined(parts: Sequence[str]) -> set[str]:
    lengths = (1, 2, 3, len(parts))
    return {"".join(parts[at : at + n]) for n in lengths for at in range(len(parts) - n + 1)} - {""}


def _numbers_of(parts: Sequence[str], owners: frozenset[str]) -> bool:
    """Whether a word for number follows one of ``owners``, as in "Case no" and "Fallnr"."""
    joined = _joined(parts)
    return any(owner + number in joined for owner in owners for number in words.NUMBER_WORDS)


def date_like(text: str) -> bool:
    """Whether a cell holds a calendar date in one of the usual spellings."""
    return _DATE.search(text) is not None


def personal_value(text: str) -> str | None:
    """Return what a single cell looks like, names left aside, or ``None``."""
    if _EMAIL.search(text):
        return "an e-mail address"
    # Measurements with many decimals are not phone numbers.
    if not _DECIMAL.fullmatch(text) and _DIGIT_RUN.search(text):
        return "a phone, record or insurance number"
    if _DATE.search(text) and not _DECIMAL.fullmatch(text):
        return "a date"
    return None


def personal_content(labels: Iterable[str]) -> str | None:
    """Return what the distinct cells of a free column look like, or ``None``.

    One e-mail address, phone number or date is enough, and so is one name inside a longer text; cells that
    are nothing but a name must be a good part of the column, because two capitalised words are also how
    people write ordinary phrases.
    """
    names = looked_at = 0
    for text in labels:
        looked_at += 1
        what = personal_value(text)
        if what is not None:
            return what
        if looks_like_name(text):
            names += 1
        elif names_inside(text):
            return "free text with names"
        if looked_at == _MOST_LOOKED_AT:
            break
    return "names" if names and names >= _SHARE_OF_NAMES * looked_at else None


def personal_column(header: str, labels: Sequence[str], cells: int) -> str | None:
    """Return what a column that nobody uses looks like, by its name and its distinct cells, or ``None``.

    ``cells`` is the number of cells that hold something.
    """
    what = personal_header(header) or personal_value(header) or personal_content(labels)
    if what is None and mostly_record_numbers(labels, len(labels) / max(cells, 1)):
        return "a record, insurance or social number"
    return what


def personal_use(field: Field, header: str, labels: Sequence[str]) -> str | None:
    """Return what a column that is used as ``field`` looks like, or ``None``.

    Where a column name may mean many things, such as "Location" or "Rhythm name", what it holds decides.
    """
    what = certainly_personal_header(header)
    if what is not None or field.kind != "identifier":
        return what or (personal_content(labels) if _possibly_personal_header(header) else None)
    return _personal_codes(header, labels)


def _personal_codes(header: str, labels: Sequence[str]) -> str | None:
    """Return what distinct codes of patients or attempts look like, or ``None``.

    Under a column name such as "Case number", long whole numbers are a service's own and not a study's.
    """
    what = personal_content(label.title() if label.isupper() else label for label in labels)
    if what is None and _possibly_personal_header(header):
        long = sum(_LONG_NUMBER.fullmatch(label) is not None for label in labels)
        if long and 2 * long >= len(labels):
            return "a record, insurance or social number"
    return what


def mostly_record_numbers(labels: Sequence[str], share_distinct: float | None = None) -> bool:
    """Whether distinct cells are mostly long whole numbers.

    Parameters
    ----------
    labels : sequence of str
        Distinct cells of a column.
    share_distinct : float, optional
        Distinct cells as a share of all; with it, numbers of six digits or more count when nearly all are
        distinct, as in a column that nobody uses.  Without it, the numbers are codes of patients, and seven or
        eight digits count.
    """
    if share_distinct is None:
        long = sum(_RECORD_NUMBER.fullmatch(label) is not None for label in labels)
        return long > 0 and 2 * long >= len(labels)
    if len(labels) < _FEWEST_NUMBERS or share_distinct < _SHARE_OF_NUMBERS:
        return False
    long = sum(_LONG_NUMBER.fullmatch(label) is not None for label in labels)
    return long >= _SHARE_OF_NUMBERS * len(labels)
