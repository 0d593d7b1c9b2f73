"""Sensitivity analysis of device output tolerance: the current delivered is not quite the current set."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from capstat.results import UsageError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.thresholds.censored import CensoredThresholds

__all__ = ["widen_for_tolerance"]

MOST_PERCENT = 50.0
# Products such as 105 * 0.95 and 95 * 1.05 are one current and may differ in the last digit; an upper bound a hair
# above an equal lower one would be an interval of its own that can carry mass.
DECIMALS = 9


def _scaled(bound_ma: NDArray[np.float64], factor: float) -> NDArray[np.float64]:
    scaled: NDArray[np.float64] = np.round(bound_ma * factor, DECIMALS)
    scaled.setflags(write=False)
    return scaled


def widen_for_tolerance(thresholds: CensoredThresholds, percent: float) -> CensoredThresholds:
    """Widen every interval by the tolerance of the device's output.

    A device that states its output to within ``percent`` may deliver anything from ``1 - p`` to ``1 + p`` times the
    current set (``p = percent / 100``).  No capture at a setting L then says that the threshold exceeds ``L (1 - p)``,
    capture at a setting R that it is at most ``R (1 + p)``.  Open sides stay open, exact values become intervals.

    Parameters
    ----------
    thresholds : CensoredThresholds
        Thresholds by the currents set.
    percent : float
        Tolerance of the delivered current, at least 0 and below 50.

    Returns
    -------
    CensoredThresholds
        Everything but the bounds (rounded to 1e-9 mA) is kept; the same object when ``percent`` is 0.

    Raises
    ------
    UsageError
        When ``percent`` is outside [0, 50).

    Notes
    -----
    The delivered current is assumed to lie anywhere within the tolerance of the set one, independently for each
    setting.  A device that is off by one factor at all settings is another case: it multiplies all thresholds, and with
    them all capture currents, by a factor between ``1 - p`` and ``1 + p``.

    This is a sensitivity analysis: every interval is wider and still holds the threshold, and nothing is corrected.
    Neighbouring intervals overlap afterwards, which all fits allow.  Wider intervals do not make every fitted
    quantity wider, though.  Part of the differences between patients can now be due to the device, so fitted spreads
    become smaller, the capture currents of small and large shares move towards the median, and the nonparametric
    estimate gathers its mass where intervals overlap, in pieces that may be narrower than a step.  Compare the
    estimates with and without; those from the widened data alone are not the more cautious ones.
    """
    if not 0 <= percent < MOST_PERCENT:
        raise UsageError(f"An output tolerance is at least 0 % and below {MOST_PERCENT:g} %, not {percent:g} %.")
    if percent == 0:
        return thresholds
    part = percent / 100
    return replace(
        thresholds, lower_ma=_scaled(thresholds.lower_ma, 1 - part), upper_ma=_scaled(thresholds.upper_ma, 1 + part)
    )
