"""Ratio of times to capture: accelerated failure time models, in which times of capture may be intervals."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from capstat.distributions.families import LOGLOGISTIC, LOGNORMAL, WEIBULL
from capstat.distributions.regression import fit_regression
from capstat.outcomes.episodes import CAPTURE
from capstat.results import Estimate, NotEstimableError
from capstat.thresholds import CensoredThresholds

if TYPE_CHECKING:
    from capstat.outcomes.time_data import TimeData

__all__ = ["TimeRatios", "time_ratios"]

FAMILIES = (LOGNORMAL, LOGLOGISTIC, WEIBULL)
METHOD = (
    "{} accelerated failure time model (Kalbfleisch & Prentice 2002, from memory), interval-censored where times are "
    "intervals, of the lowest AIC among lognormal, loglogistic and Weibull; Wald t limits on the log scale"
)
CENSORED = (
    "other ends of the wait are taken as censoring: the ratio is of the times that capture would have taken had "
    "nothing else ended the wait, if those whose wait ended otherwise would have been captured as the rest"
)
# the shortest difference that clocks read to the second tell
SECOND_MIN = 1 / 60


@dataclass(frozen=True, slots=True)
class TimeRatios:
    """Accelerated failure time model of the time to capture.

    Attributes
    ----------
    family : str
        Law of the logarithm of the time; empty without a model.
    ratios : tuple of Estimate
        Ratio of times for each column of the model matrix, the placement first; above 1 is later.
    aic : tuple of (str, float or None)
        Akaike's criterion of each law; ``None`` where it has no finite estimate.
    reason : str
        Why there is no model; empty when there is one.
    """

    family: str
    ratios: tuple[Estimate, ...]
    aic: tuple[tuple[str, float | None], ...]
    reason: str = ""


def time_ratios(data: TimeData, level: float = 0.95) -> TimeRatios:
    """Fit accelerated failure time models of the time to capture.

    Ends other than capture and ends of observation are right-censored alike.  A capture with the first pulse (0 s)
    enters as a capture within the first second, because 0 has no logarithm and clocks are read to the second.

    Parameters
    ----------
    data : TimeData
        Complete cases.
    level : float
        Confidence level.

    Returns
    -------
    TimeRatios
        With a reason in place of ratios where nobody was captured, patients enter after time zero, or no law has a
        finite estimate.
    """
    if data.waits.entry is not None:
        return TimeRatios("", (), (), "patients enter after time zero, which these models do not allow for")
    captured = data.cause == CAPTURE
    if not captured.any():
        return TimeRatios("", (), (), "nobody was captured")
    at_once = captured & (data.waits.latest <= 0)
    earliest, latest = data.waits.earliest, np.where(at_once, SECOND_MIN, data.waits.latest)
    times = CensoredThresholds.from_bounds(
        np.where(captured, earliest, data.waits.latest), np.where(captured, latest, np.inf)
    )
    design = np.column_stack([np.ones(len(data.waits)), data.matrix])
    fits = []
    aic: list[tuple[str, float | None]] = []
    for family in FAMILIES:
        try:
            fit = fit_regression(times, design, ("intercept", *data.names), family=family)
        except NotEstimableError:
            aic.append((family.name, None))
        else:
            fits.append(fit)
            aic.append((family.name, fit.aic))
    if not fits:
        reason = "no law has a finite estimate: the times are too few or too much alike, or a column predicts capture"
        return TimeRatios("", (), tuple(aic), reason)
    best = min(fits, key=lambda fit: fit.aic)
    notes = [CENSORED, *data.notes(data.captured, "capture")]
    if at_once.any():
        notes.append(f"{int(at_once.sum())} captures with the first pulse enter as captures within the first second")
    ratios = []
    for place, name in enumerate(data.names):
        quantity, direction = f"ratio of times to capture per unit of {name}", ""
        if place == 0:
            quantity, direction = "ratio of times to capture, by placement", data.direction
        found = best.ratio(name, level=level, quantity=quantity, direction=direction)
        ratios.append(replace(found, method=METHOD.format(best.family.name), notes=tuple(notes)))
    return TimeRatios(best.family.name, tuple(ratios), tuple(aic))
