"""Contradictions inside the steps table, and between it and the attempts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from capstat.attempts.check_device import TOLERANCE_MA, off_grid
from capstat.attempts.ramps import CAPTURE_COLUMNS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.attempts.findings import FindingLog
    from capstat.attempts.ramps import Ramps
    from capstat.attempts.sheet import Sheet

__all__ = ["check_only_positive", "check_steps"]

_FEWEST_POSITIVE: Final = 20
# circumstances that can hold for a whole study, such as sedation in a procedure laboratory
_MAY_BE_ALWAYS: Final = frozenset({"arrest", "conscious", "sedation"})


def check_steps(attempts: Sheet, ramps: Ramps, log: FindingLog) -> None:
    """Report every contradiction of the steps table to ``log``."""
    if not len(ramps.sheet):
        return
    _check_currents(attempts, ramps, log)
    _check_captures(ramps, log)
    _check_step_times(ramps, log)
    _check_first_capture(attempts, ramps, log)
    for name in CAPTURE_COLUMNS:
        _check_monotone(ramps, name, log)
    check_only_positive(ramps.sheet, log)


def check_only_positive(sheet: Sheet, log: FindingLog) -> None:
    """Warn of yes/no columns that never say no: their empty cells are then no observation."""
    for name in sheet.frame.columns:
        if sheet.frame[name].dtype != "boolean" or name not in sheet.given or name in _MAY_BE_ALWAYS:
            continue
        if name == "mechanical_capture" and sheet.no("electrical_capture").any():
            continue  # no electrical capture settles it; many record mechanical capture only where there is some
        positive = np.count_nonzero(sheet.yes(name))
        if positive >= _FEWEST_POSITIVE and not sheet.no(name).any():
            log.add(
                "warning",
                "never-no",
                f"says yes {positive:,} times and never no",
                file=sheet.file,
                column=name,
                header=sheet.headers.get(name),
                remedy="Enter no where it was looked for and not found; empty means that nobody looked.",
            )


def _check_currents(attempts: Sheet, ramps: Ramps, log: FindingLog) -> None:
    sheet, of = ramps.sheet, ramps.attempt_row
    current = sheet.numbers("current_ma")
    top = attempts.numbers("max_output_ma")[of]
    start, step = attempts.numbers("start_ma")[of], attempts.numbers("step_ma")[of]
    with np.errstate(invalid="ignore"):
        above = current > top + TOLERANCE_MA
    sheet.report(
        log,
        "above-device-maximum",
        above,
        "current_ma",
        lambda at: f"is above the maximum of the device, {top[at]:g} mA",
        remedy="Correct the current or max_output_ma.",
    )
    sheet.report(
        log,
        "off-grid",
        off_grid(current, start, step, top) & ~above & (current > 0) & _rising(ramps),
        "current_ma",
        lambda at: f"cannot be reached from {start[at]:g} mA in steps of {step[at]:g} mA",
        remedy="Check the current, start_ma and step_ma.",
        severity="warning",
    )


def _rising(ramps: Ramps) -> NDArray[np.bool_]:
    """Settings at or above every earlier one of their ramp: a step-down after capture may be finer than the ramp."""
    current = pd.Series(ramps.sheet.numbers("current_ma"))
    highest = current.groupby(ramps.attempt_row, sort=False).cummax()
    return np.asarray((current >= highest).to_numpy())


def _check_captures(ramps: Ramps, log: FindingLog) -> None:
    sheet = ramps.sheet
    sheet.report(
        log,
        "mechanical-without-electrical",
        sheet.yes("mechanical_capture") & sheet.no("electrical_capture"),
        "mechanical_capture",
        "says yes where electrical_capture says no",
        remedy="A paced heart beat needs electrical capture; check both.",
    )
    current = sheet.numbers("current_ma")
    without = (current == 0) | (np.isnan(current) & ~sheet.broken("current_ma"))
    for name in CAPTURE_COLUMNS:
        sheet.report(
            log,
            "capture-without-current",
            sheet.yes(name) & without,
            name,
            "claims capture without a current",
            remedy="Enter the current, or correct the capture.",
        )


def _check_step_times(ramps: Ramps, log: FindingLog) -> None:
    timed = np.flatnonzero(ramps.sheet.frame["time_s"].notna().to_numpy())
    time, of = ramps.sheet.numbers("time_s")[timed], ramps.attempt_row[timed]
    backwards = np.zeros(len(ramps.sheet), dtype=bool)
    backwards[timed[1:]] = (np.diff(time) < 0) & (np.diff(of) == 0)
    ramps.sheet.report(
        log,
        "time-backwards",
        backwards,
        "time_s",
        "is before the time of the setting before it",
        remedy="Check the times, and step_order or the order of the rows.",
    )


def _check_first_capture(attempts: Sheet, ramps: Ramps, log: FindingLog) -> None:
    captured = np.any([ramps.sheet.yes(name) for name in CAPTURE_COLUMNS], axis=0)
    times = np.where(captured, ramps.sheet.numbers("time_s"), np.nan)
    earliest = np.full(len(attempts), np.nan)
    earliest[ramps.attempts] = ramps.per_ramp(np.fmin, times)
    with np.errstate(invalid="ignore"):
        before = attempts.numbers("first_capture_s") < earliest
    attempts.report(
        log,
        "capture-before-its-step",
        before,
        "first_capture_s",
        "is before the time of the first setting that captured",
        remedy="Check both times; they are seconds from the same time zero.",
        severity="warning",
    )


def _check_monotone(ramps: Ramps, name: str, log: FindingLog) -> None:
    """Warn, once for each ramp, where a current failed although the same or a lower one captured."""
    sheet = ramps.sheet
    yes, no = sheet.yes(name), sheet.no(name)
    if not (yes.any() and no.any()):
        return
    current = sheet.numbers("current_ma")
    lowest = ramps.per_ramp(np.fmin, np.where(yes, current, np.inf))
    of_step = np.repeat(lowest, np.diff(ramps.starts, append=len(sheet)))
    with np.errstate(invalid="ignore"):
        offending = no & (current >= of_step - TOLERANCE_MA)
    first = np.flatnonzero(offending)
    _, once = np.unique(ramps.attempt_row[first], return_index=True)
    where = np.zeros(len(sheet), dtype=bool)
    where[first[once]] = True
    sheet.report(
        log,
        "not-monotone",
        where,
        name,
        lambda at: f"says no at {current[at]:g} mA, although {of_step[at]:g} mA captured in the same attempt",
        remedy="Check the ramp; it is kept, and the rule for such ramps is applied to it.",
        severity="warning",
    )
