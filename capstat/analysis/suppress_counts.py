"""Counts that are too small to be shown, what they would follow from, and words that hold them."""

from __future__ import annotations

import dataclasses
import re
from dataclasses import replace
from typing import TYPE_CHECKING, Any, cast

from capstat.results import Estimate

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

__all__ = ["HIDDEN", "closed", "large", "left_out", "nothing", "reason_told", "scrubbed", "small"]

HIDDEN = "the counts behind it are too small to be shown"
NOT_TOLD = "the reason holds counts that are too small to be shown"
MERGED = "other reasons"
# whole numbers that are no time, share or name
COUNT = re.compile(r"(?<![\w.,+\u2212-])(\d+)(?!\.?\d)(?![\w-])(?!\s*(?:%|min\b|minutes?\b|s\b|mA\b|-|over\b|degree))")


def small(counts: Iterable[int], fewest: int) -> bool:
    return any(0 < count < fewest for count in counts)


def large(counts: tuple[tuple[str, int], ...], fewest: int) -> tuple[tuple[str, int], ...]:
    """Counts that do not add up to anything: the small ones are left out."""
    return tuple((name, count) for name, count in counts if not small((count,), fewest))


def _gives_away(hidden: Sequence[int], fewest: int) -> bool:
    """Whether hidden counts with a known sum can be worked out from it."""
    positive = [count for count in hidden if count > 0]
    total = sum(positive)
    return bool(positive) and (
        len(positive) == 1 or total < fewest or total in (len(positive), len(positive) * (fewest - 1))
    )


def closed(counts: Sequence[int], hidden: set[int], fewest: int) -> set[int]:
    """Hide the next smallest count while those hidden follow from the known total."""
    gone = set(hidden)
    while _gives_away([counts[k] for k in gone], fewest):
        visible = [k for k in range(len(counts)) if k not in gone and counts[k] > 0]
        if not visible:
            break
        gone.add(min(visible, key=lambda k: (counts[k], k)))
    return gone


def left_out(counts: tuple[tuple[str, int], ...], fewest: int) -> tuple[tuple[str, int], ...]:
    """Reasons with small counts are put together; nothing is left of them where the sum is small, too."""
    numbers = [count for _, count in counts]
    gone = closed(numbers, {k for k, count in enumerate(numbers) if small((count,), fewest)}, fewest)
    if not gone:
        return counts
    together = sum(numbers[k] for k in gone)
    kept = tuple(pair for k, pair in enumerate(counts) if k not in gone)
    return (*kept, (MERGED, together)) if together >= fewest else kept


def _holds_small(words: str, fewest: int) -> bool:
    return small((int(number) for number in COUNT.findall(words)), fewest)


def reason_told(reason: str, fewest: int) -> str:
    return f"{NOT_TOLD[0].upper()}{NOT_TOLD[1:]}." if _holds_small(reason, fewest) else reason


def nothing(estimate: Estimate) -> Estimate:
    return replace(
        estimate, value=None, lower=None, upper=None, identified=None, p_value=None, n=0, notes=(), reason=HIDDEN
    )


def scrubbed(value: object, fewest: int) -> object:
    """Leave out notes and reasons that hold a small count, and estimates of fewer patients, all the way down."""
    if isinstance(value, Estimate) and 0 < value.n < fewest:
        return nothing(value)
    if isinstance(value, tuple):
        made = tuple(scrubbed(part, fewest) for part in value)
        return made if any(a is not b for a, b in zip(made, value, strict=True)) else value
    if not dataclasses.is_dataclass(value) or isinstance(value, type):
        return value
    changes: dict[str, object] = {}
    for field in dataclasses.fields(value):
        old: Any = getattr(value, field.name)
        if field.name == "notes":
            new: object = tuple(note for note in old if not _holds_small(note, fewest))
            changed = new != old
        elif field.name in ("reason", "firth_reason"):
            new, changed = NOT_TOLD, _holds_small(old, fewest)
        elif field.name in ("reasons", "dropped"):
            new = tuple((part, NOT_TOLD if _holds_small(why, fewest) else why) for part, why in old)
            changed = new != old
        else:
            new = scrubbed(old, fewest)
            changed = new is not old
        if changed:
            changes[field.name] = new
    return cast("object", replace(value, **changes)) if changes else value
