"""Names of people in cells, in any script."""

from __future__ import annotations

import re
import unicodedata
from itertools import pairwise
from typing import Final

from capstat.attempts.privacy_words import NAME_PARTICLES, PLAIN_WORDS, TITLES

__all__ = ["looks_like_name", "names_inside"]

_INITIAL: Final = re.compile(r"[^\W\d_]\.?")
_OPENING: Final = "([{\"'\u201c\u201e\u00ab/"
_CLOSING: Final = ")]}\"'\u201d\u201c\u00bb/.,;:!?"
_LONGEST_NAME: Final = 60
_LONGEST_NOTE: Final = 2_000
_MOST_NAME_WORDS: Final = 5


def looks_like_name(text: str) -> bool:
    """Whether a cell reads like "First Last" or "LAST, First", in any script."""
    text = text.strip()
    if len(text) > _LONGEST_NAME:
        return False
    parts = text.replace(",", " ").split()
    if len(parts) == 1:
        return _caseless(parts[0]) and 2 <= len(parts[0]) <= 5
    if not 2 <= len(parts) <= _MOST_NAME_WORDS or any(_plain_word(part) for part in parts):
        return False
    if all(map(_caseless, parts)):
        return True
    surname_first = "," in text and parts[0].isupper() and len(parts[0]) > 1
    first, *middle, last = parts
    return (
        (surname_first or _name_part(first))
        and (_name_part(last) or (surname_first and _INITIAL.fullmatch(last) is not None))
        and all(_INITIAL.fullmatch(part) or part.casefold() in NAME_PARTICLES or _name_part(part) for part in middle)
    )


def names_inside(text: str) -> bool:
    """Whether a free text mentions somebody: a title with a name, or two capitalised words that are no phrase."""
    parts = text[:_LONGEST_NOTE].split()
    if len(parts) <= 2:  # nothing but a name is for `looks_like_name`
        return False
    parts = [part.lstrip(_OPENING) for part in parts if not _INITIAL.fullmatch(part)]
    for first, second in pairwise(parts):
        if not _capitalised(second):
            continue
        if first[:1].isupper() and first.rstrip(".").casefold() in TITLES:
            return True
        if (
            _name_part(first)  # with a mark at its end it would close a sentence
            and _name_part(second.rstrip(_CLOSING))
            and not (_plain_word(first) or _plain_word(second))
        ):
            return True
    return False


def _plain_word(part: str) -> bool:
    # Both halves of "Cath-Lab" and "Pacing_Export" count.
    return not PLAIN_WORDS.isdisjoint(re.findall(r"[^\W\d_]+", part.casefold()))


def _capitalised(part: str) -> bool:
    return part[:1].isupper()


def _name_part(part: str) -> bool:
    letters = part.replace("'", "").replace("\u2019", "").replace("-", "")
    return len(letters) > 1 and letters.isalpha() and part[0].isupper() and not letters.isupper()


def _caseless(part: str) -> bool:
    """Whether a word is written in a script without capitals, such as Chinese or Arabic."""
    return len(part) > 1 and all(unicodedata.category(character) in ("Lo", "Lm", "Mn", "Mc") for character in part)
