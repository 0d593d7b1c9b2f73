"""The keys of a policy file and how the value of each is read."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from capstat.attempts.vocabulary import PLACEMENT, word_key
from capstat.protocol.policy_parts import NO_MARGIN, Direction, Margin, MarginUnit
from capstat.thresholds import CAPTURE_DEFINITIONS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

__all__ = ["LONGEST_NAME", "POLICY_KEYS", "REPOSITION_KEYS", "Key", "RefusedError"]

LONGEST_NAME: Final = 60


class RefusedError(Exception):
    """A value is not accepted for its key."""


@dataclass(frozen=True, slots=True)
class Key:
    """One key of a table in a policy file.

    Attributes
    ----------
    name : str
        The key.
    read : callable
        Gives the value for the ramp, or raises ``RefusedError``.
    takes : str
        What is accepted, as the end of a sentence that begins "it takes".
    stand_ins : tuple of two
        Two harmless values: what is wrong with a ramp under both of them is wrong whatever this key says.
    required : bool
        Whether a table without it is refused.
    """

    name: str
    read: Callable[[object], object]
    takes: str
    stand_ins: tuple[object, object]
    required: bool = False


def _number(value: object) -> float:
    # true and false are numbers to Python; the comparison also refuses what is not finite
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) <= sys.float_info.max:
        raise RefusedError
    return float(value)


def _whole_number(value: object) -> int:
    number = _number(value)
    if number % 1:
        raise RefusedError
    return int(number)


def _steps(value: object) -> float | tuple[tuple[float, float], ...]:
    return tuple(map(_pair, value)) if isinstance(value, list) else _number(value)


def _pair(value: object) -> tuple[float, float]:
    if not isinstance(value, list) or len(value) != 2:
        raise RefusedError
    return _number(value[0]), _number(value[1])


def _name(value: object) -> str:
    if not isinstance(value, str) or not 1 <= len(value) <= LONGEST_NAME:
        raise RefusedError
    if not value.isprintable() or value != value.strip():
        raise RefusedError
    return value


def _placement(value: object) -> str:
    try:
        placement = PLACEMENT.match(value) if isinstance(value, str) else None
    except KeyError:
        placement = None
    if placement not in _PLACEMENTS:
        raise RefusedError
    return placement


def _word_of(words: Iterable[str]) -> Callable[[object], str]:
    """Return a reader of one of some words; case, spaces and marks do not count."""
    by_key = {word_key(word): word for word in words}

    def read(value: object) -> str:
        word = by_key.get(word_key(value)) if isinstance(value, str) else None
        if word is None:
            raise RefusedError
        return word

    return read


def _direction(value: object) -> Direction:
    return Direction(_read_direction(value))


def _margin(value: object) -> Margin:
    if not isinstance(value, dict) or len(value) != 1:
        raise RefusedError
    ((unit, amount),) = value.items()
    if unit not in _MARGIN_UNITS:
        raise RefusedError
    return Margin(_number(amount), MarginUnit(unit))


def _quoted(words: Iterable[str]) -> str:
    *others, last = (f'"{word}"' for word in words)
    return f"{', '.join(others)} or {last}"


# pads cannot be moved to a place that nobody knows
_PLACEMENTS: Final = tuple(place for place in PLACEMENT.values if place != "unknown")
_DIRECTIONS: Final = tuple(direction.value for direction in Direction)
_MARGIN_UNITS: Final = tuple(unit.value for unit in MarginUnit)
_CAPTURES: Final = tuple(capture.name for capture in CAPTURE_DEFINITIONS)
_read_direction: Final = _word_of(_DIRECTIONS)


def _quantity(what: str, example: str) -> str:
    return f"{what} as a number without quotation marks, such as {example}"


POLICY_KEYS: Final = (
    Key(
        "name",
        _name,
        f"a text of 1 to {LONGEST_NAME} printable characters in quotation marks, without a space at either end",
        ("ramp", "ramp"),
        required=True,
    ),
    Key("start_ma", _number, _quantity("a current in mA", "40"), (1.0, 2.0), required=True),
    Key(
        "step_ma",
        _steps,
        _quantity("a step in mA", "10")
        + ", or pairs of a current and the step from there on, such as [[40, 10], [80, 5]]",
        (5.0, 6.0),
        required=True,
    ),
    Key("maximum_ma", _number, _quantity("a current in mA", "140"), (199.0, 200.0), required=True),
    Key("dwell_s", _number, _quantity("seconds", "5"), (10.0, 11.0)),
    Key("dwell_pulses", _whole_number, _quantity("a count of whole pulses", "4"), (10, 11)),
    Key("rate_ppm", _number, _quantity("pulses per minute", "70"), (70.0, 71.0)),
    Key("direction", _direction, _quoted(_DIRECTIONS), (Direction.RISING, Direction.RISING)),
    Key("step_down_ma", _number, _quantity("a step in mA", "5"), (5.0, 6.0)),
    Key("capture", _word_of(_CAPTURES), _quoted(_CAPTURES), (None, None)),
    Key("hold_s", _number, _quantity("seconds", "10"), (0.0, 0.0)),
    Key(
        "margin",
        _margin,
        "exactly one of { percent = 10 }, { ma = 5 } and { steps = 1 }, with any number",
        (NO_MARGIN, NO_MARGIN),
    ),
    Key("resolution_ma", _number, _quantity("a change of current in mA", "1"), (1.0, 1.0)),
    Key("pulse_width_ms", _number, _quantity("milliseconds", "40"), (None, None)),
)
"""Keys of ``[[policy]]``, each with the name of the field of `RampPolicy` that it fills."""

REPOSITION_KEYS: Final = (
    Key("move_to", _placement, f"a placement: {_quoted(_PLACEMENTS)}", (_PLACEMENTS[0], _PLACEMENTS[0]), required=True),
    Key("seconds", _number, _quantity("seconds", "30"), (30.0, 31.0), required=True),
    Key("start_ma", _number, _quantity("a current in mA", "40"), (1.0, 2.0), required=True),
)
"""Keys of ``[policy.at_maximum]``."""
