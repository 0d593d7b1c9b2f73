"""One ``[[policy]]`` of a policy file: its policy, or a sentence for everything that is wrong with it."""

from __future__ import annotations

import difflib
from dataclasses import fields
from typing import TYPE_CHECKING, Any, Final

from capstat.attempts.findings import printable
from capstat.protocol.policy import RampPolicy
from capstat.protocol.policy_file_values import POLICY_KEYS, REPOSITION_KEYS, RefusedError
from capstat.protocol.policy_parts import Reposition
from capstat.protocol.policy_problems import policy_problems

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from capstat.protocol.policy_file_values import Key

__all__ = ["AT_MAXIMUM", "POLICY_NAMES", "name_of", "policy_of", "shown", "unknown_keys"]

AT_MAXIMUM: Final = "at_maximum"
POLICY_NAMES: Final = (*(key.name for key in POLICY_KEYS), AT_MAXIMUM)
_REPOSITION_NAMES: Final = tuple(key.name for key in REPOSITION_KEYS)
_ABOVE: Final = dict.fromkeys(POLICY_NAMES, f"it belongs to the policy, write it above [policy.{AT_MAXIMUM}]")
_BELOW: Final = dict.fromkeys(_REPOSITION_NAMES, f"write it below a line [policy.{AT_MAXIMUM}]")
_MOST_DIGITS: Final = 10**15
_LONGEST_GUESSED: Final = 40
_CUT: Final = "\u2026"


def name_of(table: Mapping[str, object]) -> str | None:
    """Return the name of a policy, ``None`` when it is missing or not accepted."""
    name: str | None = _read(table, POLICY_KEYS[:1], "", []).get("name")
    return name


def policy_of(table: Mapping[str, object], where: str, problems: list[str]) -> RampPolicy | None:
    """Return the policy of a table; or ``None``, and ``problems`` gets a sentence for everything that is wrong.

    Parameters
    ----------
    table : dict
        One ``[[policy]]`` as TOML gives it.
    where : str
        File and policy, the beginning of every sentence.
    problems : list of str
        Is added to.
    """
    before = len(problems)
    unknown_keys(table, POLICY_NAMES, where, problems, _BELOW)
    values = _read(table, POLICY_KEYS, where, problems)
    doubtful = [key for key in POLICY_KEYS if key.name not in values and (key.required or key.name in table)]
    first: dict[str, Any] = {key.name: key.stand_ins[0] for key in doubtful} | values
    second: dict[str, Any] = {key.name: key.stand_ins[1] for key in doubtful} | values
    if AT_MAXIMUM in table:
        first[AT_MAXIMUM], second[AT_MAXIMUM] = _repositions(table[AT_MAXIMUM], where, problems)
    # what is wrong with one stand-in only is a matter of the stand-in
    others = policy_problems(_unchecked(second))
    problems.extend(f"{where}: {sentence}" for sentence in policy_problems(_unchecked(first)) if sentence in others)
    return RampPolicy(**({"dwell_s": None} | first)) if len(problems) == before else None


def _repositions(part: object, where: str, problems: list[str]) -> tuple[Reposition | None, Reposition | None]:
    """Return what is done at the maximum, with the first and with the second stand-ins for what is not accepted."""
    where = f"{where}, {AT_MAXIMUM}"
    if not isinstance(part, dict):
        keys = ", ".join(_REPOSITION_NAMES)
        problems.append(f"{where}: {shown(part)} is not accepted; it takes {keys} below a line [policy.{AT_MAXIMUM}].")
        return None, None
    unknown_keys(part, _REPOSITION_NAMES, where, problems, _ABOVE)
    values = _read(part, REPOSITION_KEYS, where, problems)
    return _reposition(values, 0), _reposition(values, 1)


def _reposition(values: Mapping[str, Any], which: int) -> Reposition:
    placement, seconds, start_ma = (values.get(key.name, key.stand_ins[which]) for key in REPOSITION_KEYS)
    return Reposition(placement, seconds, start_ma)


def _unchecked(values: Mapping[str, Any]) -> RampPolicy:
    """Return a policy that may be impossible; made in the usual way it would stop at its own problems."""
    policy = object.__new__(RampPolicy)
    for field in fields(RampPolicy):
        default = None if field.name == "dwell_s" else field.default
        object.__setattr__(policy, field.name, values.get(field.name, default))
    return policy


def _read(table: Mapping[str, object], keys: Sequence[Key], where: str, problems: list[str]) -> dict[str, Any]:
    """Return the accepted values of a table by key; ``problems`` gets a sentence for each that is not, or missing."""
    values: dict[str, Any] = {}
    for key in keys:
        if key.name not in table:
            if key.required:
                problems.append(f"{where}: {key.name} is missing; it takes {key.takes}.")
            continue
        try:
            values[key.name] = key.read(table[key.name])
        except RefusedError:
            problems.append(f"{where}, {key.name}: {shown(table[key.name])} is not accepted; it takes {key.takes}.")
    return values


def unknown_keys(
    table: Iterable[str], accepted: Sequence[str], where: str, problems: list[str], elsewhere: Mapping[str, str]
) -> None:
    """Add a sentence to ``problems`` for each key that is not accepted; ``elsewhere`` says where known ones belong."""
    for key in table:
        if key in accepted:
            continue
        if key in elsewhere:
            problems.append(f"{where}, {key}: this key is at the wrong place; {elsewhere[key]}.")
            continue
        similar = difflib.get_close_matches(key[:_LONGEST_GUESSED].lower(), accepted, n=1)
        guess = f" (did you mean {similar[0]}?)" if similar else ""
        problems.append(f"{where}, {printable(key)}: this key is not known{guess}; accepted: {', '.join(accepted)}.")


def shown(value: object) -> str:
    """Return a value of a TOML file for the middle of a sentence, on one line and shortened."""
    if isinstance(value, list):
        return printable(f"[{', '.join(map(_shown_part, value))}]")
    if isinstance(value, dict):
        return printable(f"{{ {', '.join(f'{key} = {_shown_part(part)}' for key, part in value.items())} }}")
    return _shown_part(value)


def _shown_part(value: object) -> str:
    if isinstance(value, str):
        return f'"{printable(value)}"'
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int) and abs(value) > _MOST_DIGITS:
        return "a number of more than 15 digits"  # one in hexadecimal may be too long for Python to write in decimals
    if isinstance(value, list):
        return f"[{', '.join(_CUT if isinstance(part, list | dict) else _shown_part(part) for part in value)}]"
    return f"{{ {_CUT} }}" if isinstance(value, dict) else str(value)
