"""The course of a search in one patient, and where half and nine in ten of a group are captured."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.protocol.search import search_records

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.protocol import RampPolicy
    from capstat.protocol.threshold_law import ContinuousLaw

__all__ = ["SHARES", "RampPath", "captured_currents", "curve_on_grid", "path_of"]

SHARES = (0.5, 0.9)


@dataclass(frozen=True, slots=True, eq=False)
class RampPath:
    """The course of a search in one patient.

    Attributes
    ----------
    time_s : ndarray, shape (k + 1,)
        When each setting begins, and when the search ends, from the first pulse.
    current_ma : ndarray, shape (k,)
        Settings in their order.
    final_ma : float or None
        Current left on, with the margin; ``None`` where nothing captured.
    """

    time_s: NDArray[np.float64]
    current_ma: NDArray[np.float64]
    final_ma: float | None


def path_of(policy: RampPolicy, threshold_ma: float) -> RampPath:
    """Follow a search in a patient with a given threshold, every judgement right.

    Parameters
    ----------
    policy : RampPolicy
        The policy; what is done at the maximum is not part of the path.
    threshold_ma : float
        Lowest current that captures; infinite for a patient never captured.
    """
    records = search_records(policy, never_wrong=True)
    tried = ~np.isnan(records.setting_ma)
    right = records.captured == (records.setting_ma >= threshold_ma)
    # exactly one record holds no answer that is wrong for this threshold
    row = int(np.argmax((right | ~tried).all(axis=1)))
    current = records.setting_ma[row, : records.length[row]]
    dwell, accepted = policy.seconds_per_step, float(records.accepted_ma[row])
    time = np.asarray(dwell * np.arange(current.size + 1), dtype=np.float64)
    if np.isnan(accepted):
        return RampPath(time, current, None)
    # capture must be seen for the hold; the last setting counts where it is the one that captured
    seen = dwell if current[-1] == accepted else 0.0
    if policy.hold_s > seen:
        time, current = np.append(time, time[-1] + policy.hold_s - seen), np.append(current, accepted)
    return RampPath(time, current, policy.with_margin(accepted))


def curve_on_grid(law: ContinuousLaw, highest_ma: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Whole currents up to the highest, and the share that the model says each captures."""
    grid = np.arange(1.0, np.floor(highest_ma) + 1)
    return grid, law.share_captured(grid)[0]


def captured_currents(law: ContinuousLaw, highest_ma: float) -> tuple[float, ...]:
    """Lowest whole currents that capture a half, and nine in ten; infinite where the highest does not."""
    grid, share = curve_on_grid(law, highest_ma)
    return tuple(float(grid[np.argmax(share >= wanted)]) if share[-1] >= wanted else np.inf for wanted in SHARES)
