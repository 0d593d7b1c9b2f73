"""Periods with capture, in order and with the place of their attempt."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from capstat.attempts.ramps import attempt_rows

if TYPE_CHECKING:
    from capstat.attempts.findings import FindingLog
    from capstat.attempts.sheet import Sheet

__all__ = ["order_periods"]


def order_periods(periods: Sheet, attempts: Sheet, log: FindingLog) -> Sheet:
    """Put periods in the order of attempts and beginnings; ``attempt_row`` takes the place of the attempt's code.

    Periods of an attempt that is not in the attempts table are reported and dropped.
    """
    rows = attempt_rows(periods, attempts)
    nameless = rows < 0
    periods.report(
        log,
        "unknown-attempt",
        nameless & periods.frame["attempt_id"].notna().to_numpy(),
        "attempt_id",
        f"the attempt is not in {attempts.file}",
        remedy="Add the attempt or correct the code; case and spaces count.",
    )
    criterion = periods.codes("capture_criterion")
    # -1 sorts first
    position = np.lexsort((periods.numbers("from_s"), criterion, rows))[np.count_nonzero(nameless) :]
    frame = periods.frame.take(position).reset_index(drop=True).drop(columns="attempt_id")
    frame.insert(0, "attempt_row", rows[position])
    invalid = {name: bad[position] for name, bad in periods.invalid.items()}
    return replace(periods, frame=frame, rows=periods.rows[position], invalid=invalid, columns_read=())
