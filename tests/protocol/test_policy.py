"""What a ramp policy does by itself: its settings, its time at each, its margin, and what it refuses."""

from __future__ import annotations

import dataclasses
import math
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capstat.protocol.policy import RampPolicy
from capstat.protocol.policy_parts import NO_MARGIN, Direction, Margin, MarginUnit, Reposition
from capstat.results import UsageError

BASE = RampPolicy(40.0, 5.0, 140.0, 5.0)
CEILING = "the ceiling of US 21 CFR 870.5550"


def percent(amount: float) -> Margin:
    return Margin(amount, MarginUnit.PERCENT)


def refused(**changes: Any) -> str:
    with pytest.raises(UsageError) as caught:
        dataclasses.replace(BASE, **changes)
    return str(caught.value)


@pytest.mark.parametrize(
    ("start", "step", "maximum", "settings"),
    [
        (40, 5, 60, (40, 45, 50, 55, 60)),
        (50, 40, 140, (50, 90, 130, 140)),  # the maximum is always the last
        (140, 5, 140, (140,)),
        (40, 200, 140, (40, 140)),
        (1, 0.1, 1.5, (1, 1.1, 1.2, 1.3, 1.4, 1.5)),  # no 1.4999999 beside 1.5
        (40, ((40, 20), (100, 10)), 140, (40, 60, 80, 100, 110, 120, 130, 140)),
        (40, ((40, 20), (90, 10)), 130, (40, 60, 80, 100, 110, 120, 130)),  # 80 lies below 90, so 20 more
        (20, ((40, 20), (80, 5)), 95, (20, 40, 60, 80, 85, 90, 95)),  # the first pair holds below it too
    ],
)
def test_settings(start: float, step: Any, maximum: float, settings: tuple[float, ...]) -> None:
    assert RampPolicy(start, step, maximum, 5.0).rising_settings() == settings


def test_settings_from_a_current_on() -> None:
    policy = RampPolicy(40.0, 30.0, 140.0, 5.0)
    assert policy.settings_above(75.0) == (75, 105, 135, 140)
    assert policy.settings_above(140.0) == (140,)


@pytest.mark.parametrize(("current", "step"), [(10, 20), (40, 20), (99.9, 20), (100, 10), (100 - 1e-9, 10), (180, 10)])
def test_a_schedule_holds_from_its_currents_on(current: float, step: float) -> None:
    assert RampPolicy(40.0, ((40.0, 20.0), (100.0, 10.0)), 200.0, 5.0).step_at(current) == step


@pytest.mark.parametrize(
    ("margin", "resolution", "found", "left_on"),
    [
        (NO_MARGIN, 1, 52.5, 52.5),
        (percent(10), 1, 50, 55),
        (percent(10), 1, 65, 72),  # 6.5, rounded up to 7
        (percent(10), 0.5, 65, 71.5),
        (percent(10), 5, 50, 55),
        (percent(10), 5, 65, 75),
        (percent(20), 1, 50, 60),
        (percent(7), 0.1, 70, 74.9),  # 4.9 is a little more than 49 tenths to a computer, and must not become 5.0
        (percent(10), 1, 135, 140),  # 149 without the maximum
        (Margin(5, MarginUnit.MILLIAMPERE), 1, 65, 70),
        (Margin(2.5, MarginUnit.MILLIAMPERE), 1, 65, 68),
        (Margin(5, MarginUnit.MILLIAMPERE), 10, 60, 70),
        (Margin(1, MarginUnit.STEPS), 1, 60, 80),  # steps of 20 below 100 mA
        (Margin(2, MarginUnit.STEPS), 1, 100, 120),  # and of 10 from there on
        (Margin(2, MarginUnit.STEPS), 1, 130, 140),
    ],
)
def test_margin(margin: Margin, resolution: float, found: float, left_on: float) -> None:
    policy = RampPolicy(40.0, ((40.0, 20.0), (100.0, 10.0)), 140.0, 5.0, margin=margin, resolution_ma=resolution)
    assert policy.with_margin(found) == left_on


@pytest.mark.parametrize(
    ("margin", "words"),
    [
        (NO_MARGIN, "no margin"),
        (percent(0), "no margin"),
        (percent(10), "10 %"),
        (Margin(5, MarginUnit.MILLIAMPERE), "5 mA"),
        (Margin(1, MarginUnit.STEPS), "1 step"),
        (Margin(2, MarginUnit.STEPS), "2 steps"),
    ],
)
def test_margin_in_words(margin: Margin, words: str) -> None:
    assert margin.words == words


