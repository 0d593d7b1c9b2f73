"""What is asked of time to capture and of outcome."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from capstat.attempts.fields import PATIENT_FIELDS
from capstat.outcomes.episodes import Origin
from capstat.results import UsageError

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = ["OUTCOMES", "USUAL_SUSTAINED_S", "OutcomeQuestion"]

OUTCOMES = tuple(
    field.name for field in PATIENT_FIELDS if field.kind == "yes_no" and field.when == "after" and field.name != "died"
)
"""Outcomes that a study may record, in the order in which they are reached."""

USUAL_SUSTAINED_S = 60.0
"""How long capture must last to count as sustained (common practice, no source)."""


def _times(minutes: Iterable[float]) -> bool:
    return all(0 < minute <= 1e5 for minute in minutes)


@dataclass(frozen=True, slots=True)
class OutcomeQuestion:
    """Choices of an analysis of time to capture and outcome; all are printed in the report.

    Attributes
    ----------
    origin : Origin
        Time zero.
    sustained_s : float
        How long capture must last, in s, to count as sustained.
    by : str
        Column whose groups are compared.
    minutes : tuple of float
        Times at which cumulative incidences are told.
    within_min : tuple of float
        Landmarks, and times within which capture is asked to come.
    horizon_min : float
        Up to when survival in time is compared.
    declared : str
        The outcome declared beforehand; empty when none was, and then everything is exploratory.
    replicates : int
        Bootstrap resamples of patients.

    Raises
    ------
    UsageError
        When a time is not positive, the horizon is not after the landmarks, or the outcome does not exist.
    """

    origin: Origin = Origin.PACING
    sustained_s: float = USUAL_SUSTAINED_S
    by: str = "placement"
    minutes: tuple[float, ...] = (1.0, 2.0, 5.0, 10.0)
    within_min: tuple[float, ...] = (2.0, 5.0, 10.0)
    horizon_min: float = 60.0
    declared: str = ""
    replicates: int = 300

    def __post_init__(self) -> None:
        """Refuse what cannot be asked, everything at once."""
        last = max(self.within_min, default=0.0)
        rules = (
            (bool(self.minutes) and _times(self.minutes), "Times at which to tell are one or more above 0 minutes."),
            (bool(self.within_min) and _times(self.within_min), "Landmarks are one or more times above 0 minutes."),
            (_times((self.horizon_min,)), f"The horizon lies above 0 minutes, not at {self.horizon_min:g}."),
            (0 < self.sustained_s <= 3600, f"Capture lasts above 0 s and up to 3600 s, not {self.sustained_s:g} s."),
            (
                not self.within_min or self.horizon_min > last,
                f"The horizon of {self.horizon_min:g} min must lie after the last landmark ({last:g} min).",
            ),
            (
                self.declared in ("", *OUTCOMES),
                f"There is no outcome '{self.declared}'; accepted are {', '.join(OUTCOMES)}.",
            ),
            (self.replicates >= 100, f"At least 100 resamples are needed, not {self.replicates}."),
        )
        problems = [words for holds, words in rules if not holds]
        if problems:
            raise UsageError(" ".join(problems))
