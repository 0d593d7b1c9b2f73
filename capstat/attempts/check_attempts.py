"""Contradictions inside the attempts table, and between it and what the steps saw."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from capstat.attempts.check_codes import check_codes, check_same_but_for_code
from capstat.attempts.check_copies import check_copies
from capstat.attempts.check_device import TOLERANCE_MA, check_device
from capstat.attempts.echo import number_in_words
from capstat.attempts.fields import field_named
from capstat.attempts.findings import counted
from capstat.attempts.repeats import repeats

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.attempts.findings import FindingLog
    from capstat.attempts.ramps import Ramps
    from capstat.attempts.sheet import Sheet

__all__ = ["check_attempts"]


def check_attempts(attempts: Sheet, ramps: Ramps, log: FindingLog, *, steps_lost: bool) -> None:
    """Report every contradiction of the attempts table to ``log``.

    ``steps_lost`` says that there is a steps table that could not be read, so that nothing is known of steps.
    """
    _check_identity(attempts, log)
    check_codes(attempts, ("patient_id", "attempt_id"), log)
    _check_summary(attempts, ramps, log, steps_lost=steps_lost)
    check_device(attempts, log)
    if not steps_lost:  # captures may be among the steps, and differences between attempts
        check_same_but_for_code(attempts, ramps, log)
        _check_end(attempts, ramps, log)
    _check_times(attempts, log)


def _check_identity(attempts: Sheet, log: FindingLog) -> None:
    frame = attempts.frame
    left = check_copies(attempts, log)
    later, first = repeats(frame[["attempt_id"]], left & frame["attempt_id"].notna().to_numpy())
    attempts.report_repeats(
        log,
        "duplicate-attempt-id",
        later,
        first,
        "attempt_id",
        message="is the same as in row {row}",
        remedy="Give every attempt its own code.",
    )
    ordered = left & frame["attempt_order"].notna().to_numpy() & frame["patient_id"].notna().to_numpy()
    later, first = repeats(frame[["patient_id", "placement", "attempt_order"]], ordered)
    attempts.report_repeats(
        log,
        "same-attempt-twice",
        later,
        first,
        "attempt_order",
        message="is the same as in row {row}, for the same patient and placement",
        remedy="Number the attempts of a patient 1, 2, 3.",
    )
    ordered[later] = False
    later, first = repeats(frame[["patient_id", "attempt_order"]], ordered)
    attempts.report_repeats(
        log,
        "same-order-twice",
        later,
        first,
        "attempt_order",
        message="is the same as in row {row} of this patient, where the placement is another one",
        remedy="Number all attempts of a patient 1, 2, 3, whatever the placement.",
        severity="warning",
    )
    unknown = int(attempts.is_word("placement", "unknown").sum())
    if unknown:
        log.add(
            "warning",
            "placement-unknown",
            f"the placement is unknown in {unknown:,} of {len(attempts):,} rows",
            file=attempts.file,
            column="placement",
            header=attempts.headers.get("placement"),
            occurrences=unknown,
            stands_for="row",
            remedy="Rows without placement are left out of the comparison of placements.",
        )


def _check_summary(attempts: Sheet, ramps: Ramps, log: FindingLog, *, steps_lost: bool) -> None:
    failed, captured = attempts.numbers("highest_no_capture_ma"), attempts.numbers("lowest_capture_ma")
    with np.errstate(invalid="ignore"):
        crossed = captured <= failed + TOLERANCE_MA
    attempts.report(
        log,
        "summary-order",
        crossed,
        "lowest_capture_ma",
        lambda at: f"is not above highest_no_capture_ma, which is {failed[at]:g}",
        remedy="The highest current without capture is below the lowest with capture; were they exchanged?",
    )
    attempts.report(
        log,
        "capture-without-current",
        captured == 0,
        "lowest_capture_ma",
        "claims capture at 0 mA",
        remedy="Enter the lowest current that captured, or leave the cell empty when none did.",
    )
    nothing = np.isnan(failed) & np.isnan(captured) & ~attempts.broken("highest_no_capture_ma", "lowest_capture_ma")
    attempts.report(
        log,
        "no-observation",
        nothing & ~ramps.has_steps() & (not steps_lost),
        None,
        "has neither a current with capture nor one without, and no steps",
        remedy="Fill in highest_no_capture_ma or lowest_capture_ma, add its steps, or delete the row.",
    )
    attempts.report(
        log,
        "capture-not-assessed",
        nothing & ramps.has_steps() & ~ramps.any_assessed(),
        None,
        "has steps, but capture was assessed at none of them",
        remedy="The attempt says nothing about the threshold.",
        severity="warning",
    )


def _check_end(attempts: Sheet, ramps: Ramps, log: FindingLog) -> None:
    captured = attempts.frame["lowest_capture_ma"].notna().to_numpy() | ramps.any_capture()
    unread = attempts.broken("lowest_capture_ma", "highest_no_capture_ma", "ended")
    no_capture = ~captured & ~unread
    attempts.report(
        log,
        "ended-without-capture",
        attempts.is_word("ended", "captured") & no_capture,
        "ended",
        "says captured, but no capture is recorded",
        remedy="Fill in lowest_capture_ma or correct how the attempt ended.",
    )
    attempts.report(
        log,
        "capture-time-without-capture",
        attempts.frame["first_capture_s"].notna().to_numpy() & no_capture,
        "first_capture_s",
        "is a time of capture, but no capture is recorded",
        remedy="Fill in lowest_capture_ma, or clear the time.",
        severity="warning",
    )
    highest = np.fmax.reduce(
        [
            attempts.numbers("highest_no_capture_ma"),
            attempts.numbers("lowest_capture_ma"),
            ramps.highest_current(),
        ]
    )
    top = attempts.numbers("max_output_ma")
    # Where the next step would pass the maximum, the ramp is at its end.
    next_step = np.nan_to_num(attempts.numbers("step_ma"), nan=0.0)
    with np.errstate(invalid="ignore"):
        below = (highest < top - TOLERANCE_MA) & (highest + next_step <= top + TOLERANCE_MA) & ~unread
    attempts.report(
        log,
        "ended-below-maximum",
        attempts.is_word("ended", "maximum-reached") & below,
        "ended",
        lambda at: f"says maximum-reached, but the highest current is {highest[at]:g} mA of {top[at]:g} mA",
        remedy="Correct how the attempt ended, max_output_ma, or the highest current that was tried.",
    )
    unexplained = attempts.frame["ended"].isna().to_numpy() | attempts.is_word("ended", "unknown")
    stopped = unexplained & below & no_capture
    if stopped.any() and "ended" not in attempts.given:
        log.add(
            "warning",
            "stopped-unexplained",
            f"{counted(int(stopped.sum()), 'attempt')} stopped below the maximum without capture, and nothing says why",
            file=attempts.file,
            column="ended",
            remedy="Add the column, because stopping early may depend on the threshold.",
            occurrences=int(stopped.sum()),
            stands_for="attempt",
        )
        return
    attempts.report(
        log,
        "stopped-unexplained",
        stopped,
        "ended",
        lambda at: f"does not say why the attempt stopped at {highest[at]:g} mA of {top[at]:g} mA without capture",
        remedy="Fill in why, because stopping early may depend on the threshold.",
        severity="warning",
    )


def _check_times(attempts: Sheet, log: FindingLog) -> None:
    for earlier, later in (
        ("onset_s", "pacing_start_s"),
        ("pads_on_s", "pacing_start_s"),
        ("arrival_s", "pads_on_s"),
        ("pacing_start_s", "pacing_end_s"),
        ("pacing_start_s", "first_capture_s"),
        ("first_capture_s", "pacing_end_s"),
    ):
        before, after = attempts.numbers(earlier), attempts.numbers(later)
        with np.errstate(invalid="ignore"):
            backwards = after < before
        attempts.report(
            log,
            "time-order",
            backwards,
            later,
            partial(_before, earlier, before),
            remedy="Seconds from one time zero, in this order: onset, arrival, pads, first pulse, capture, last pulse.",
        )

    arrival, start = attempts.numbers("arrival_s"), attempts.numbers("pacing_start_s")
    with np.errstate(invalid="ignore"):
        paced_before = arrival > start
    attempts.report(
        log,
        "paced-before-arrival",
        paced_before,
        "arrival_s",
        partial(_after, "pacing_start_s", start),
        remedy="Who was paced before arrival is left out of times that count from arrival; check both times.",
        severity="warning",
    )
    _check_shared_zero(attempts, log)


def _check_shared_zero(attempts: Sheet, log: FindingLog) -> None:
    """Warn where a later attempt begins before an earlier one ended: their times then count from different zeros."""
    frame = attempts.frame[["patient_id", "attempt_order", "pacing_start_s", "pacing_end_s"]]
    known = frame["patient_id"].notna() & frame["attempt_order"].notna() & frame["pacing_start_s"].notna()
    ordered = frame[known.to_numpy()].sort_values(["patient_id", "attempt_order"], kind="stable")
    end = ordered["pacing_end_s"].fillna(ordered["pacing_start_s"])
    before = end.groupby(ordered["patient_id"], sort=False, observed=True).shift()
    overlapping = np.zeros(len(attempts), dtype=bool)
    overlapping[ordered.index[(ordered["pacing_start_s"] < before).to_numpy()].to_numpy(dtype=np.intp)] = True
    attempts.report(
        log,
        "attempts-overlap",
        overlapping,
        "pacing_start_s",
        "is before the end of the patient's attempt before it",
        remedy="All attempts of a patient share one time zero; of such a patient only the first attempt has a time.",
        severity="warning",
    )


def _after(earlier: str, times: NDArray[np.float64], at: int) -> str:
    return f"is after {earlier}, which is {number_in_words(times[at], field_named('attempts', earlier), ' s')}"


def _before(earlier: str, times: NDArray[np.float64], at: int) -> str:
    return f"is before {earlier}, which is {number_in_words(times[at], field_named('attempts', earlier), ' s')}"
