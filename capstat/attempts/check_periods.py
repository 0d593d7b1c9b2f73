"""Contradictions between periods with capture, and between them and the pacing of their attempt."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from capstat.attempts.echo import number_in_words
from capstat.attempts.fields import field_named

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from capstat.attempts.field import Table
    from capstat.attempts.findings import FindingLog
    from capstat.attempts.sheet import Sheet

__all__ = ["check_periods"]

_TOLERANCE_S: Final = 1.0
"""Clocks that are read to the second disagree by one."""


def check_periods(attempts: Sheet, periods: Sheet, log: FindingLog) -> None:
    """Report every contradiction of the periods table to ``log``; ``periods`` come from `order_periods`."""
    if not len(periods):
        return
    begin, end = periods.numbers("from_s"), periods.numbers("to_s")
    with np.errstate(invalid="ignore"):
        periods.report(
            log,
            "period-order",
            end <= begin,
            "to_s",
            _beside("is not after from_s, which is", "periods", "from_s", begin),
            remedy="A period with capture ends after it began; were the two exchanged?",
        )
    _check_overlap(periods, log)
    of = periods.frame["attempt_row"].to_numpy(dtype=np.intp)
    for bound, column, sign, word in (
        ("pacing_start_s", "from_s", 1.0, "before"),
        ("pacing_end_s", "to_s", -1.0, "after"),
    ):
        limit = attempts.numbers(bound)[of]
        with np.errstate(invalid="ignore"):
            outside = sign * (limit - periods.numbers(column)) > _TOLERANCE_S
        periods.report(
            log,
            "capture-outside-pacing",
            outside,
            column,
            _beside(f"is {word} {bound} of its attempt, which is", "attempts", bound, limit),
            remedy="There is no capture without pacing; check the times, which count from one time zero.",
        )


def _check_overlap(periods: Sheet, log: FindingLog) -> None:
    frame, end = periods.frame, periods.numbers("to_s")
    same = np.zeros(len(periods), dtype=bool)
    criterion = periods.codes("capture_criterion")
    same[1:] = (np.diff(frame["attempt_row"].to_numpy()) == 0) & (np.diff(criterion) == 0)
    overlap = np.zeros(len(periods), dtype=bool)
    with np.errstate(invalid="ignore"):
        overlap[1:] = same[1:] & (periods.numbers("from_s")[1:] < end[:-1])
    before = np.append(np.nan, end[:-1])
    periods.report(
        log,
        "periods-overlap",
        overlap,
        "from_s",
        _beside("is before the end of the attempt's period before it, which is", "periods", "to_s", before),
        remedy="Periods of one attempt follow each other; join the two, or correct the times.",
    )


def _beside(words: str, table: Table, name: str, times: NDArray[np.float64]) -> Callable[[int], str]:
    field = field_named(table, name)
    return lambda at: f"{words} {number_in_words(times[at], field, ' s')}"
