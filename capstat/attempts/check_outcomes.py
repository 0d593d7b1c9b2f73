"""Outcomes that contradict each other, and deaths before the end of pacing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from capstat.attempts.findings import FindingLog
    from capstat.attempts.sheet import Sheet

__all__ = ["check_follow_up", "check_outcomes"]

_IN_ORDER: Final = (
    ("survived_to_arrival", "survived_to_admission"),
    ("survived_to_admission", "survived_to_discharge"),
    ("survived_to_arrival", "survived_to_discharge"),
    ("survived_to_arrival", "survived_30_days"),
    ("survived_to_discharge", "good_neurological_outcome"),
)
"""Whoever did not reach the first cannot have reached the second."""

_SECONDS_30_DAYS: Final = 30 * 86400.0


def check_outcomes(patients: Sheet, log: FindingLog) -> None:
    """Report outcomes that cannot both be true."""
    for earlier, later in _IN_ORDER:
        patients.report(
            log,
            "outcomes-contradict",
            patients.no(earlier) & patients.yes(later),
            later,
            f"says yes where {earlier} says no",
            remedy="Who is dead at the one is not alive at the other; check both.",
        )
    until = patients.numbers("followed_until_s")
    with np.errstate(invalid="ignore"):
        early = patients.yes("died") & (until < _SECONDS_30_DAYS) & patients.yes("survived_30_days")
    patients.report(
        log,
        "outcomes-contradict",
        early,
        "survived_30_days",
        "says yes where died says yes and followed_until_s is less than 30 days",
        remedy="Check the three; followed_until_s is in seconds.",
    )
    timeless = patients.yes("died") & np.isnan(until) & ~patients.broken("followed_until_s")
    if "followed_until_s" in patients.given:
        patients.report(
            log,
            "death-without-time",
            timeless,
            "died",
            "says yes, but followed_until_s is empty",
            remedy="Enter the time of death, or clear died; without it the patient is left out of survival in time.",
            severity="warning",
        )


def check_follow_up(attempts: Sheet, described: pd.DataFrame, log: FindingLog) -> None:
    """Report attempts in which pacing went on after the patient's death or last contact."""
    where = pd.Index(described["patient_id"]).get_indexer(pd.Index(attempts.frame["patient_id"].astype(object)))
    until = np.append(described["followed_until_s"].to_numpy(dtype=np.float64), np.nan)[where]
    with np.errstate(invalid="ignore"):
        late = attempts.numbers("pacing_end_s") > until + 1.0
    attempts.report(
        log,
        "paced-after-last-contact",
        late,
        "pacing_end_s",
        "is after followed_until_s of the patient",
        remedy="Both count from the time zero of the patient's attempts; check them.",
    )
