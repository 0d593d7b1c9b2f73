"""Contradictions between the currents of an attempt and what the device could give."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.attempts.findings import FindingLog
    from capstat.attempts.sheet import Sheet

__all__ = ["TOLERANCE_MA", "check_device", "off_grid"]

TOLERANCE_MA: Final = 1e-6
"""Currents are settings of a dial; smaller differences are rounding."""


def off_grid(
    current: NDArray[np.float64],
    start: NDArray[np.float64],
    step: NDArray[np.float64],
    top: NDArray[np.float64],
) -> NDArray[np.bool_]:
    """Return which currents (mA) are no whole number of steps from the start; the maximum always fits."""
    with np.errstate(invalid="ignore", divide="ignore"):
        steps = (current - start) / step
        off = np.abs(steps - np.round(steps)) * step > TOLERANCE_MA
        return off & (np.abs(current - top) > TOLERANCE_MA)


def check_device(attempts: Sheet, log: FindingLog) -> None:
    """Report currents of the attempts table that the device cannot give, or that its ramp cannot have."""
    _check_reach(attempts, log)
    _check_start(attempts, log)


def _check_reach(attempts: Sheet, log: FindingLog) -> None:
    top = attempts.numbers("max_output_ma")
    start, step = attempts.numbers("start_ma"), attempts.numbers("step_ma")
    for name in ("start_ma", "highest_no_capture_ma", "lowest_capture_ma"):
        current = attempts.numbers(name)
        with np.errstate(invalid="ignore"):
            above = current > top + TOLERANCE_MA
        attempts.report(
            log,
            "above-device-maximum",
            above,
            name,
            lambda at: f"is above the maximum of the device, {top[at]:g} mA",
            remedy="Correct the current or max_output_ma.",
        )
        if name != "start_ma":
            attempts.report(
                log,
                "off-grid",
                off_grid(current, start, step, top) & ~above,
                name,
                lambda at: f"cannot be reached from {start[at]:g} mA in steps of {step[at]:g} mA",
                remedy="Check the current, start_ma and step_ma; a finer step-down after capture would explain it.",
                severity="warning",
            )


def _check_start(attempts: Sheet, log: FindingLog) -> None:
    start, failed = attempts.numbers("start_ma"), attempts.numbers("highest_no_capture_ma")
    with np.errstate(invalid="ignore"):
        above = (start > failed + TOLERANCE_MA) & ~(start > attempts.numbers("max_output_ma") + TOLERANCE_MA)
    attempts.report(
        log,
        "start-above-no-capture",
        above,
        "start_ma",
        lambda at: f"is above highest_no_capture_ma, which is {failed[at]:g}",
        remedy="A ramp that goes up cannot fail below its first setting; check both, unless the ramp went down.",
        severity="warning",
    )
