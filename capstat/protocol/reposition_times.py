"""Time until capture by going on with a ramp and by moving the pads, from the moment of the decision."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.protocol.policy_parts import SAME_MA
from capstat.results import Curve, UsageError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.protocol.paired_law import PairedLaw

__all__ = ["ChoiceTimes", "RampTiming", "choice_times", "curve_of_draws", "estimable"]

METHOD = "lognormal law of two thresholds of one patient; percentiles of draws of its parameters"
# share of the draws that must speak of a current
MOST_DRAWS = 0.95


@dataclass(frozen=True, slots=True)
class RampTiming:
    """How fast either choice is carried out.

    Attributes
    ----------
    step_ma : float
        Step of the ramp, in mA, with either placement.
    dwell_s : float
        Seconds at each setting.
    seconds : float
        How long moving the pads takes, without pacing, in s.
    restart_ma : float
        First setting after moving, in mA.
    within_s : tuple of float
        Times from the decision, in s, by which the share captured is wanted.

    Raises
    ------
    UsageError
        When such a ramp cannot be run.
    """

    step_ma: float
    dwell_s: float
    seconds: float
    restart_ma: float
    within_s: tuple[float, ...] = (30.0, 60.0, 120.0)

    def __post_init__(self) -> None:
        """Refuse a ramp that cannot be run."""
        for name, value in (("step_ma", self.step_ma), ("dwell_s", self.dwell_s), ("restart_ma", self.restart_ma)):
            if not (np.isfinite(value) and value > 0):
                raise UsageError(f"The ramp needs a finite number above 0 as {name}, not {value:g}.")
        if not (np.isfinite(self.seconds) and self.seconds >= 0):
            raise UsageError(f"Moving the pads (seconds) takes a finite time of at least 0 s, not {self.seconds:g}.")
        if not all(np.isfinite(time) and time > 0 for time in self.within_s):
            raise UsageError("Times from the decision (within_s) are finite numbers of seconds above 0.")


@dataclass(frozen=True, slots=True, eq=False)
class ChoiceTimes:
    """What either choice has brought by a time, among patients not captured by a current.

    A setting counts from when it is switched on: the next step at the decision itself, the first one after moving when
    the pads are on.

    Attributes
    ----------
    timing : RampTiming
        How fast either choice is carried out.
    here_within, there_within, difference_within : tuple of Curve
        Share captured within each of ``timing.within_s`` by going on and by moving, and moving minus going on.
    here_mean, there_mean : Curve or None
        Mean seconds among those captured by either choice; currents at which hardly anybody is are left out, ``None``
        where that leaves none.  The two means are of different patients: the shares within a time are the comparison.
    """

    timing: RampTiming
    here_within: tuple[Curve, ...]
    there_within: tuple[Curve, ...]
    difference_within: tuple[Curve, ...]
    here_mean: Curve | None
    there_mean: Curve | None


def estimable(rows: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Columns of ``rows`` (B + 1, k) that the estimate and nearly all draws speak of; the others hold NaN."""
    known = np.isfinite(rows)
    return np.asarray(known[0] & (known[1:].sum(axis=0) >= MOST_DRAWS * (len(rows) - 1)))


def curve_of_draws(
    label: str, x: NDArray[np.float64], rows: NDArray[np.float64], widest: tuple[float, float], level: float
) -> Curve:
    """Curve of the estimate with percentiles of the draws as limits; ``widest`` stands in where there are no draws.

    Parameters
    ----------
    rows : ndarray, shape (B + 1, k)
        Estimate and draws; a draw may be NaN at some points, the estimate not.
    """
    if len(rows) == 1:
        low, high = (np.full(x.size, limit) for limit in widest)
    else:
        low, high = np.nanquantile(rows[1:], ((1 - level) / 2, (1 + level) / 2), axis=0)
    return Curve(label, x, rows[0], rows[0], low, high, level, METHOD)


def _settings(first_ma: float, step_ma: float, highest_ma: float) -> NDArray[np.float64]:
    """Settings from the first to the highest, which is always the last and may be the only one."""
    steps = max(int(np.ceil((highest_ma - SAME_MA - first_ma) / step_ma)), 0)
    return np.append(first_ma + step_ma * np.arange(steps), highest_ma).astype(np.float64)


