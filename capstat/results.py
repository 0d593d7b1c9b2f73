"""The small shared vocabulary that every result of capstat is made of.

Quantities carry their unit, their scale and how they were made.  Where a quantity cannot be had, the
result says why (``reason``); it is never NaN.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["Curve", "Estimate", "NotEstimableError", "UsageError"]


class NotEstimableError(ValueError):
    """The data do not contain the answer; the message is one sentence that says why."""


class UsageError(ValueError):
    """A choice that cannot be carried out, such as a covariate that does not exist; one sentence says why."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """One number with its uncertainty, or the reason why there is none.

    Attributes
    ----------
    quantity : str
        What was estimated, in words.
    value : float or None
        Point estimate; ``None`` when the data do not give one (then ``reason`` says why).
    lower, upper : float or None
        Confidence limits.  A limit may be known although the value is not; ``upper`` may be infinite when
        the data put no bound on it.
    level : float
        Confidence level, for example 0.95.
    unit : str
        ``"mA"``, ``"%"``, ``"ratio"`` and so on; empty for a pure number.
    scale : str
        The scale on which the interval is symmetric or was computed: ``"identity"``, ``"log"``, ...
    direction : str
        For a contrast, who is compared with whom; empty otherwise.
    n : int
        Patients that contributed.
    method : str
        Estimator and interval, by their names in the literature.
    notes : tuple of str
        What a reader must know before using the number.
    reason : str
        Why there is no value; empty when there is one.
    identified : tuple of float or None
        Set of values that the data cannot tell apart, as (lower, upper]; ``None`` when it is a point.
    p_value : float or None
        Two-sided p-value against no difference, for a contrast whose method gives one.
    """

    quantity: str
    value: float | None
    lower: float | None
    upper: float | None
    level: float
    unit: str
    scale: str
    n: int
    method: str
    direction: str = ""
    notes: tuple[str, ...] = ()
    reason: str = ""
    identified: tuple[float, float] | None = None
    p_value: float | None = None

    def __post_init__(self) -> None:
        """Refuse an estimate that is neither a number nor a reason."""
        for name in ("value", "lower", "upper", "p_value"):
            number = getattr(self, name)
            if number is not None and np.isnan(number):
                raise ValueError(f"{self.quantity}: {name} is NaN; state the reason instead.")
        if self.lower is not None and self.upper is not None and self.lower > self.upper:
            raise ValueError(f"{self.quantity}: the lower limit {self.lower:g} is above the upper one {self.upper:g}.")
        if self.value is None and not self.reason:
            raise ValueError(f"{self.quantity}: an estimate without a value needs a reason.")


@dataclass(frozen=True, slots=True)
class Curve:
    """A curve as data: what is identified at each point, and its pointwise confidence band.

    Attributes
    ----------
    label : str
        What the curve is of.
    x : ndarray, shape (k,)
        Abscissa, increasing (mA for capture curves).
    lower, upper : ndarray, shape (k,)
        Identified bounds of the curve at ``x``; equal where the data identify a point.
    band_lower, band_upper : ndarray, shape (k,)
        Pointwise confidence limits.
    level : float
        Confidence level of the band.
    method : str
        How curve and band were made.
    """

    label: str
    x: NDArray[np.float64]
    lower: NDArray[np.float64]
    upper: NDArray[np.float64]
    band_lower: NDArray[np.float64]
    band_upper: NDArray[np.float64]
    level: float
    method: str
