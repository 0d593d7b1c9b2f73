"""Parts of a ramp policy: order of the settings, margin after capture, moving the pads."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Final

__all__ = ["NO_MARGIN", "SAME_MA", "Direction", "Margin", "MarginUnit", "Reposition"]

# settings closer than this are the same setting
SAME_MA: Final = 1e-6


class Direction(Enum):
    """In which order currents are tried."""

    RISING = "rising"
    FALLING = "falling"
    BISECTING = "bisecting"


class MarginUnit(Enum):
    """How the current that is added after capture is stated."""

    PERCENT = "percent"
    MILLIAMPERE = "ma"
    STEPS = "steps"


@dataclass(frozen=True, slots=True)
class Margin:
    """Current added to the one that was found to capture.

    Attributes
    ----------
    amount : float
        Percent of the current found, mA, or steps of the ramp at that current; 0 for none.
    unit : MarginUnit
        Which of the three.
    """

    amount: float
    unit: MarginUnit

    @property
    def words(self) -> str:
        """Words for tables: ``10 %``, ``5 mA``, ``1 step``."""
        if self.amount == 0:
            return "no margin"
        if self.unit is MarginUnit.STEPS:
            return f"{self.amount:g} step" + ("" if self.amount == 1 else "s")
        return f"{self.amount:g} " + ("%" if self.unit is MarginUnit.PERCENT else "mA")


NO_MARGIN: Final = Margin(0.0, MarginUnit.MILLIAMPERE)


@dataclass(frozen=True, slots=True)
class Reposition:
    """What is done when nothing captured up to the maximum: the pads are moved and the ramp begins again.

    Attributes
    ----------
    placement : str
        Where the pads are moved to.
    seconds : float
        How long that takes, without pacing, in s.
    start_ma : float
        First setting after it, in mA.
    """

    placement: str
    seconds: float
    start_ma: float