def test_pulses_take_longer_at_a_quarter_of_the_rate() -> None:
    # A key that slows the pacing to a quarter, to see the rhythm beneath: 60 ppm become 15 (common practice, no source).
    def seconds(rate: float) -> float:
        return RampPolicy(40.0, 5.0, 140.0, None, dwell_pulses=4, rate_ppm=rate).seconds_per_step

    assert (seconds(60.0), seconds(60.0 / 4)) == (4.0, 16.0)


def test_seconds_at_a_setting_do_not_depend_on_the_rate() -> None:
    assert {dataclasses.replace(BASE, rate_ppm=rate).seconds_per_step for rate in (60.0, 90.0)} == {5.0}


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"step_ma": ()}, "A schedule of steps (step_ma) has at least one pair: from this current on, this step."),
        ({"step_ma": 0.05}, "A step (step_ma) is at least 0.1 mA, not 0.05."),
        ({"step_ma": -5.0}, "A step (step_ma) is at least 0.1 mA, not -5."),
        ({"step_ma": ((40.0, 5.0), (80.0, 0.0))}, "A step (step_ma) is at least 0.1 mA, not 0."),
        ({"step_down_ma": 0.0}, "The step down after capture (step_down_ma) is at least 0.1 mA, not 0."),
        ({"resolution_ma": 0.0}, "The smallest change of current (resolution_ma) is at least 0.1 mA, not 0."),
        (
            {"step_ma": ((80.0, 5.0), (40.0, 10.0))},
            "The currents of a schedule of steps (step_ma) rise from pair to pair.",
        ),
        (
            {"step_ma": ((40.0, 5.0), (40.0, 10.0))},
            "The currents of a schedule of steps (step_ma) rise from pair to pair.",
        ),
        (
            {"step_down_ma": 5.0, "direction": Direction.FALLING},
            "Only a rising ramp takes step_down_ma, a falling one does not.",
        ),
        (
            {"step_down_ma": 5.0, "direction": Direction.BISECTING},
            "Only a rising ramp takes step_down_ma, a bisecting one does not.",
        ),
        ({"maximum_ma": -5}, "The maximum (maximum_ma) lies above 0 mA, not at -5 mA."),
        ({"maximum_ma": 200.5}, f"The maximum (maximum_ma) of 200.5 mA lies above 200 mA, {CEILING}."),
        (
            {"start_ma": 0.0},
            "The ramp starts (start_ma) above 0 mA and at or below the maximum of 140 mA, not at 0 mA.",
        ),
        (
            {"start_ma": 145.0},
            "The ramp starts (start_ma) above 0 mA and at or below the maximum of 140 mA, not at 145 mA.",
        ),
        (
            {"at_maximum": Reposition("other", 30.0, 0.0)},
            "The ramp after moving the pads starts (start_ma of at_maximum) above 0 mA and at or below the maximum of "
            "140 mA, not at 0 mA.",
        ),
        (
            {"at_maximum": Reposition("other", 30.0, 145.0)},
            "The ramp after moving the pads starts (start_ma of at_maximum) above 0 mA and at or below the maximum of "
            "140 mA, not at 145 mA.",
        ),
        ({"rate_ppm": 0.0}, "The rate (rate_ppm) is above 0 and at most 400 ppm, not 0."),
        ({"rate_ppm": 400.5}, "The rate (rate_ppm) is above 0 and at most 400 ppm, not 400.5."),
        (
            {"dwell_s": None},
            "The time at each setting is given either in seconds (dwell_s) or in pulses (dwell_pulses).",
        ),
        (
            {"dwell_pulses": 4},
            "The time at each setting is given either in seconds (dwell_s) or in pulses (dwell_pulses).",
        ),
        ({"dwell_s": None, "dwell_pulses": 0}, "A setting lasts at least 1 pulse (dwell_pulses), not 0."),
        (
            {"dwell_s": 0.99, "rate_ppm": 60.0},
            "A setting of 0.99 s (dwell_s) is shorter than the 1.00 s between two pulses at 60 ppm, so that some "
            "settings would deliver no pulse.",
        ),
        ({"hold_s": -1.0}, "The time for which capture must be seen (hold_s) is at least 0 s, not -1."),
        (
            {"pulse_width_ms": 0.0},
            f"The pulse width (pulse_width_ms) lies above 0 and at or below 50 ms, {CEILING}, not at 0 ms.",
        ),
        (
            {"pulse_width_ms": 50.5},
            f"The pulse width (pulse_width_ms) lies above 0 and at or below 50 ms, {CEILING}, not at 50.5 ms.",
        ),
        ({"margin": percent(-10.0)}, "A margin is at least 0, not -10."),
        (
            {"at_maximum": Reposition("other", -1.0, 40.0)},
            "Moving the pads takes at least 0 s (seconds of at_maximum), not -1.",
        ),
    ],
)
def test_a_ramp_that_cannot_be_run(changes: dict[str, Any], sentence: str) -> None:
    assert refused(**changes) == sentence


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
@pytest.mark.parametrize(
    ("named", "field", "make"),
    [
        *(
            (name, name, lambda value: value)
            for name in (
                "start_ma", "step_ma", "maximum_ma", "dwell_s", "step_down_ma", "rate_ppm", "hold_s", "resolution_ma",
                "pulse_width_ms",
            )
        ),
        ("step_ma", "step_ma", lambda value: ((value, 5.0),)),
        ("step_ma", "step_ma", lambda value: ((40.0, value),)),
        ("margin", "margin", percent),
        ("seconds of at_maximum", "at_maximum", lambda value: Reposition("other", value, 40.0)),
        ("start_ma of at_maximum", "at_maximum", lambda value: Reposition("other", 30.0, value)),
    ],
)  # fmt: skip
def test_numbers_are_finite(named: str, field: str, make: Any, value: float) -> None:
    assert refused(**{field: make(value)}) == f"{named} is a finite number, not {value:g}."


