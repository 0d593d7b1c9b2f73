"""Who judged: a role, never a person."""

from __future__ import annotations

import re
from typing import Final

from capstat.attempts.privacy import personal_value
from capstat.attempts.privacy_words import TITLES

__all__ = ["ROLE_TAKES", "is_role"]

_LONGEST: Final = 60
ROLE_TAKES: Final = (
    f'a role in small letters, of at most {_LONGEST} characters, such as "protocol committee", "two paramedic '
    'educators" or "EMS medical director", never the name of a person'
)
"""What is accepted, as the end of a sentence that begins "it takes"."""

_LONGEST_ABBREVIATION: Final = 4
_WORD: Final = re.compile(r"[^\W\d_]+")


def _set(words: str) -> frozenset[str]:
    return frozenset(words.split())


_ROLES: Final = _set(
    "committee panel board group team council department service society network chair director lead leader head "
    "reviewer author clinician physician doctor nurse paramedic medic technician educator instructor teacher trainer "
    "researcher investigator methodologist statistician epidemiologist librarian student cardiologist anaesthetist "
    "anesthesiologist intensivist consultant specialist registrar resident fellow faculty officer manager coordinator "
    "member expert staff crew"
)
# may have a capital beside a role
_BESIDE: Final = _set(
    "protocol guideline guidelines policy clinical evidence resuscitation steering advisory working quality safety "
    "governance cardiology anaesthesia education medical emergency intensive critical care hospital ambulance cardiac "
    "pacing prehospital research trial review regional national local the two three four five our all"
)


def is_role(text: str) -> bool:
    """Whether a text names a role ("protocol committee") and shows no sign of a person.

    A word for a role must stand in it; capitals are accepted in such words, in a few that stand beside them and in
    abbreviations.  A surname in small letters beside a role cannot be told from any other word.
    """
    words = _WORD.findall(text.title() if text.isupper() else text)
    return (
        len(text) <= _LONGEST
        and text.isprintable()
        and personal_value(text) is None
        and any(map(_role, words))
        and not any(map(_may_be_a_name, words))
    )


def _role(word: str) -> bool:
    return word.casefold().removesuffix("s") in _ROLES


def _may_be_a_name(word: str) -> bool:
    if word.casefold() in TITLES:
        return True
    if word.islower() or _role(word) or word.casefold() in _BESIDE:
        return False
    return not (word.isupper() and 2 <= len(word) <= _LONGEST_ABBREVIATION)
