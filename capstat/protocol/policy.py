"""How a ramp is run: where it starts, its steps, how long each lasts, when it ends, and what is added after capture."""

from __future__ import annotations

from dataclasses import dataclass

from capstat.protocol.policy_parts import NO_MARGIN, SAME_MA, Direction, Margin, MarginUnit, Reposition
from capstat.protocol.policy_problems import policy_problems
from capstat.results import UsageError

__all__ = ["RampPolicy"]


@dataclass(frozen=True, slots=True)
class RampPolicy:
    """A rule by which the current is changed until capture or the highest current.

    Rising: from the start up to the maximum.  Falling: from the start down to the loss of capture and back up; upwards
    where the start does not capture.  Bisecting: always the middle of the settings, start to maximum, that are still
    in question.  A setting lasts the dwell; the one that is kept lasts until capture was seen for ``hold_s`` where
    that is longer.

    Attributes
    ----------
    start_ma : float
        First setting of a rising or falling ramp, lowest one of a bisecting ramp, in mA.
    step_ma : float or tuple of (float, float)
        Change from one setting to the next, in mA; or pairs (from this setting on, step), the first also below it.
    maximum_ma : float
        Highest current, always the last setting.
    dwell_s : float or None
        Seconds at each setting; ``None`` where pulses are counted.
    step_down_ma : float or None
        When given, a rising ramp lowers the current after capture by this much until capture is lost, and goes back up,
        which comes closer to the threshold.
    dwell_pulses : int or None
        Pulses at each setting, in place of seconds.
    rate_ppm : float
        Rate that is set, in pulses per minute.
    direction : Direction
        Order of the settings.
    capture : str or None
        Name of the definition of capture that is looked for; the leading one of the study when ``None``.
    hold_s : float
        How long capture must be seen at the setting that is kept, before the search ends, in s.
    margin : Margin
        What is added after capture.
    resolution_ma : float
        Smallest change of current that the device allows; margins are rounded up to it.
    pulse_width_ms : float or None
        Duration of a pulse, where stated.
    at_maximum : Reposition or None
        What is done when the maximum does not capture; ``None`` to stop.
    name : str
        What the policy is called in tables and figures.

    Raises
    ------
    UsageError
        When the ramp cannot be run; the message lists every reason.
    """

    start_ma: float
    step_ma: float | tuple[tuple[float, float], ...]
    maximum_ma: float
    dwell_s: float | None
    step_down_ma: float | None = None
    dwell_pulses: int | None = None
    rate_ppm: float = 70.0
    direction: Direction = Direction.RISING
    capture: str | None = None
    hold_s: float = 0.0
    margin: Margin = NO_MARGIN
    resolution_ma: float = 1.0
    pulse_width_ms: float | None = None
    at_maximum: Reposition | None = None
    name: str = "ramp"

    def __post_init__(self) -> None:
        """Refuse a ramp that cannot be run."""
        problems = policy_problems(self)
        if problems:
            raise UsageError(" ".join(problems))

    @property
    def seconds_per_step(self) -> float:
        """Seconds at each setting."""
        if self.dwell_s is not None:
            return self.dwell_s
        return 60.0 * (self.dwell_pulses or 0) / self.rate_ppm

    def step_at(self, current_ma: float) -> float:
        """Change of current (mA) from a setting."""
        if isinstance(self.step_ma, tuple):
            return next(
                (step for above, step in reversed(self.step_ma) if above <= current_ma + SAME_MA), self.step_ma[0][1]
            )
        return self.step_ma

    def settings_above(self, current_ma: float) -> tuple[float, ...]:
        """Settings from ``current_ma`` to the maximum, both included, in mA; the maximum itself is always the last."""
        settings = []
        current = current_ma
        while current < self.maximum_ma - SAME_MA:
            settings.append(round(current, 6))
            current += self.step_at(current)
        return (*settings, self.maximum_ma)

    def rising_settings(self) -> tuple[float, ...]:
        """Settings from the start to the maximum, in mA; the maximum itself is always the last."""
        return self.settings_above(self.start_ma)

    def with_margin(self, current_ma: float) -> float:
        """Current (mA) left on after capture at ``current_ma``: with the margin, rounded up, at most the maximum."""
        if self.margin.amount == 0:
            return current_ma
        if self.margin.unit is MarginUnit.PERCENT:
            added = current_ma * self.margin.amount / 100
        elif self.margin.unit is MarginUnit.STEPS:
            added = self.margin.amount * self.step_at(current_ma)
        else:
            added = self.margin.amount
        # 7 % of 70 mA is 4.9 and a little in floating point, and must not become 5 where 4.9 can be set
        rounded = -(-(added - 1e-7) // self.resolution_ma) * self.resolution_ma
        return float(min(round(current_ma + rounded, 6), self.maximum_ma))
