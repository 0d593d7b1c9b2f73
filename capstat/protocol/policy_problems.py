"""Why a ramp cannot be run: one sentence for each reason."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from capstat.attempts.fields import DEVICE_CEILING_SOURCE
from capstat.protocol.policy_parts import Direction

if TYPE_CHECKING:
    from collections.abc import Iterator

    from capstat.protocol.policy import RampPolicy

__all__ = ["HIGHEST_MA", "LONGEST_PULSE_MS", "policy_problems"]

# ceilings of US 21 CFR 870.5550
HIGHEST_MA: Final = 200.0
LONGEST_PULSE_MS: Final = 50.0
# of the field table: no device changes its current by less, nor paces faster
SMALLEST_STEP_MA: Final = 0.1
HIGHEST_PPM: Final = 400.0


def policy_problems(policy: RampPolicy) -> list[str]:
    """Return every reason why a ramp cannot be run, one sentence each; empty when it can."""
    unusable = [
        f"{name} is a finite number, not {value:g}." for name, value in _numbers(policy) if not math.isfinite(value)
    ]
    return unusable or [
        *_step_problems(policy),
        *_current_problems(policy),
        *_time_problems(policy),
        *_ending_problems(policy),
    ]


def _numbers(policy: RampPolicy) -> Iterator[tuple[str, float]]:
    for name in (
        "start_ma",
        "maximum_ma",
        "dwell_s",
        "step_down_ma",
        "rate_ppm",
        "hold_s",
        "resolution_ma",
        "pulse_width_ms",
    ):
        value = getattr(policy, name)
        if value is not None:
            yield name, value
    steps = policy.step_ma if isinstance(policy.step_ma, tuple) else ((0.0, policy.step_ma),)
    for pair in steps:
        yield from (("step_ma", value) for value in pair)
    yield "margin", policy.margin.amount
    if policy.at_maximum is not None:
        yield "seconds of at_maximum", policy.at_maximum.seconds
        yield "start_ma of at_maximum", policy.at_maximum.start_ma


def _step_problems(policy: RampPolicy) -> list[str]:
    schedule = policy.step_ma if isinstance(policy.step_ma, tuple) else ((0.0, policy.step_ma),)
    if not schedule:
        return ["A schedule of steps (step_ma) has at least one pair: from this current on, this step."]
    named = [("A step (step_ma)", step) for _, step in schedule]
    if policy.step_down_ma is not None:
        named.append(("The step down after capture (step_down_ma)", policy.step_down_ma))
    named.append(("The smallest change of current (resolution_ma)", policy.resolution_ma))
    problems = [
        f"{what} is at least {SMALLEST_STEP_MA:g} mA, not {step:g}." for what, step in named if step < SMALLEST_STEP_MA
    ]
    if any(later <= earlier for (earlier, _), (later, _) in pairwise(schedule)):
        problems.append("The currents of a schedule of steps (step_ma) rise from pair to pair.")
    if policy.step_down_ma is not None and policy.direction is not Direction.RISING:
        problems.append(f"Only a rising ramp takes step_down_ma, a {policy.direction.value} one does not.")
    return problems


def _current_problems(policy: RampPolicy) -> list[str]:
    if not policy.maximum_ma > 0:
        return [f"The maximum (maximum_ma) lies above 0 mA, not at {policy.maximum_ma:g} mA."]
    problems = []
    if policy.maximum_ma > HIGHEST_MA:
        problems.append(
            f"The maximum (maximum_ma) of {policy.maximum_ma:g} mA lies above {HIGHEST_MA:g} mA, the ceiling of "
            f"{DEVICE_CEILING_SOURCE}."
        )
    starts = [("The ramp starts (start_ma)", policy.start_ma)]
    if policy.at_maximum is not None:
        starts.append(("The ramp after moving the pads starts (start_ma of at_maximum)", policy.at_maximum.start_ma))
    return problems + [
        f"{what} above 0 mA and at or below the maximum of {policy.maximum_ma:g} mA, not at {start:g} mA."
        for what, start in starts
        if not 0 < start <= policy.maximum_ma
    ]


def _dwell_problems(policy: RampPolicy) -> list[str]:
    if not 0 < policy.rate_ppm <= HIGHEST_PPM:
        return [f"The rate (rate_ppm) is above 0 and at most {HIGHEST_PPM:g} ppm, not {policy.rate_ppm:g}."]
    interval = 60 / policy.rate_ppm
    if (policy.dwell_s is None) == (policy.dwell_pulses is None):
        return ["The time at each setting is given either in seconds (dwell_s) or in pulses (dwell_pulses)."]
    if policy.dwell_pulses is not None and policy.dwell_pulses < 1:
        return [f"A setting lasts at least 1 pulse (dwell_pulses), not {policy.dwell_pulses}."]
    if policy.dwell_s is not None and policy.dwell_s < interval - 1e-9:
        return [
            (
                f"A setting of {policy.dwell_s:g} s (dwell_s) is shorter than the {interval:.2f} s between two pulses "
                f"at {policy.rate_ppm:g} ppm, so that some settings would deliver no pulse."
            )
        ]
    return []


def _time_problems(policy: RampPolicy) -> list[str]:
    problems = _dwell_problems(policy)
    if policy.hold_s < 0:
        problems.append(f"The time for which capture must be seen (hold_s) is at least 0 s, not {policy.hold_s:g}.")
    width = policy.pulse_width_ms
    if width is not None and not 0 < width <= LONGEST_PULSE_MS:
        problems.append(
            f"The pulse width (pulse_width_ms) lies above 0 and at or below {LONGEST_PULSE_MS:g} ms, the ceiling of "
            f"{DEVICE_CEILING_SOURCE}, not at {width:g} ms."
        )
    return problems


def _ending_problems(policy: RampPolicy) -> list[str]:
    problems = []
    if policy.margin.amount < 0:
        problems.append(f"A margin is at least 0, not {policy.margin.amount:g}.")
    if policy.at_maximum is not None and policy.at_maximum.seconds < 0:
        problems.append(
            f"Moving the pads takes at least 0 s (seconds of at_maximum), not {policy.at_maximum.seconds:g}."
        )
    return problems