def test_every_reason_is_given_at_once() -> None:
    message = refused(step_ma=0.0, maximum_ma=250.0, hold_s=-1.0, margin=percent(-5.0), pulse_width_ms=60.0)
    for key in ("step_ma", "maximum_ma", "hold_s", "margin", "pulse_width_ms"):
        assert key in message
    assert message.count(CEILING) == 2


@pytest.mark.parametrize(
    "changes",
    [
        {"maximum_ma": 200.0},
        {"start_ma": 140.0},
        {"start_ma": 0.1},
        {"step_ma": 0.1, "step_down_ma": 0.1, "resolution_ma": 0.1},
        {"rate_ppm": 400.0},
        {"dwell_s": 1.0, "rate_ppm": 60.0},
        {"dwell_s": 60 / 70, "rate_ppm": 70.0},
        {"dwell_s": None, "dwell_pulses": 1},
        {"pulse_width_ms": 50.0},
        {"hold_s": 0.0, "margin": percent(0.0)},
        {"at_maximum": Reposition("other", 0.0, 140.0)},
    ],
)
def test_the_limits_themselves_are_accepted(changes: dict[str, Any]) -> None:
    policy = dataclasses.replace(BASE, **changes)
    assert all(getattr(policy, name) == value for name, value in changes.items())


steps = st.integers(1, 500).map(lambda tenths: tenths / 10)
schedules = st.lists(st.tuples(st.integers(0, 200).map(float), steps), min_size=1, unique_by=lambda pair: pair[0])
policies = st.builds(
    lambda start, step, above, margin, resolution: RampPolicy(
        start, step, min(start + above, 200.0), 5.0, margin=margin, resolution_ma=resolution
    ),
    st.integers(1, 200).map(float),
    st.one_of(steps, schedules.map(lambda pairs: tuple(sorted(pairs)))),
    st.integers(0, 199).map(float),
    st.builds(Margin, st.integers(0, 500).map(lambda tenths: tenths / 10), st.sampled_from(MarginUnit)),
    st.sampled_from([0.1, 0.5, 1.0, 5.0]),
)


@given(policies)
def test_settings_rise_by_the_step_and_end_at_the_maximum(policy: RampPolicy) -> None:
    settings = policy.rising_settings()
    assert settings[0] == policy.start_ma
    assert settings[-1] == policy.maximum_ma
    for lower, upper in pairwise(settings):
        assert 0 < upper - lower <= policy.step_at(lower) + 1e-6
    for lower, upper in pairwise(settings[:-1]):
        assert upper - lower == pytest.approx(policy.step_at(lower), abs=2e-6)


@given(policies, st.data())
def test_a_margin_is_never_less_than_asked_for_nor_a_resolution_more(policy: RampPolicy, data: st.DataObject) -> None:
    found = data.draw(st.sampled_from(policy.rising_settings()))
    added = policy.with_margin(found) - found
    asked = {
        MarginUnit.PERCENT: found * policy.margin.amount / 100,
        MarginUnit.MILLIAMPERE: policy.margin.amount,
        MarginUnit.STEPS: policy.step_at(found) * policy.margin.amount,
    }[policy.margin.unit]
    room = policy.maximum_ma - found
    assert min(asked, room) - 1e-5 <= added <= min(asked + policy.resolution_ma, room) + 1e-5
