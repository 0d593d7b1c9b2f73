"""How often a judgement of capture is right: sensitivity, and a specificity that may fall as the current rises."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from capstat.results import UsageError

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["REFERENCE_MA", "JudgementErrors"]

REFERENCE_MA = 80.0
"""Current at which the specificity is stated, in mA: the middle of the settings that protocols use."""


@dataclass(frozen=True, slots=True)
class JudgementErrors:
    """Probabilities that one judgement at one setting is right, given whether the heart was captured.

    Attributes
    ----------
    sensitivity : float
        Probability that a setting that captures is judged to capture.
    specificity : float
        Probability that a setting of 80 mA that does not capture is judged not to capture.
    odds_ratio_per_10_ma : float
        Odds of a false "captured" at a current relative to those at 10 mA less; 1 when the specificity is the same at
        all currents.  Above 1 where the pacing artefact grows with the current.

    Raises
    ------
    UsageError
        When a probability does not lie between 0 and 1, the odds ratio is not positive, or sensitivity + specificity
        is 1 or less: such a judgement says nothing about capture, or the opposite.
    """

    sensitivity: float
    specificity: float
    odds_ratio_per_10_ma: float = 1.0

    def __post_init__(self) -> None:
        """Refuse errors with which nothing can be learned."""
        if not (0 <= self.sensitivity <= 1 and 0 <= self.specificity <= 1):
            raise UsageError(
                f"Sensitivity and specificity lie between 0 and 1, not {self.sensitivity:g} and {self.specificity:g}."
            )
        if not 0 < self.odds_ratio_per_10_ma < np.inf:
            raise UsageError(f"An odds ratio is above 0, not {self.odds_ratio_per_10_ma:g}.")
        if self.sensitivity + self.specificity <= 1:
            raise UsageError(
                f"With a sensitivity of {self.sensitivity:g} and a specificity of {self.specificity:g}, whose sum is "
                "not above 1, a judgement is no better than chance and says nothing about the threshold."
            )

    def false_claim_probability(self, current_ma: NDArray[np.float64]) -> NDArray[np.float64]:
        """Probability of a false "captured" at each current (mA)."""
        if self.specificity == 1:
            return np.zeros_like(current_ma)
        slope = np.log(self.odds_ratio_per_10_ma) / 10
        return np.asarray(special.expit(special.logit(1 - self.specificity) + slope * (current_ma - REFERENCE_MA)))

    def require_information(self, current_ma: NDArray[np.float64]) -> None:
        """Refuse errors with which judgements at some of these currents (mA) are no better than chance.

        Raises
        ------
        UsageError
            Naming the lowest such current.
        """
        useless = self.false_claim_probability(current_ma) >= self.sensitivity
        if useless.any():
            raise UsageError(
                f"At {current_ma[useless].min():g} mA a false capture would be at least as probable as the recognition "
                f"of a true one (sensitivity {self.sensitivity:g}): judgements there say nothing about the threshold."
            )
