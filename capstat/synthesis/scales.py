"""Scales on which studies are pooled, and the way back to what a reader knows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
from scipy import special, stats

from capstat.numerics.proportions import wilson
from capstat.results import Estimate

if TYPE_CHECKING:
    from capstat.synthesis.study_effect import Measure, StudyEffect

__all__ = ["SCALES", "PoolingScale", "effect_estimate", "natural_estimate"]


@dataclass(frozen=True, slots=True)
class PoolingScale:
    """Where a measure is pooled and how it is told.

    Attributes
    ----------
    name : {"log", "logit", "identity"}
        Pooling scale.
    unit : str
        Unit of the value that is told.
    null : float or None
        Value that means no difference, as it is told; ``None`` for a measure of one arm.
    quantity : str
        What the pooled value is, in words.
    """

    name: Literal["log", "logit", "identity"]
    unit: str
    null: float | None
    quantity: str

    def natural(self, value: float) -> float:
        """From the pooling scale to what is told."""
        if self.name == "log":
            with np.errstate(over="ignore"):
                # limits of two studies at a high level may be beyond every number
                return float(np.exp(value))
        return float(special.expit(value)) if self.name == "logit" else value


SCALES: Final[dict[Measure, PoolingScale]] = {
    "threshold": PoolingScale("log", "mA", None, "median capture threshold"),
    "capture": PoolingScale("logit", "proportion", None, "share captured"),
    "ratio": PoolingScale("log", "ratio", 1.0, "ratio of capture thresholds"),
    "difference": PoolingScale("identity", "mA", 0.0, "difference of mean capture thresholds"),
    "capture-ratio": PoolingScale("log", "ratio", 1.0, "ratio of shares captured"),
    "outcome": PoolingScale("log", "ratio", 1.0, "risk ratio"),
}


def natural_estimate(
    measure: Measure, value: float, lower: float | None, upper: float | None, *,
    level: float, n: int, method: str, quantity: str = "", direction: str = "", notes: tuple[str, ...] = (),
    p_value: float | None = None,
) -> Estimate:  # fmt: skip
    """An estimate as it is told, from a value and limits on the pooling scale."""
    scale = SCALES[measure]
    return Estimate(
        quantity or scale.quantity,
        scale.natural(value),
        None if lower is None else scale.natural(lower),
        None if upper is None else scale.natural(upper),
        level, scale.unit, scale.name, n, method,
        direction=direction, notes=notes, p_value=p_value,
    )  # fmt: skip


def effect_estimate(effect: StudyEffect, level: float) -> Estimate:
    """What one study says, as it is told: Wilson limits of a share, otherwise t or normal ones on the pooling scale."""
    if effect.told is not None:
        return effect.told
    if effect.measure == "capture" and effect.events is not None and effect.total is not None:
        low, high = wilson(effect.events, effect.total, level)
        return Estimate(
            SCALES["capture"].quantity, effect.events / effect.total, float(low), float(high), level, "proportion",
            "score", effect.n, effect.method, notes=effect.assumptions,
        )  # fmt: skip
    direction = f"{effect.arm} against {effect.other}" if effect.other and not effect.local else ""
    if effect.value is None or effect.se is None:
        return Estimate(
            SCALES[effect.measure].quantity, None, None, None, level, SCALES[effect.measure].unit,
            SCALES[effect.measure].name, effect.n, effect.method, direction=direction, notes=effect.assumptions,
            reason="nobody had the outcome in either arm, or everybody",
        )  # fmt: skip
    # degrees of a local study belong to its own scale, and its error was read from the limits as if normal
    df = np.inf if effect.df is None or effect.local else effect.df
    half = float(stats.t.ppf(0.5 + level / 2, df)) * effect.se
    return natural_estimate(
        effect.measure, effect.value, effect.value - half, effect.value + half, level=level, n=effect.n,
        method=effect.method, direction=direction, notes=effect.assumptions,
    )  # fmt: skip