def choice_times(
    law: PairedLaw,
    currents_ma: NDArray[np.float64],
    reached: NDArray[np.float64],
    highest_ma: tuple[float, float],
    timing: RampTiming,
    least: float,
    level: float,
) -> ChoiceTimes:
    """Follow both choices setting by setting.

    Parameters
    ----------
    law : PairedLaw
        The present placement first.
    currents_ma : ndarray, shape (k,)
        Currents without capture.
    reached : ndarray, shape (B + 1, k)
        Share not captured by each current; NaN in draws under which hardly anybody gets there.
    highest_ma : tuple of float
        Highest current with the present and with the other placement.
    timing : RampTiming
        How fast either choice is carried out.
    least : float
        Share captured below which there is no mean time.
    level : float
        Confidence level.
    """
    on, moved = _going_on(law, currents_ma, highest_ma[0], timing), _moving(law, currents_ma, highest_ma[1], timing)
    words = (f"going on with {law.names[0]}", f"moving to {law.names[1]}")
    shares = []
    for choice in (on, moved):
        by_time = []
        for time in timing.within_s:
            # the last setting switched on by then; before the first one nobody is captured
            last = np.array([np.searchsorted(starts, time + 1e-9, side="right") for starts in choice.starts])
            captured = [
                part[:, n - 1] if n else np.zeros(law.draws + 1) for part, n in zip(choice.captured, last, strict=True)
            ]
            by_time.append(np.stack(captured, axis=1) / reached)
        shares.append(by_time)
    here, there = (
        tuple(
            curve_of_draws(f"share captured within {time:g} s, {word}", currents_ma, rows, (0.0, 1.0), level)
            for time, rows in zip(timing.within_s, by_time, strict=True)
        )
        for word, by_time in zip(words, shares, strict=True)
    )
    gaps = tuple(
        curve_of_draws(
            f"share captured within {time:g} s, {words[1]} minus {words[0]}", currents_ma, two - one, (-1.0, 1.0), level
        )
        for time, one, two in zip(timing.within_s, *shares, strict=True)
    )
    means = [
        _mean(choice, reached, currents_ma, f"mean seconds to capture, {word}", least, level)
        for choice, word in zip((on, moved), words, strict=True)
    ]
    return ChoiceTimes(timing, here, there, gaps, *means)


@dataclass(frozen=True, slots=True, eq=False)
class _Choice:
    """One choice at every current: when its settings start (m,), and the share captured up to each (B + 1, m)."""

    starts: list[NDArray[np.float64]]
    captured: list[NDArray[np.float64]]


def _going_on(law: PairedLaw, currents: NDArray[np.float64], highest: float, timing: RampTiming) -> _Choice:
    starts, captured = [], []
    for current in currents:
        settings = _settings(float(current) + timing.step_ma, timing.step_ma, highest)
        starts.append(np.asarray(timing.dwell_s * np.arange(settings.size), dtype=np.float64))
        captured.append(law.probability(float(current), settings, 0.0, np.inf))
    return _Choice(starts, captured)


def _moving(law: PairedLaw, currents: NDArray[np.float64], highest: float, timing: RampTiming) -> _Choice:
    settings = _settings(timing.restart_ma, timing.step_ma, highest)
    starts = np.asarray(timing.seconds + timing.dwell_s * np.arange(settings.size), dtype=np.float64)
    captured = law.probability(currents[:, None], np.inf, 0.0, settings)
    return _Choice([starts] * currents.size, list(np.moveaxis(captured, 1, 0)))


def _mean(
    choice: _Choice, reached: NDArray[np.float64], currents: NDArray[np.float64], label: str, least: float, level: float
) -> Curve | None:
    """Mean time among those captured, where some are."""
    final = np.stack([captured[:, -1] for captured in choice.captured], axis=1)
    sums = [
        np.diff(captured, axis=1, prepend=0.0) @ starts
        for starts, captured in zip(choice.starts, choice.captured, strict=True)
    ]
    # a comparison with NaN is false
    enough = final >= least * reached
    rows = np.where(enough, np.stack(sums, axis=1) / np.where(enough, final, 1.0), np.nan)
    kept = estimable(rows)
    return curve_of_draws(label, currents[kept], rows[:, kept], (0.0, np.inf), level) if kept.any() else None
