"""What is asked of ramp policies."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from capstat.protocol.compare_policies import CONSCIOUS, UNCONSCIOUS, Weights
from capstat.protocol.margins import USUAL_MINUTES
from capstat.results import UsageError

if TYPE_CHECKING:
    from capstat.capture import JudgementErrors
    from capstat.protocol import RampPolicy

__all__ = ["USUAL_DISCOMFORT_MA", "RampQuestion"]

USUAL_DISCOMFORT_MA = 70.0
"""Upper end of the pain limit of 60 to 70 mA in 15 volunteers (Prochaczek 1989, PMID 2632914, abstract seen)."""


@dataclass(frozen=True, slots=True)
class RampQuestion:
    """Choices of an analysis of ramp policies; all are printed in the report.

    Attributes
    ----------
    policies : tuple of RampPolicy
        Policies; the examples that come with capstat when empty.
    discomfort_ma : float
        Currents above this level are counted as uncomfortable, in mA.
    errors : JudgementErrors or None
        How often a judgement of capture is wrong; never when ``None``.
    weights : tuple of Weights
        What counts how much; the defaults are for illustration.
    factor : float
        By how much thresholds may be higher than believed.
    minutes : tuple of float
        Times within which capture may be lost.
    by : str
        Column whose values are the groups.
    correlation : float
        Assumed correlation of the two log thresholds of a patient where no pairs show it.
    move_s : float
        Seconds that moving the pads takes, without pacing.
    draws : int
        Draws of the uncertainty.

    Raises
    ------
    UsageError
        When a choice cannot be carried out.
    """

    policies: tuple[RampPolicy, ...] = ()
    discomfort_ma: float = USUAL_DISCOMFORT_MA
    errors: JudgementErrors | None = None
    weights: tuple[Weights, ...] = (CONSCIOUS, UNCONSCIOUS)
    factor: float = 1.2
    minutes: tuple[float, ...] = USUAL_MINUTES
    by: str = "placement"
    correlation: float = 0.6
    move_s: float = 30.0
    draws: int = 200

    def __post_init__(self) -> None:
        """Refuse choices that cannot be carried out."""
        rules = (
            (
                0 <= self.discomfort_ma < math.inf,
                "The level of discomfort is a current of at least 0 mA",
                self.discomfort_ma,
            ),
            (0 < self.factor < math.inf, "By how much thresholds may be higher (factor) is above 0", self.factor),
            (-1 < self.correlation < 1, "A correlation lies between -1 and 1", self.correlation),
            (0 <= self.move_s < math.inf, "Moving the pads takes at least 0 s", self.move_s),
            (self.draws >= 0, "The number of draws is at least 0", self.draws),
            *(
                (0 < time < math.inf, "A time in which capture may be lost is above 0 minutes", time)
                for time in self.minutes
            ),
        )
        problems = [f"{words}, not {value:g}." for holds, words, value in rules if not holds]
        if problems:
            raise UsageError(" ".join(problems))
