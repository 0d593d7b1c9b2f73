"""Files of ramp policies: TOML that a clinician can write, read with everything that is wrong said at once.

One ``[[policy]]`` for each policy::

    [[policy]]
    name = "Slow rise"
    start_ma = 40
    step_ma = 10
    maximum_ma = 140
    dwell_s = 5
    margin = { percent = 10 }

Every key is explained at the head of the shipped ``usual_policies.toml`` (`example_policies_text`).
"""

from __future__ import annotations

import importlib.resources
import json
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Final

from capstat.attempts.findings import printable
from capstat.protocol.policy_file_table import AT_MAXIMUM, POLICY_NAMES, name_of, policy_of, shown, unknown_keys
from capstat.protocol.policy_file_toml import toml_problems
from capstat.protocol.policy_file_values import POLICY_KEYS
from capstat.protocol.policy_parts import Direction, Margin
from capstat.results import UsageError

if TYPE_CHECKING:
    import os
    from collections.abc import Iterable, Iterator

    from capstat.protocol.policy import RampPolicy

__all__ = ["PolicyError", "example_policies", "example_policies_text", "policy_text", "read_policies"]

_EXAMPLES: Final = "usual_policies.toml"
_LONGEST_PATH: Final = 300
_OUTSIDE: Final = dict.fromkeys(POLICY_NAMES, "write it below a line [[policy]]") | {
    AT_MAXIMUM: f"write [policy.{AT_MAXIMUM}] in place of [{AT_MAXIMUM}]"
}


class PolicyError(UsageError):
    """A file of policies cannot be used; the message has one line for each problem.

    Attributes
    ----------
    problems : tuple of str
        One sentence each, which names the file, the policy, the key, the value and what is accepted.
    """

    def __init__(self, problems: Iterable[str]) -> None:
        """Keep the problems."""
        self.problems = tuple(problems)
        super().__init__(self.problems)

    def __str__(self) -> str:
        """Return one line for each problem."""
        return "\n".join(self.problems)


def read_policies(path: str | os.PathLike[str]) -> tuple[RampPolicy, ...]:
    """Read the policies of a TOML file, in their order.

    Parameters
    ----------
    path : path
        TOML file (UTF-8) with one ``[[policy]]`` or several.

    Raises
    ------
    PolicyError
        The file cannot be read, or something in it is not accepted; the message lists everything.

    Examples
    --------
    >>> policies = read_policies("policies.toml")    # doctest: +SKIP
    """
    place = Path(path)
    name = printable(place.name, _LONGEST_PATH)
    try:
        text = _contents(place).decode("utf-8-sig")
    except UnicodeDecodeError:
        raise PolicyError([f"{name} is not UTF-8 text; save it as plain text in UTF-8."]) from None
    return _policies_of(text, name)


def policy_text(policies: Iterable[RampPolicy]) -> str:
    """Return policies as the text of a TOML file; `read_policies` gives the same policies again.

    Raises
    ------
    PolicyError
        A file cannot hold these: there is none, two have one name, or a name, a definition of capture or a placement
        is not accepted.
    """
    text = "\n".join("\n".join(_lines(policy)) + "\n" for policy in policies)
    _policies_of(text, "policies")
    return text


def example_policies_text() -> str:
    """Return the text of the shipped examples, with comments that explain every key."""
    return importlib.resources.files("capstat.protocol").joinpath(_EXAMPLES).read_text(encoding="utf-8")


def example_policies() -> tuple[RampPolicy, ...]:
    """Return the shipped examples: common practice without source and one published ramp; none is a recommendation."""
    return _policies_of(example_policies_text(), _EXAMPLES)


def _contents(place: Path) -> bytes:
    try:
        if place.is_dir():
            why = "is a folder"
        elif place.exists() and not place.is_file():  # reading a pipe would wait for ever
            why = "is not an ordinary file"
        else:
            return place.read_bytes()
    except FileNotFoundError:
        why = "does not exist"
    except (OSError, ValueError) as problem:  # ValueError: a NUL in the path
        why = f"cannot be read ({getattr(problem, 'strerror', None) or 'unusable path'})"
    raise PolicyError([f"The file of policies {printable(str(place), _LONGEST_PATH)} {why}; name a TOML file."])


def _policies_of(text: str, file: str) -> tuple[RampPolicy, ...]:
    try:
        document = tomllib.loads(text)
    except (ValueError, RecursionError) as problem:
        raise PolicyError(toml_problems(problem, text, file)) from None
    problems: list[str] = []
    unknown_keys(document, ("policy",), file, problems, _OUTSIDE)
    policies = _entries(document.get("policy", []), file, problems)
    if problems:
        raise PolicyError(problems)
    return tuple(policies)


def _entries(entries: object, file: str, problems: list[str]) -> list[RampPolicy]:
    if isinstance(entries, dict):
        problems.append(f"{file}: a policy begins with a line [[policy]], with two brackets on each side.")
        entries = [entries]
    if not isinstance(entries, list):
        problems.append(f"{file}, policy: {shown(entries)} is not accepted; a policy begins with a line [[policy]].")
        return []
    if not entries and not problems:
        problems.append(f"{file} holds no policy; a policy begins with a line [[policy]].")
    return list(_policies(entries, file, problems))


def _policies(entries: list[object], file: str, problems: list[str]) -> Iterator[RampPolicy]:
    """Yield the policies that are in order; messages call a policy by its position where its name is unclear."""
    seen: dict[str, int] = {}
    for at, entry in enumerate(entries, start=1):
        where = f"{file}, policy {at}"
        if not isinstance(entry, dict):
            problems.append(f"{where}: {shown(entry)} is not accepted; it takes keys with values.")
            continue
        name = name_of(entry)
        if name in seen:
            problems.append(
                f'{where}, name: "{name}" is the name of policy {seen[name]} too; every policy has its own.'
            )
        elif name is not None:
            where = f'{file}, policy "{name}"'
            seen[name] = at
        policy = policy_of(entry, where, problems)
        if policy is not None:
            yield policy


def _lines(policy: RampPolicy) -> Iterator[str]:
    yield "[[policy]]"
    for key in POLICY_KEYS:
        value = getattr(policy, key.name)
        if value is not None:
            yield f"{key.name} = {_toml(value)}"
    if policy.at_maximum is not None:
        yield f"\n[policy.{AT_MAXIMUM}]"
        yield f"move_to = {_toml(policy.at_maximum.placement)}"
        yield f"seconds = {_toml(policy.at_maximum.seconds)}"
        yield f"start_ma = {_toml(policy.at_maximum.start_ma)}"


def _toml(value: object) -> str:
    if isinstance(value, str):
        # JSON escapes what TOML wants escaped, but for the delete character
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, Direction):
        return _toml(value.value)
    if isinstance(value, Margin):
        return f"{{ {value.unit.value} = {_toml(value.amount)} }}"
    if isinstance(value, tuple):
        return f"[{', '.join(map(_toml, value))}]"
    return repr(float(value)).removesuffix(".0")  # type: ignore[arg-type]
