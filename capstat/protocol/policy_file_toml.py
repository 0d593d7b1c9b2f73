"""What is wrong with a policy file that is no TOML at all, line by line, for people who never heard of TOML."""

from __future__ import annotations

import re
import tomllib
from typing import TYPE_CHECKING, Final

from capstat.protocol.policy_file_table import POLICY_NAMES, shown
from capstat.protocol.policy_file_values import REPOSITION_KEYS

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["toml_problems"]

# lines of another kind of file are not repeated: it may hold patients
_SETTING: Final = re.compile(rf"^({'|'.join((*POLICY_NAMES, *(key.name for key in REPOSITION_KEYS)))})\s*=")
_MOST: Final = 20
_GENERAL: Final = "text stands in straight quotation marks, numbers have a decimal point and no unit"
# what a line that is no TOML probably means; the first that applies is told
_HINTS: Final = (
    (re.compile("[\u201c\u201d\u201e\u2018\u2019]"), 'type straight quotation marks (") in place of the curly ones'),
    (re.compile(r"=\s*[0-9]+,[0-9]"), "write a decimal point, such as 2.5, in place of the comma"),
    (re.compile(r"^margin\s*="), "write { percent = 10 }, { ma = 5 } or { steps = 1 }"),
    (re.compile(r"=\s*[0-9.]+\s*[A-Za-z%]"), "write the number without its unit"),
    (re.compile(r"=\s*[A-Za-z]"), "put text into straight quotation marks"),
    (re.compile(r"^[^=\[\]{}]*$"), "write setting = value"),
)


def toml_problems(problem: Exception, text: str, file: str) -> list[str]:
    """Return a sentence for every line that is no TOML, with what was probably meant.

    Parameters
    ----------
    problem : Exception
        What the parser found first.
    text : str
        The file.
    file : str
        Its name.
    """
    place = re.search(r"at line ([0-9]+), column", str(problem))
    first = int(place[1]) if place else 0
    lines = text.splitlines()
    found = [
        f"{file}, line {at}, is not valid TOML{_repeated(lines[at - 1])}; {hint}."
        for at, hint in _suspects(lines, first)
    ]
    if len(found) > _MOST:
        found = [*found[:_MOST], f"{file}: {len(found) - _MOST} more lines are not valid TOML."]
    return found or [f"{file} is not valid TOML: brackets are closed, and text ends with a straight quotation mark."]


def _repeated(line: str) -> str:
    return f": {shown(line.strip())}" if _SETTING.match(line.strip()) else ""


def _suspects(lines: list[str], first: int) -> Iterator[tuple[int, str]]:
    """Lines that are no TOML by themselves and have a likely cause, and the one at which the parser stopped."""
    for at, line in enumerate(lines, start=1):
        content = line.strip()
        hint = next((words for pattern, words in _HINTS if pattern.search(content)), "")
        if not content or content.startswith("#") or _alone(content):
            if at == first and content:
                yield at, "no setting and no heading stands twice"
        elif hint or at == first:
            yield at, hint or _GENERAL


def _alone(line: str) -> bool:
    try:
        tomllib.loads(line)
    except (ValueError, RecursionError):
        return False
    return True
