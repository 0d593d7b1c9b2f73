"""Simulated ramps: the same tables as observed ones."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from capstat.protocol.policy import RampPolicy

__all__ = ["Thresholds", "simulate_steps"]


@dataclass(frozen=True, slots=True, eq=False)
class Thresholds:
    """True thresholds of simulated attempts.

    Attributes
    ----------
    electrical_ma, mechanical_ma : ndarray, shape (n,)
        Currents at and above which capture occurs; infinite for a patient who cannot be captured.
    stop_above_ma : ndarray, shape (n,)
        The crew gives up after the first setting above this current without mechanical capture; infinite when
        it goes on to the maximum.
    lost_once : ndarray of bool, shape (n,)
        Whether the step after capture is seen to fail once (movement), although the current is sufficient.
    """

    electrical_ma: NDArray[np.float64]
    mechanical_ma: NDArray[np.float64]
    stop_above_ma: NDArray[np.float64]
    lost_once: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class _Ramp:
    """What decides which settings of one attempt are tried."""

    policy: RampPolicy
    mechanical_ma: float
    first_claim_ma: float
    stop_above_ma: float
    lost_once: bool

    def highest_failure_ma(self) -> float:
        """Last rising setting before the first claim; minus infinity when the first setting was claimed."""
        return max((c for c in self.policy.rising_settings() if c < self.first_claim_ma), default=-np.inf)

    def settings(self, *, stop_at_claim: bool) -> tuple[list[float], int]:
        """Settings tried, and the position of the one that fails once (-1 for none)."""
        tried: list[float] = []
        rising = self.policy.rising_settings()
        for position, current in enumerate(rising):
            tried.append(current)
            if stop_at_claim and current >= self.first_claim_ma:
                return tried, -1
            # mechanical capture is looked at only where capture is read
            if current >= max(self.mechanical_ma, self.first_claim_ma):
                after = list(rising[position + 1 : position + 3])
                if self.lost_once and len(after) == 2:
                    return tried + after, len(tried)
                return tried + after[:1] + self._step_down(current), -1
            if current > self.stop_above_ma:
                return tried, -1
        return tried, -1

    def _step_down(self, current: float) -> list[float]:
        """Settings of the step-down from the first mechanical capture to the first that is seen to fail."""
        tried: list[float] = []
        if self.policy.step_down_ma is None:
            return tried
        failed = self.highest_failure_ma()
        lower = current - self.policy.step_down_ma
        while lower > 0:
            tried.append(round(lower, 6))
            if lower < self.mechanical_ma or lower <= failed:
                break
            lower -= self.policy.step_down_ma
        return tried


def simulate_steps(
    truth: Thresholds,
    policies: Sequence[RampPolicy],
    attempt_ids: Sequence[str],
    *,
    first_claim_ma: NDArray[np.float64] | None = None,
    stop_at_claim: bool = False,
) -> pd.DataFrame:
    """Run one ramp for each true threshold and write down what would have been seen.

    Capture at and above the threshold, none below.  After capture one more step is tried (a safety margin),
    then the step-down, if the policy has one.  Mechanical capture is looked at only where electrical capture
    is read from the screen, as in practice, and is recorded as it is.

    A reading can be wrong: with ``first_claim_ma`` no rising setting below the first claim is read as captured, and
    every setting at or above it is, because the artefact or the belief persists.  The ramp still goes on until
    mechanical capture is seen.  On the way down, settings below the first claim are read as they are, but for one
    that was already read as a failure, which is read so again.

    Parameters
    ----------
    truth : Thresholds
        One entry for each attempt.
    policies : sequence of RampPolicy
        One for each attempt.
    attempt_ids : sequence of str
        One for each attempt.
    first_claim_ma : ndarray, shape (n,), optional
        Setting in mA at which electrical capture is first claimed, infinite for never (see `first_claims`).  Without
        it every reading is right.
    stop_at_claim : bool
        Whether the ramp ends with the first claim, without a margin, a step-down or a search for mechanical capture.

    Returns
    -------
    pandas.DataFrame
        Columns of the steps table: ``attempt_id``, ``step_order``, ``current_ma``, ``time_s``,
        ``electrical_capture``, ``mechanical_capture``.
    """
    claim = truth.electrical_ma if first_claim_ma is None else first_claim_ma
    ramps = [
        _Ramp(*row)
        for row in zip(policies, truth.mechanical_ma, claim, truth.stop_above_ma, truth.lost_once, strict=True)
    ]
    currents: list[float] = []
    rows: list[int] = []
    orders: list[int] = []
    lost: list[bool] = []
    for i, ramp in enumerate(ramps):
        tried, failing = ramp.settings(stop_at_claim=stop_at_claim)
        currents += tried
        rows += [i] * len(tried)
        orders += range(1, len(tried) + 1)
        lost += [position == failing for position in range(len(tried))]
    row, current = np.array(rows, dtype=np.intp), np.array(currents)
    failed = np.array([ramp.highest_failure_ma() for ramp in ramps])[row]
    read = (current >= claim[row]) | ((current >= truth.electrical_ma[row]) & (current > failed))
    read &= ~np.array(lost, dtype=bool)
    mechanical = (current >= truth.mechanical_ma[row]) & read
    dwell = np.array([policy.seconds_per_step for policy in policies], dtype=float)[row]
    return pd.DataFrame(
        {
            "attempt_id": np.asarray(attempt_ids, dtype=object)[row],
            "step_order": orders,
            "current_ma": current,
            "time_s": (np.array(orders) - 1) * dwell,
            "electrical_capture": np.where(read, "yes", "no"),
            "mechanical_capture": np.where(read, np.where(mechanical, "yes", "no"), ""),
        }
    )
