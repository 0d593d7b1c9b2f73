"""The keys of a file of judgements and how the value of each is read."""

from __future__ import annotations

import re
from dataclasses import dataclass, fields
from datetime import date, datetime
from typing import TYPE_CHECKING, Final

from capstat.attempts.findings import printable
from capstat.attempts.vocabulary import word_key
from capstat.synthesis.judgements_parts import DOMAINS, FEWEST_WORDS, STARTS, UPGRADES, DecisionContext, is_reason
from capstat.synthesis.judgements_role import ROLE_TAKES, is_role
from capstat.synthesis.study_effect import MEASURES

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

__all__ = [
    "CONTEXT_KEYS",
    "DOMAIN_KEYS",
    "LONGEST_TEXT",
    "PLAIN_KEYS",
    "TABLE_KEYS",
    "UPGRADE_KEYS",
    "Key",
    "RefusedValueError",
    "raise_keys",
    "rating_keys",
]

LONGEST_TEXT: Final = 1000
_SYNONYMS: Final = {"randomized": "randomised", "strongly suspected": "suspected"}


class RefusedValueError(Exception):
    """A value is not accepted for its key."""


@dataclass(frozen=True, slots=True)
class Key:
    """One key: how its value is read, and what it takes, as the end of a sentence that begins "it takes"."""

    name: str
    read: Callable[[object], object]
    takes: str
    required: bool = False
    shown: bool = True


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise RefusedValueError
    text = " ".join(printable(value, len(value) + 1).split())
    if len(text) > LONGEST_TEXT:
        raise RefusedValueError
    return text


def _reason(value: object) -> str:
    text = _text(value)
    if not is_reason(text):
        raise RefusedValueError
    return text


def _role(value: object) -> str:
    text = _text(value)
    if text and not is_role(text):
        raise RefusedValueError
    return text


def _date(value: object) -> date | None:
    if value == "":
        return None
    if isinstance(value, str) and re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", value):
        try:
            return date.fromisoformat(value)
        except ValueError:
            raise RefusedValueError from None
    if isinstance(value, date) and not isinstance(value, datetime):
        return value
    raise RefusedValueError


def _word_of(words: Iterable[str]) -> Callable[[object], str]:
    """Return a reader of one of some words; case, spaces and marks do not count."""
    accepted = tuple(words)
    spellings = {word_key(word): word for word in accepted}
    spellings |= {word_key(other): word for other, word in _SYNONYMS.items() if word in accepted}

    def read(value: object) -> str:
        if not isinstance(value, str) or word_key(value) not in spellings:
            raise RefusedValueError
        return spellings[word_key(value)]

    return read


def _one_of(words: Iterable[str]) -> str:
    *others, last = (f'"{word}"' for word in words)
    return f"{', '.join(others)} or {last}"


def _level_of(levels: tuple[int, ...]) -> Callable[[object], int]:
    def read(value: object) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or value not in levels:
            raise RefusedValueError
        return value

    return read


_WORDS: Final = f"a text of at most {LONGEST_TEXT:,} characters in quotation marks"
_REASON: Final = Key(
    "reason", _reason, f"a reason of at least {FEWEST_WORDS} words and at most {LONGEST_TEXT:,} characters, "
    "in quotation marks", required=True, shown=False,
)  # fmt: skip

PLAIN_KEYS: Final = (
    Key("measure", _word_of(MEASURES), _one_of(MEASURES), required=True),
    Key("start", _word_of(STARTS), _one_of(STARTS), required=True),
    Key("question", _text, _WORDS, shown=False),
    Key("placement", _text, _WORDS, shown=False),
    Key("population", _text, _WORDS, shown=False),
    Key("judged_on", _date, "a date such as 2026-11-26 (year, month, day), without a time"),
    Key("judged_by", _role, ROLE_TAKES, shown=False),
    Key("what_would_change", _text, _WORDS, shown=False),
)
"""Keys of ``[[judgement]]`` with one value, each with the name of the attribute of `CertaintyJudgement`."""

CONTEXT_KEYS: Final = tuple(Key(part.name, _text, _WORDS, shown=False) for part in fields(DecisionContext))
"""Keys of ``decision_context``."""

DOMAIN_KEYS: Final = {domain.replace("-", "_"): domain for domain in DOMAINS}
UPGRADE_KEYS: Final = {factor.replace("-", "_"): factor for factor in UPGRADES}
TABLE_KEYS: Final[Mapping[str, str]] = {
    **dict.fromkeys(DOMAIN_KEYS, '{ rating = "...", reason = "..." }'),
    **dict.fromkeys(UPGRADE_KEYS, '{ levels = 1, reason = "..." }'),
    "decision_context": '{ feasibility = "..." } or lines such as decision_context.feasibility = "..."',
}
"""Keys of ``[[judgement]]`` that hold keys themselves, each with what it takes."""


def rating_keys(key: str) -> tuple[Key, Key]:
    """Keys of the domain ``key``."""
    ratings = DOMAINS[DOMAIN_KEYS[key]]
    return Key("rating", _word_of(ratings), _one_of(ratings), required=True), _REASON


def raise_keys(key: str) -> tuple[Key, Key]:
    """Keys of the reason ``key`` for rating up."""
    levels = UPGRADES[UPGRADE_KEYS[key]]
    return Key("levels", _level_of(levels), " or ".join(map(str, levels)), required=True), _REASON
