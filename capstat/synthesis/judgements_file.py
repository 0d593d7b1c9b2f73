"""Files of judgements: TOML that a committee can write, read with everything that is wrong said at once.

One ``[[judgement]]`` for each body of evidence::

    [[judgement]]
    measure = "ratio"
    start = "randomised"
    risk_of_bias = { rating = "serious", reason = "Nobody was blinded to the placement of the pads." }

Every key is explained in the shipped template (`judgements_template_text`), which judges nothing.
"""

from __future__ import annotations

import importlib.resources
import re
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Final

from capstat.attempts.echo import file_to_show
from capstat.attempts.vocabulary import word_key
from capstat.results import UsageError
from capstat.synthesis.judgements_table import JUDGEMENT_NAMES, check_keys, judgement_of, shown

if TYPE_CHECKING:
    import os
    from collections.abc import Iterable

    from capstat.synthesis.judgements import CertaintyJudgement

__all__ = ["JudgementsError", "judgements_template_text", "read_judgements"]

_TEMPLATE: Final = "judgements_template.toml"
_BEGINS: Final = "a judgement begins with a line [[judgement]]"
_OUTSIDE: Final = dict.fromkeys(JUDGEMENT_NAMES, "write it below a line [[judgement]]")
_CURLY: Final = re.compile("[\u201c\u201d\u201e\u2018\u2019]")


class JudgementsError(UsageError):
    """A file of judgements cannot be used; the message has one line for each problem.

    Attributes
    ----------
    problems : tuple of str
        One sentence each, which names the file, the judgement by its position, the key, the value and what is accepted.
    """

    def __init__(self, problems: Iterable[str]) -> None:
        """Keep the problems."""
        self.problems = tuple(problems)
        super().__init__(self.problems)

    def __str__(self) -> str:
        """Return one line for each problem."""
        return "\n".join(self.problems)


def read_judgements(path: str | os.PathLike[str]) -> tuple[CertaintyJudgement, ...]:
    """Read the judgements of a TOML file, in their order.

    Parameters
    ----------
    path : path
        TOML file (UTF-8) with one ``[[judgement]]`` or several.

    Raises
    ------
    JudgementsError
        The file cannot be read, or something in it is not accepted; the message lists everything.

    Examples
    --------
    >>> judgements = read_judgements("judgements.toml")    # doctest: +SKIP
    """
    place = Path(path)
    file = file_to_show(place.name, "the file of judgements") or "the file of judgements"
    text, why = None, "is not a file that is there; name a TOML file"
    try:
        if place.is_file():  # a pipe would be waited for without end
            text = place.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        why = "is not UTF-8 text; save it as plain text in UTF-8"
    except (OSError, ValueError):  # ValueError: a NUL in the path
        why = "cannot be read; name a TOML file that you may read"
    if text is None:
        raise JudgementsError([f"{file} {why}."])
    return _judgements_of(text, file)


def judgements_template_text() -> str:
    """Return the text of a file to fill in, with comments that explain every key; as it stands nothing is judged."""
    return importlib.resources.files("capstat.synthesis").joinpath(_TEMPLATE).read_text(encoding="utf-8")


def _judgements_of(text: str, file: str) -> tuple[CertaintyJudgement, ...]:
    try:
        document = tomllib.loads(text)
    except (ValueError, RecursionError) as problem:
        raise JudgementsError([_no_toml(problem, text, file)]) from None
    problems: list[str] = []
    check_keys(document, ("judgement",), file, problems, _OUTSIDE)
    tables = document.get("judgement", [])
    if isinstance(tables, dict):
        problems.append(f"{file}: {_BEGINS}, with two brackets on each side.")
        tables = [tables]
    elif not isinstance(tables, list):
        problems.append(f"{file}, judgement: {shown(tables)} is not accepted; {_BEGINS}.")
        tables = []
    elif not tables and not problems:
        problems.append(f"{file} holds no judgement; {_BEGINS}.")
    judgements = _entries(tables, file, problems)
    if problems:
        raise JudgementsError(problems)
    return judgements


def _entries(tables: list[object], file: str, problems: list[str]) -> tuple[CertaintyJudgement, ...]:
    judgements = []
    asked: dict[tuple[str, ...], int] = {}
    for at, table in enumerate(tables, start=1):
        where = f"{file}, judgement {at}"
        if not isinstance(table, dict):
            problems.append(f"{where}: {shown(table)} is not accepted; it takes keys with values.")
            continue
        judgement = judgement_of(table, where, problems)
        if judgement is None:
            continue
        words = (judgement.measure, judgement.question, judgement.placement, judgement.population)
        first = asked.setdefault(tuple(map(word_key, words)), at)
        if first != at:
            problems.append(
                f"{where}: measure, question, placement and population are those of judgement {first}; a body of "
                "evidence is judged once."
            )
        judgements.append(judgement)
    return tuple(judgements)


def _no_toml(problem: Exception, text: str, file: str) -> str:
    """Return where a file is no TOML; nothing of it is repeated, it may be a file of patients."""
    place = re.search(r"line ([0-9]+), column ([0-9]+)\)", str(problem))
    if place is None:
        return f"{file} is not valid TOML; brackets, braces and quotation marks are closed, and no key stands twice."
    line = text.split("\n")[int(place[1]) - 1]
    if _CURLY.search(line):
        remedy = 'type straight quotation marks (") in place of the curly ones'
    else:
        remedy = (
            'a line is key = "text" or key = { rating = "...", reason = "..." } on one line, and no key stands twice'
        )
    return f"{file}, line {place[1]}, column {place[2]}, is not valid TOML; {remedy}."
