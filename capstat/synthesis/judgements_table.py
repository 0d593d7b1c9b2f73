"""One ``[[judgement]]`` of a file: its judgement, or a sentence for everything that is wrong with it."""

from __future__ import annotations

import difflib
from typing import TYPE_CHECKING, Any, Final

from capstat.attempts.echo import named
from capstat.synthesis.judgements import CertaintyJudgement, DecisionContext, Judgement, Upgrade, upgrade_problems
from capstat.synthesis.judgements_keys import (
    CONTEXT_KEYS,
    DOMAIN_KEYS,
    PLAIN_KEYS,
    TABLE_KEYS,
    UPGRADE_KEYS,
    RefusedValueError,
    raise_keys,
    rating_keys,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from capstat.synthesis.judgements_keys import Key

__all__ = ["JUDGEMENT_NAMES", "check_keys", "judgement_of", "shown"]

_CONTEXT: Final = "decision_context"
JUDGEMENT_NAMES: Final = (*(key.name for key in PLAIN_KEYS), *TABLE_KEYS)
_ABOVE: Final = dict.fromkeys(JUDGEMENT_NAMES, "it belongs to the judgement, write it directly below [[judgement]]")
_WITHIN: Final = {
    **dict.fromkeys((key.name for key in CONTEXT_KEYS), f"it belongs to {_CONTEXT}, write {_CONTEXT}. in front of it"),
    **dict.fromkeys(("rating", "reason", "levels"), "it belongs to what is judged, inside its braces"),
    "publication_bias": "write small_study_effects in place of publication_bias",
}
_MOST_DIGITS: Final = 10**15
_LONGEST_GUESSED: Final = 40


def judgement_of(table: Mapping[str, object], where: str, problems: list[str]) -> CertaintyJudgement | None:
    """Return the judgement of a table; or ``None``, and ``problems`` gets a sentence for everything that is wrong.

    Parameters
    ----------
    table : dict
        One ``[[judgement]]`` as TOML gives it.
    where : str
        File and judgement, the beginning of every sentence.
    problems : list of str
        Is added to.
    """
    before = len(problems)
    check_keys(table, JUDGEMENT_NAMES, where, problems, _WITHIN)
    values = _read(table, PLAIN_KEYS, where, problems)
    judgements: list[Judgement] = []
    for key, domain in DOMAIN_KEYS.items():
        part = _part(table, key, rating_keys(key), where, problems)
        if part is not None:
            judgements.append(Judgement(domain, **part))
    upgrades: list[Upgrade] = []
    for key, factor in UPGRADE_KEYS.items():
        part = _part(table, key, raise_keys(key), where, problems)
        if part is not None:
            upgrades.append(Upgrade(factor, **part))
    context = _part(table, _CONTEXT, CONTEXT_KEYS, where, problems) or {}
    parts = tuple(judgements), tuple(upgrades)
    problems.extend(f"{where}: {sentence}" for sentence in upgrade_problems(values.get("start"), *parts))
    if len(problems) > before:
        return None
    return CertaintyJudgement(
        judgements=parts[0], upgrades=parts[1], decision_context=DecisionContext(**context), **values
    )


def _part(
    table: Mapping[str, object], name: str, keys: Sequence[Key], where: str, problems: list[str]
) -> dict[str, Any] | None:
    """Return the values of a table within the table; ``None`` when it is left away or something in it is wrong."""
    if name not in table:
        return None
    part, where = table[name], f"{where}, {name}"
    if not isinstance(part, dict):
        problems.append(f"{where}: {shown(part)} is not accepted; it takes {TABLE_KEYS[name]}.")
        return None
    before = len(problems)
    check_keys(part, [key.name for key in keys], where, problems, _ABOVE)
    if keys[0].name == "rating" and _blank(part.get("rating")):
        problems.append(
            f"{where}: nothing was judged yet; rating takes {keys[0].takes}, and reason at least a few words; a domain "
            "that cannot be judged yet is left away, and then there is no certainty."
        )
        return None
    values = _read(part, keys, where, problems)
    return values if len(problems) == before else None


def _read(table: Mapping[str, object], keys: Sequence[Key], where: str, problems: list[str]) -> dict[str, Any]:
    """Return the accepted values of a table by key; ``problems`` gets a sentence for each other one."""
    values: dict[str, Any] = {}
    for key in keys:
        value = table.get(key.name)
        if key.required and _blank(value):
            problems.append(f"{where}: {key.name} is missing; it takes {key.takes}.")
        elif key.name in table:
            try:
                values[key.name] = key.read(value)
            except RefusedValueError:
                told = shown(value) if key.shown else "what stands there"
                problems.append(f"{where}, {key.name}: {told} is not accepted; it takes {key.takes}.")
    return values


def _blank(value: object) -> bool:
    return value is None or (isinstance(value, str) and not value.strip())


def check_keys(
    table: Iterable[str], accepted: Sequence[str], where: str, problems: list[str], elsewhere: Mapping[str, str]
) -> None:
    """Say of each key that is not accepted what was probably meant; ``elsewhere`` says where known ones belong."""
    for key in table:
        if key in accepted:
            continue
        place = f"{where}, {named(key, 'a key that is not repeated')}"
        if key in elsewhere:
            problems.append(f"{place}: this key is at the wrong place; {elsewhere[key]}.")
        else:
            near = difflib.get_close_matches(key[:_LONGEST_GUESSED].lower(), accepted, n=1)
            meant = f" (did you mean {near[0]}?)" if near else ""
            problems.append(f"{place}: this key is not known{meant}; accepted: {', '.join(accepted)}.")


def shown(value: object) -> str:
    """Return a value as a sentence may repeat it: nothing that may point to a person, one line, shortened."""
    if isinstance(value, str):
        return named(value, "the text")
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return "the number" if abs(value) > _MOST_DIGITS else f"{value}"
    if isinstance(value, list | dict):
        return "a list" if isinstance(value, list) else "a table"
    return "a date or time"
