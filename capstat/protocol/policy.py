"""How a ramp is run."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["RampPolicy"]


@dataclass(frozen=True, slots=True)
class RampPolicy:
    """A rising ramp: raise the current step by step until capture or the device maximum.

    Attributes
    ----------
    start_ma, step_ma, maximum_ma : float
        First setting, step and device maximum, in mA.
    seconds_per_step : float
        Time at each setting.
    step_down_ma : float or None
        When given, the current is lowered after capture by this much until capture is lost, which narrows
        the threshold interval.

    Raises
    ------
    ValueError
        When a step is not positive or the start lies above the maximum.
    """

    start_ma: float
    step_ma: float
    maximum_ma: float
    seconds_per_step: float
    step_down_ma: float | None = None

    def __post_init__(self) -> None:
        """Refuse a ramp that cannot be run."""
        if self.step_ma <= 0 or (self.step_down_ma is not None and self.step_down_ma <= 0):
            raise ValueError(f"A ramp needs a step above 0 mA, not {self.step_ma:g} and {self.step_down_ma}.")
        if not 0 < self.start_ma <= self.maximum_ma:
            raise ValueError(
                f"A ramp starts above 0 mA and at or below its maximum of {self.maximum_ma:g} mA, "
                f"not at {self.start_ma:g} mA."
            )
        if self.seconds_per_step <= 0:
            raise ValueError(f"The time at each setting is above 0 s, not {self.seconds_per_step:g} s.")

    def rising_settings(self) -> tuple[float, ...]:
        """Settings from the start to the maximum, in mA; the maximum itself is always the last."""
        settings = []
        current = self.start_ma
        while current < self.maximum_ma - 1e-9:
            settings.append(round(current, 6))
            current += self.step_ma
        return (*settings, self.maximum_ma)
