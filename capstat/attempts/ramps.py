"""Steps in the order of their ramps, and what each ramp's steps say about its attempt."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from capstat.attempts.repeats import copies, repeats

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.attempts.findings import FindingLog
    from capstat.attempts.sheet import Sheet

__all__ = ["CAPTURE_COLUMNS", "Ramps", "attempt_rows", "order_steps"]

CAPTURE_COLUMNS: Final = ("electrical_capture", "mechanical_capture", "adjudicated_capture")


@dataclass(frozen=True, slots=True, eq=False)
class Ramps:
    """Steps sorted by attempt and order.

    Attributes
    ----------
    sheet : Sheet
        The steps; every step belongs to a known attempt.
    attempt_row : ndarray of int32
        Position of each step's attempt, not decreasing.
    starts : ndarray of intp
        Position of the first step of each ramp.
    attempts : ndarray of int32
        Position of the attempt of each ramp.
    n_attempts : int
        Attempts in the study, with steps or without.
    """

    sheet: Sheet
    attempt_row: NDArray[np.int32]
    starts: NDArray[np.intp]
    attempts: NDArray[np.int32]
    n_attempts: int

    def per_ramp(self, reduce: np.ufunc, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return one number for each ramp: ``reduce`` over its steps."""
        if not len(self.starts):
            return np.empty(0)
        return np.asarray(reduce.reduceat(values, self.starts), dtype=np.float64)

    def holds(self, steps: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Return for each attempt whether ``steps`` holds at any of its steps."""
        result = np.zeros(self.n_attempts, dtype=bool)
        result[self.attempt_row[steps]] = True
        return result

    def highest_current(self) -> NDArray[np.float64]:
        """Return the highest current of each attempt's steps, NaN without steps."""
        result = np.full(self.n_attempts, np.nan)
        result[self.attempts] = self.per_ramp(np.fmax, self.sheet.numbers("current_ma"))
        return result

    def any_capture(self) -> NDArray[np.bool_]:
        """Return whether any step of each attempt captured, by any kind of capture."""
        captured = np.column_stack([self.sheet.yes(name) for name in CAPTURE_COLUMNS])
        return self.holds(np.asarray(captured.any(axis=1)))

    def any_assessed(self) -> NDArray[np.bool_]:
        """Return whether capture was assessed at any step of each attempt."""
        assessed = np.column_stack([self.sheet.frame[name].notna() for name in CAPTURE_COLUMNS])
        return self.holds(np.asarray(assessed.any(axis=1)))

    def has_steps(self) -> NDArray[np.bool_]:
        """Return which attempts have steps."""
        return self.holds(np.ones(len(self.sheet), dtype=bool))


def order_steps(steps: Sheet, attempts: Sheet, log: FindingLog) -> Ramps:
    """Find the attempt of each step, put the steps in order and number those that have no ``step_order``.

    Steps of an attempt that is not in the attempts table, and repeated places in a ramp, are reported.
    """
    rows = attempt_rows(steps, attempts)
    nameless = rows < 0
    steps.report(
        log,
        "unknown-attempt",
        nameless & steps.frame["attempt_id"].notna().to_numpy(),
        "attempt_id",
        f"the attempt is not in {attempts.file}",
        remedy="Add the attempt or correct the code; case and spaces count.",
    )
    _report_repeats(steps, rows, log)
    position = np.lexsort((steps.numbers("step_order"), rows))[np.count_nonzero(nameless) :]  # -1 sorts first
    sheet, rows = _taken(steps, position), rows[position]
    starts = np.flatnonzero(np.diff(rows, prepend=-1))
    ramps = Ramps(sheet, rows, starts, rows[starts], len(attempts))
    _number_steps(ramps, log)
    return ramps


def attempt_rows(steps: Sheet, attempts: Sheet) -> NDArray[np.int32]:
    """Return the position of each row's attempt, -1 where the attempts have no such code."""
    codes = steps.codes("attempt_id")
    of_code = pd.Index(attempts.frame["attempt_id"].astype(object)).drop_duplicates()
    where = pd.Index(steps.frame["attempt_id"].cat.categories)
    first = ~attempts.frame["attempt_id"].duplicated().to_numpy()
    row_of_code = np.append(np.flatnonzero(first), -1)[of_code.get_indexer(where)]
    return np.append(row_of_code, -1)[codes].astype(np.int32)


def _taken(steps: Sheet, position: NDArray[np.intp]) -> Sheet:
    if len(position) == len(steps) and (np.diff(position) == 1).all():
        return replace(steps, frame=steps.frame.copy(deep=False))
    return replace(
        steps,
        frame=steps.frame.take(position).reset_index(drop=True),
        rows=steps.rows[position],
        invalid={name: bad[position] for name, bad in steps.invalid.items()},
        columns_read=(),  # they are in the order of the file
    )


def _report_repeats(steps: Sheet, attempt_row: NDArray[np.int32], log: FindingLog) -> None:
    frame = steps.frame
    keys = pd.DataFrame({"attempt": attempt_row, "order": frame["step_order"]})
    alike = keys.assign(current=frame["current_ma"], time=frame["time_s"]).duplicated(keep=False).to_numpy()
    later, first = repeats(frame, alike & (attempt_row >= 0))
    same = np.zeros(len(steps), dtype=bool)
    same[later] = same[first] = True
    same &= (frame["step_order"].notna() | frame["time_s"].notna()).to_numpy()
    copy, of = copies(steps, same)
    steps.report_repeats(
        log,
        "duplicate-row",
        copy,
        of,
        None,
        message="repeats row {row} in every column",
        remedy="Delete one of the two.",
    )
    doubtful = frame["step_order"].isna().to_numpy()[later] & ~np.isin(later, copy)
    steps.report_repeats(
        log,
        "repeated-row",
        later[doubtful],
        first[doubtful],
        None,
        message="equals row {row} in every column that is used; it may be a second setting or a copy",
        remedy="Number the settings in step_order, or delete the copy.",
        severity="warning",
    )
    other = keys["order"].notna().to_numpy() & (attempt_row >= 0)
    other[copy] = False
    later, first = repeats(keys, other)
    steps.report_repeats(
        log,
        "duplicate-step-order",
        later,
        first,
        "step_order",
        message="is also the place of row {row} in the same attempt",
        remedy="Give every setting of an attempt its own number.",
    )


def _number_steps(ramps: Ramps, log: FindingLog) -> None:
    """Number the steps of ramps without ``step_order``; refuse ramps in which only some steps have one."""
    sheet = ramps.sheet
    missing = sheet.frame["step_order"].isna().to_numpy()
    if not missing.any():
        return
    length = np.diff(ramps.starts, append=len(sheet))
    of_step = np.repeat(ramps.per_ramp(np.add, missing.astype(np.float64)) < length, length)
    sheet.report(
        log,
        "missing-step-order",
        missing & of_step & ~sheet.broken("step_order"),
        "step_order",
        "is empty although other settings of the attempt have a number",
        remedy="Number all settings of an attempt or none.",
    )
    place = np.arange(len(sheet)) - np.repeat(ramps.starts, length) + 1.0
    sheet.frame["step_order"] = np.where(missing, place, sheet.numbers("step_order"))
