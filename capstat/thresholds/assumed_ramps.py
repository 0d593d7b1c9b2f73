"""The settings that an attempt would have gone through, as far as its bounds and its device tell."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.thresholds.censored import CensoredThresholds

__all__ = ["AssumedRamps", "assumed_settings"]

# settings closer than this many decimals of a mA are one setting
DECIMALS = 9


@dataclass(frozen=True, slots=True, eq=False)
class AssumedRamps:
    """Distinct ramps, and which of them every attempt went through.

    Attributes
    ----------
    settings : tuple of ndarray
        Rising currents (mA) of each ramp.
    ramp : ndarray of int, shape (n,)
        Ramp of every attempt.
    """

    settings: tuple[NDArray[np.float64], ...]
    ramp: NDArray[np.intp]


def _covariate(thresholds: CensoredThresholds, name: str) -> NDArray[np.float64]:
    if name not in thresholds.covariates:
        return np.full(len(thresholds), np.nan)
    return np.asarray(thresholds.covariates[name].to_numpy(dtype=float, na_value=np.nan))


def _settings(low: float, high: float, step: float, top: float, start: float) -> NDArray[np.float64]:
    """Settings of one ramp through its own bounds; ``start`` is the lowest current seen in the study."""
    settings = [bound for bound in (low, high) if 0 < bound < np.inf]
    # counted from the attempt's own bounds: nothing may lie between them
    if step > 0 and low > 0:
        settings += list(np.arange(low, start - step / 1e6, -step))
    if step > 0 and np.isfinite(high):
        settings += list(np.arange(high, top + step / 1e6, step))
    return np.unique(np.round(settings, DECIMALS))


def assumed_settings(thresholds: CensoredThresholds) -> AssumedRamps:
    """Reconstruct the settings that every attempt went through, or would have gone through without capture.

    A captured attempt shows (L, R] and nothing of what was planned above R.  What is assumed:

    * step: ``covariates["step_ma"]`` where recorded, or the attempt's own width R - L where a step-down made it
      narrower; where not recorded the attempt's own width when it captured above its first setting, else the most
      frequent such width in the study;
    * lowest setting: R where the first setting captured; else not below the lowest current seen in the study;
    * highest setting: of a captured attempt ``covariates["max_output_ma"]`` where recorded, else the highest current
      seen in the study; of an attempt without capture its L, also when it stopped early (the same stop applies);
    * settings are counted in steps down from L and up from R, so they contain the attempt's own bounds and nothing
      between them.

    The reconstruction is exact when all ramps share one grid.  Where devices, steps or stops differ and are not
    recorded it is a guess.

    Parameters
    ----------
    thresholds : CensoredThresholds
        Attempts without exact values.
    """
    low, high = thresholds.lower_ma, thresholds.upper_ma
    captured, above_first = np.isfinite(high), low > 0
    width = np.round(high[captured & above_first] - low[captured & above_first], DECIMALS)
    usual = Counter(width.tolist()).most_common(1)
    step = _covariate(thresholds, "step_ma")
    with np.errstate(invalid="ignore"):
        own = np.where(captured & above_first, np.round(high - low, DECIMALS), usual[0][0] if usual else 0.0)
    # a step-down after capture narrows the interval below a step: the attempt was as fine as its own interval
    step = np.where(np.isnan(step), own, np.where(captured & above_first, np.fmin(step, own), step))
    top = _covariate(thresholds, "max_output_ma")
    seen = np.concatenate((low, high[captured]))
    top = np.where(captured, np.where(np.isnan(top), seen.max(initial=0.0), top), low)
    start = float(np.min(seen[seen > 0], initial=np.inf))
    rows, row = np.unique(np.column_stack((low, high, step, top)), axis=0, return_inverse=True)
    ramps = [_settings(a, b, by, end, start) for a, b, by, end in rows.tolist()]
    code: dict[bytes, int] = {}
    of_row = np.array([code.setdefault(settings.tobytes(), len(code)) for settings in ramps], dtype=np.intp)
    distinct = tuple(np.frombuffer(key) for key in code)
    return AssumedRamps(distinct, of_row[row.ravel()])
