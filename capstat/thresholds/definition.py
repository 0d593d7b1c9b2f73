"""What counts as capture, and what to do with a ramp that contradicts itself.

Both change the answer, so both are objects that the caller names; neither is guessed.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

__all__ = [
    "ADJUDICATED_CAPTURE",
    "AS_RECORDED_CAPTURE",
    "CAPTURE_DEFINITIONS",
    "ELECTRICAL_CAPTURE",
    "MECHANICAL_CAPTURE",
    "CaptureDefinition",
    "NonMonotoneRule",
]


@dataclass(frozen=True, slots=True)
class CaptureDefinition:
    """Which observation counts as capture.

    Attributes
    ----------
    name : str
        The word used on the command line and in reports.
    meaning : str
        One sentence for a reader.
    step_column : str or None
        Column of the steps that holds the judgement.
    implied_by_electrical_loss : bool
        Whether "no electrical capture" settles a step at which this sign was not looked at.  Without
        electrical capture there is nothing that could be mechanical capture.
    criteria : frozenset of str
        Values of ``capture_criterion`` for which the two summary columns of an attempt mean this.
    """

    name: str
    meaning: str
    step_column: str | None
    implied_by_electrical_loss: bool
    criteria: frozenset[str]


ELECTRICAL_CAPTURE = CaptureDefinition(
    "electrical",
    "a QRS complex and a T wave follow each pacing pulse",
    "electrical_capture",
    False,
    frozenset({"electrical"}),
)
MECHANICAL_CAPTURE = CaptureDefinition(
    "mechanical",
    "each paced beat moves blood: a pulse away from the twitching chest, a waveform or a pressure",
    "mechanical_capture",
    True,
    frozenset({"mechanical"}),
)
ADJUDICATED_CAPTURE = CaptureDefinition(
    "adjudicated",
    "a reviewer of the recorded strip confirmed capture",
    "adjudicated_capture",
    False,
    frozenset({"adjudicated"}),
)
AS_RECORDED_CAPTURE = CaptureDefinition(
    "as-recorded",
    "whatever the two summary columns of the file mean by capture",
    None,
    False,
    frozenset({"electrical", "mechanical", "adjudicated", "unknown", ""}),
)
CAPTURE_DEFINITIONS = (MECHANICAL_CAPTURE, ELECTRICAL_CAPTURE, ADJUDICATED_CAPTURE, AS_RECORDED_CAPTURE)


class NonMonotoneRule(Enum):
    """How a threshold is read from a ramp with capture below a current that did not capture.

    SUSTAINED
        The lowest current at and above which every assessed step captured.
    FIRST
        The first current, in the order tested, that captured; what came later is ignored.
    """

    SUSTAINED = "sustained"
    FIRST = "first"
