"""Attempts of one patient: whether one is a copy of another, and which came first."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from capstat.attempts.findings import counted
from capstat.attempts.repeats import copies, repeats

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.attempts.findings import FindingLog
    from capstat.attempts.sheet import Sheet

__all__ = ["check_copies"]


def check_copies(attempts: Sheet, log: FindingLog) -> NDArray[np.bool_]:
    """Report copies of rows, rows that may be copies, and patients whose attempts are in no recorded order.

    Returns
    -------
    ndarray of bool
        Which rows are no copy of an earlier one.
    """
    frame = attempts.frame
    later, first = repeats(frame, np.ones(len(attempts), dtype=bool))
    alike = np.zeros(len(attempts), dtype=bool)
    alike[later] = alike[first] = True
    copy, of = copies(attempts, alike)
    attempts.report_repeats(
        log,
        "duplicate-row",
        copy,
        of,
        None,
        message="repeats row {row} in every column",
        remedy="Delete one of the two, or number the attempts in attempt_order.",
    )
    # A number or code of its own that repeats has its own finding, and so has a cell that was not understood.
    settled = (frame["attempt_id"].notna() | frame["attempt_order"].notna()).to_numpy()
    settled |= attempts.broken(*attempts.invalid)
    settled[copy] = True
    doubtful = ~settled[later]
    attempts.report_repeats(
        log,
        "repeated-row",
        later[doubtful],
        first[doubtful],
        None,
        message="equals row {row} in every column of the attempt that is used, and counts as one more attempt",
        remedy="Number the attempts in attempt_order, or delete the copy.",
        severity="warning",
    )
    different = np.ones(len(attempts), dtype=bool)
    different[copy] = False
    _check_order(attempts, different, log)
    return different


def _check_order(attempts: Sheet, different: NDArray[np.bool_], log: FindingLog) -> None:
    """Warn, once, of patients with several attempts of which one has no number."""
    patients = attempts.codes("patient_id")
    considered = different & (patients >= 0)
    numberless = attempts.frame["attempt_order"].isna().to_numpy() & ~attempts.broken("attempt_order")
    several = np.bincount(patients[considered]) > 1
    affected = several & (np.bincount(patients[considered & numberless], minlength=len(several)) > 0)
    count = int(np.count_nonzero(affected))
    if count:
        log.add(
            "warning",
            "order-not-recorded",
            f"the order of the attempts is not recorded for {counted(count, 'patient')} with more than one; "
            "the first row counts as the first",
            file=attempts.file,
            column="attempt_order",
            header=attempts.headers.get("attempt_order"),
            occurrences=count,
            stands_for="patient",
            remedy="Number the attempts of a patient 1, 2, 3.",
        )
