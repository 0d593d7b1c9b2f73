"""What one study says about one question, on the scale on which studies are pooled."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

if TYPE_CHECKING:
    from capstat.results import Estimate

__all__ = ["MEASURES", "Measure", "StudyEffect"]

Measure = Literal["threshold", "capture", "ratio", "difference", "capture-ratio", "outcome"]

MEASURES: Final[dict[Measure, str]] = {
    "threshold": "median capture threshold, mA (pooled as its logarithm)",
    "capture": "share captured, % (pooled as log odds, binomial-normal model)",
    "ratio": "ratio of capture thresholds of two placements (pooled as its logarithm)",
    "difference": "difference of mean capture thresholds of two placements, mA",
    "capture-ratio": "ratio of the shares captured with two placements (pooled as its logarithm)",
    "outcome": "risk ratio of an outcome (pooled as its logarithm)",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyEffect:
    """What one study says about one question.

    Attributes
    ----------
    arm : str
        Code of the record (of the first arm, where two are compared).
    other : str
        Code of the arm that it is compared with; empty for a single arm.
    label : str
        How the study is named in tables and figures.
    measure : str
        What is measured.
    value : float or None
        On the pooling scale: log mA, log odds, log ratio or mA; ``None`` where the counts alone are pooled.
    se : float or None
        Standard error on that scale, with what the conversion adds.
    n : int
        Patients behind it.
    method : str
        How it was worked out from what was reported.
    assumptions : tuple of str
        What that rests on, one sentence each.
    inflation : float
        Factor by which the conversion raises the variance above that of the mean and SD of the same patients; 1 when it
        adds nothing.
    events, total : int or None
        Counts of the arm.
    other_events, other_total : int or None
        Counts of the arm that it is compared with.
    told : Estimate or None
        What the study itself says, where its limits are not those of ``value`` and ``se`` (a skewed posterior).
    df : float or None
        Degrees of freedom that the limits of the study itself rest on, where they are known.
    local : bool
        Whether this is the user's own study.
    """

    arm: str
    label: str
    measure: Measure
    n: int
    method: str
    other: str = ""
    value: float | None = None
    se: float | None = None
    assumptions: tuple[str, ...] = ()
    inflation: float = 1.0
    events: int | None = None
    total: int | None = None
    other_events: int | None = None
    other_total: int | None = None
    told: Estimate | None = None
    df: float | None = None
    local: bool = False
