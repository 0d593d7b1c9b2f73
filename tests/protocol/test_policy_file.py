"""Files of ramp policies: what is read, what is said of mistakes, and that nothing but `PolicyError` comes out."""

from __future__ import annotations

import os
import pickle
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from capstat.protocol.policy import RampPolicy
from capstat.protocol.policy_file import (
    PolicyError,
    example_policies,
    example_policies_text,
    policy_text,
    read_policies,
)
from capstat.protocol.policy_parts import NO_MARGIN, Direction, Margin, MarginUnit, Reposition
from capstat.results import UsageError
from capstat.thresholds import CAPTURE_DEFINITIONS

PLAIN = {"name": '"Plain"', "start_ma": "40", "step_ma": "10", "maximum_ma": "140", "dwell_s": "5"}
MOVE = {"move_to": '"AP"', "seconds": "30", "start_ma": "40"}
KEYS = (
    "name, start_ma, step_ma, maximum_ma, dwell_s, dwell_pulses, rate_ppm, direction, step_down_ma, capture, hold_s, "
    "margin, resolution_ma, pulse_width_ms, at_maximum"
)
XOR = "The time at each setting is given either in seconds (dwell_s) or in pulses (dwell_pulses)."


def lines(keys: dict[str, str | None]) -> str:
    return "".join(f"{key} = {value}\n" for key, value in keys.items() if value is not None)


def text_of(move: dict[str, str | None] | None = None, **changes: str | None) -> str:
    """A plain policy with changed keys, ``None`` to leave one out."""
    return "[[policy]]\n" + lines({**PLAIN, **changes}) + ("[policy.at_maximum]\n" + lines(move) if move else "")


@pytest.fixture
def read(tmp_path: Path) -> Any:
    def reader(content: str | bytes) -> tuple[RampPolicy, ...]:
        file = tmp_path / "my.toml"
        file.write_bytes(content.encode() if isinstance(content, str) else content)
        return read_policies(file)

    return reader


@pytest.fixture
def problems(read: Any) -> Any:
    def reader(content: str | bytes) -> tuple[str, ...]:
        with pytest.raises(PolicyError) as caught:
            read(content)
        assert str(caught.value) == "\n".join(caught.value.problems)
        assert not any("\n" in sentence for sentence in caught.value.problems)
        return caught.value.problems

    return reader


def test_every_key(read: Any) -> None:
    whole = """
[[policy]]
name = "All of it"
start_ma = 40
step_ma = [[40, 10], [80, 2.5]]
maximum_ma = 150.5
dwell_pulses = 4
rate_ppm = 60
direction = "rising"
step_down_ma = 5
capture = "electrical"
hold_s = 2
margin = { percent = 10 }
resolution_ma = 0.5
pulse_width_ms = 40
[policy.at_maximum]
move_to = "AP"
seconds = 30
start_ma = 60
[[policy]]
name = "As little as can be"
start_ma = 40
step_ma = 5
maximum_ma = 140
dwell_s = 1
"""
    assert read(whole) == (
        RampPolicy(
            40.0,
            ((40.0, 10.0), (80.0, 2.5)),
            150.5,
            None,
            step_down_ma=5.0,
            dwell_pulses=4,
            rate_ppm=60.0,
            direction=Direction.RISING,
            capture="electrical",
            hold_s=2.0,
            margin=Margin(10.0, MarginUnit.PERCENT),
            resolution_ma=0.5,
            pulse_width_ms=40.0,
            at_maximum=Reposition("anterior-posterior", 30.0, 60.0),
            name="All of it",
        ),
        RampPolicy(40.0, 5.0, 140.0, 1.0, name="As little as can be"),
    )


def test_numbers_of_a_file_are_floats_and_pulses_whole(read: Any) -> None:
    (policy,) = read(text_of(dwell_s=None, dwell_pulses="4.0"))
    assert type(policy.start_ma) is float
    assert type(policy.dwell_pulses) is int


@pytest.mark.parametrize("direction", list(Direction))
def test_directions(read: Any, direction: Direction) -> None:
    assert read(text_of(direction=f'" {direction.value.upper()}"'))[0].direction is direction


@pytest.mark.parametrize("capture", [capture.name for capture in CAPTURE_DEFINITIONS])
def test_definitions_of_capture(read: Any, capture: str) -> None:
    assert read(text_of(capture=f'"{capture}"'))[0].capture == capture
    assert read(text_of(capture=f'"{capture.replace("-", " ").title()}"'))[0].capture == capture


@pytest.mark.parametrize("unit", list(MarginUnit))
def test_margins(read: Any, unit: MarginUnit) -> None:
    assert read(text_of(margin=f"{{ {unit.value} = 2 }}"))[0].margin == Margin(2.0, unit)


@pytest.mark.parametrize(
    ("written", "placement"),
    [("AL", "anterior-lateral"), ("front to back", "anterior-posterior"), ("Other", "other")],
)
def test_placements_have_their_usual_short_forms(read: Any, written: str, placement: str) -> None:
    (policy,) = read(text_of(MOVE | {"move_to": f'"{written}"'}))
    assert policy.at_maximum == Reposition(placement, 30.0, 40.0)


def test_line_ends_and_a_byte_order_mark_do_not_matter(read: Any) -> None:
    text = text_of(MOVE)
    assert read(b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode()) == read(text)


NUMBERS = {
    "start_ma": "a current in mA as a number without quotation marks, such as 40",
    "maximum_ma": "a current in mA as a number without quotation marks, such as 140",
    "dwell_s": "seconds as a number without quotation marks, such as 5",
    "dwell_pulses": "a count of whole pulses as a number without quotation marks, such as 4",
    "rate_ppm": "pulses per minute as a number without quotation marks, such as 70",
    "step_down_ma": "a step in mA as a number without quotation marks, such as 5",
    "hold_s": "seconds as a number without quotation marks, such as 10",
    "resolution_ma": "a change of current in mA as a number without quotation marks, such as 1",
    "pulse_width_ms": "milliseconds as a number without quotation marks, such as 40",
    "step_ma": "a step in mA as a number without quotation marks, such as 10, or pairs of a current and the step from "
    "there on, such as [[40, 10], [80, 5]]",
}
NO_NUMBERS = {
    '"40"': '"40"',
    "true": "true",
    "nan": "nan",
    "-inf": "-inf",
    "1e400": "inf",
    "0x" + "f" * 5000: "a number of more than 15 digits",
    "{ ma = 5 }": "{ ma = 5 }",
    "2026-11-26": "2026-11-26",
    '["40"]': '["40"]',
}


@pytest.mark.parametrize(("value", "shown"), NO_NUMBERS.items())
@pytest.mark.parametrize(("key", "takes"), NUMBERS.items())
def test_what_is_no_number(problems: Any, key: str, takes: str, value: str, shown: str) -> None:
    changes: dict[str, str | None] = {"dwell_s": None} if key == "dwell_pulses" else {}
    sentence = f'my.toml, policy "Plain", {key}: {shown} is not accepted; it takes {takes}.'
    assert problems(text_of(**changes | {key: value})) == (sentence,)


@pytest.mark.parametrize("value", ["[40, 10]", "[[40, 10], [80]]", "[[40, 10, 5]]", "[[40, true]]", '[["40", 5]]'])
def test_what_is_no_schedule(problems: Any, value: str) -> None:
    sentence = f'my.toml, policy "Plain", step_ma: {value} is not accepted; it takes {NUMBERS["step_ma"]}.'
    assert problems(text_of(step_ma=value)) == (sentence,)


def test_part_of_a_pulse(problems: Any) -> None:
    sentence = f'my.toml, policy "Plain", dwell_pulses: 4.5 is not accepted; it takes {NUMBERS["dwell_pulses"]}.'
    assert problems(text_of(dwell_s=None, dwell_pulses="4.5")) == (sentence,)


MARGIN = "exactly one of { percent = 10 }, { ma = 5 } and { steps = 1 }, with any number"
CAPTURE = '"mechanical", "electrical", "adjudicated" or "as-recorded"'


@pytest.mark.parametrize(
    ("key", "value", "shown", "takes"),
    [
        ("direction", '"up"', '"up"', '"rising", "falling" or "bisecting"'),
        ("direction", "1", "1", '"rising", "falling" or "bisecting"'),
        ("capture", '"pulse"', '"pulse"', CAPTURE),
        ("capture", "false", "false", CAPTURE),
        ("margin", "10", "10", MARGIN),
        ("margin", "{ }", "{  }", MARGIN),
        ("margin", "{ percent = 5, ma = 5 }", "{ percent = 5, ma = 5 }", MARGIN),
        ("margin", "{ percnt = 5 }", "{ percnt = 5 }", MARGIN),
        ("margin", "{ percent = true }", "{ percent = true }", MARGIN),
        ("margin", "{ percent = { a = 1 } }", "{ percent = { \u2026 } }", MARGIN),
        ("step_ma", "[[[[[[1]]]]]]", "[[\u2026]]", NUMBERS["step_ma"]),
        ("start_ma", f'"{"x" * 99}\\n"', f'"{"x" * 39}\u2026"', NUMBERS["start_ma"]),
    ],
)
def test_other_values_that_are_not_accepted(problems: Any, key: str, value: str, shown: str, takes: str) -> None:
    sentence = f'my.toml, policy "Plain", {key}: {shown} is not accepted; it takes {takes}.'
    assert problems(text_of(**{key: value})) == (sentence,)


@pytest.mark.parametrize("length", [1, 60])
def test_names(read: Any, length: int) -> None:
    assert read(text_of(name=f'"{"é" * length}"'))[0].name == "é" * length


@pytest.mark.parametrize(
    "value", ['""', '" Plain"', '"Plain "', '" "', f'"{"n" * 61}"', '"a\\nb"', '"a\\u202eb"', "5", "true", '["a"]']
)
def test_names_that_are_not_accepted(problems: Any, value: str) -> None:
    (sentence,) = problems(text_of(name=value))
    assert sentence.startswith("my.toml, policy 1, name: ")
    assert sentence.isprintable()
    assert sentence.endswith(
        "is not accepted; it takes a text of 1 to 60 printable characters in quotation marks, without a space at "
        "either end."
    )


@pytest.mark.parametrize("key", ["start_ma", "step_ma", "maximum_ma"])
def test_a_needed_key_that_is_missing(problems: Any, key: str) -> None:
    sentence = f'my.toml, policy "Plain": {key} is missing; it takes {NUMBERS[key]}.'
    assert problems(text_of(**{key: None})) == (sentence,)


def test_a_missing_name(problems: Any) -> None:
    (sentence,) = problems(text_of() + text_of(name=None))
    assert sentence.startswith("my.toml, policy 2: name is missing; it takes a text of 1 to 60 printable characters")


@pytest.mark.parametrize("changes", [{"dwell_s": None}, {"dwell_pulses": "4"}])
def test_one_dwell(problems: Any, changes: dict[str, str | None]) -> None:
    assert problems(text_of(**changes)) == (f'my.toml, policy "Plain": {XOR}',)


@pytest.mark.parametrize(
    ("key", "guess"),
    [
        ("max_ma", " (did you mean maximum_ma?)"),
        ("MARGIN", " (did you mean margin?)"),
        ("dwell", " (did you mean dwell_s?)"),
        ("qqq", ""),
        (f"{'z' * 70_000}", ""),
    ],
)
def test_a_key_that_is_not_known(problems: Any, key: str, guess: str) -> None:
    shown = key if len(key) < 40 else f"{'z' * 39}\u2026"
    sentence = f'my.toml, policy "Plain", {shown}: this key is not known{guess}; accepted: {KEYS}.'
    assert problems(text_of(**{key: "5"})) == (sentence,)


def test_a_key_of_the_policy_below_at_maximum(problems: Any) -> None:
    sentence = (
        'my.toml, policy "Plain", at_maximum, margin: this key is at the wrong place; it belongs to the policy, write it '
        "above [policy.at_maximum]."
    )
    assert problems(text_of(MOVE | {"margin": "{ ma = 5 }"})) == (sentence,)


def test_a_key_of_at_maximum_in_the_policy(problems: Any) -> None:
    sentence = (
        'my.toml, policy "Plain", move_to: this key is at the wrong place; write it below a line [policy.at_maximum].'
    )
    assert problems(text_of(move_to='"AP"')) == (sentence,)


def test_keys_outside_of_a_policy(problems: Any) -> None:
    assert problems("start_ma = 40\npolcy = 3\n" + text_of()) == (
        "my.toml, start_ma: this key is at the wrong place; write it below a line [[policy]].",
        "my.toml, polcy: this key is not known (did you mean policy?); accepted: policy.",
    )


MOVE_TO = 'a placement: "anterior-posterior", "anterior-lateral" or "other"'


@pytest.mark.parametrize(
    ("key", "value", "why"),
    [
        ("move_to", None, f": move_to is missing; it takes {MOVE_TO}."),
        ("seconds", None, ": seconds is missing; it takes seconds as a number without quotation marks, such as 30."),
        ("start_ma", None, f": start_ma is missing; it takes {NUMBERS['start_ma']}."),
        ("move_to", '"the feet"', f', move_to: "the feet" is not accepted; it takes {MOVE_TO}.'),
        ("move_to", '"unknown"', f', move_to: "unknown" is not accepted; it takes {MOVE_TO}.'),
        ("move_to", "1", f", move_to: 1 is not accepted; it takes {MOVE_TO}."),
        ("start_ma", "true", f", start_ma: true is not accepted; it takes {NUMBERS['start_ma']}."),
        (
            "second",
            "3",
            ", second: this key is not known (did you mean seconds?); accepted: move_to, seconds, start_ma.",
        ),
    ],
)
def test_mistakes_in_at_maximum(problems: Any, key: str, value: str | None, why: str) -> None:
    assert problems(text_of({**MOVE, key: value})) == (f'my.toml, policy "Plain", at_maximum{why}',)


def test_at_maximum_that_is_no_table(problems: Any) -> None:
    assert problems(text_of(at_maximum='"AP"')) == (
        'my.toml, policy "Plain", at_maximum: "AP" is not accepted; it takes move_to, seconds, start_ma below a line '
        "[policy.at_maximum].",
    )


def test_everything_is_said_at_once(problems: Any) -> None:
    first = text_of(MOVE | {"seconds": "-3"}, start_ma='"40"', maximum_ma="300", hold_s="-1", dwel="5")
    second = text_of(name='"Other"', step_ma="0", pulse_width_ms="60")
    found = problems(first + second)
    assert [sentence.removeprefix("my.toml, policy ") for sentence in found] == [
        f'"Plain", dwel: this key is not known (did you mean dwell_s?); accepted: {KEYS}.',
        f'"Plain", start_ma: "40" is not accepted; it takes {NUMBERS["start_ma"]}.',
        '"Plain": The maximum (maximum_ma) of 300 mA lies above 200 mA, the ceiling of US 21 CFR 870.5550.',
        '"Plain": The time for which capture must be seen (hold_s) is at least 0 s, not -1.',
        '"Plain": Moving the pads takes at least 0 s (seconds of at_maximum), not -3.',
        '"Other": A step (step_ma) is at least 0.1 mA, not 0.',
        '"Other": The pulse width (pulse_width_ms) lies above 0 and at or below 50 ms, the ceiling of US 21 CFR 870.5550, '
        "not at 60 ms.",
    ]


@pytest.mark.parametrize(
    ("changes", "about"),
    [
        ({"maximum_ma": None, "start_ma": "250"}, "maximum_ma"),  # no maximum, so none is compared with
        ({"start_ma": "true", "maximum_ma": "0.5"}, "start_ma"),
        ({"start_ma": None, "maximum_ma": "0.5"}, "start_ma"),
        ({"rate_ppm": "true", "dwell_s": "0.1"}, "rate_ppm"),
        ({"dwell_s": "true", "rate_ppm": "0.01"}, "dwell_s"),
        ({"direction": '"down"', "step_down_ma": "5"}, "direction"),
    ],
)
def test_nothing_is_made_up_about_a_key_that_cannot_be_read(
    problems: Any, changes: dict[str, str | None], about: str
) -> None:
    (sentence,) = problems(text_of(**changes))
    assert f" {about} is missing" in sentence or f", {about}: " in sentence


def test_two_policies_of_one_name(problems: Any) -> None:
    assert problems(text_of() + text_of(start_ma="0") + text_of(name='"plain"')) == (
        'my.toml, policy 2, name: "Plain" is the name of policy 1 too; every policy has its own.',
        "my.toml, policy 2: The ramp starts (start_ma) above 0 mA and at or below the maximum of 140 mA, not at 0 mA.",
    )


@pytest.mark.parametrize("content", ["", "\n", "# nothing\n", "policy = []\n", b"\xef\xbb\xbf"])
def test_no_policy(problems: Any, content: str | bytes) -> None:
    assert problems(content) == ("my.toml holds no policy; a policy begins with a line [[policy]].",)


def test_single_brackets(problems: Any) -> None:
    assert problems(text_of(start_ma="0").replace("[[policy]]", "[policy]")) == (
        "my.toml: a policy begins with a line [[policy]], with two brackets on each side.",
        'my.toml, policy "Plain": The ramp starts (start_ma) above 0 mA and at or below the maximum of 140 mA, not at 0 '
        "mA.",
    )


def test_policies_that_are_no_tables(problems: Any) -> None:
    assert problems("policy = 3") == ("my.toml, policy: 3 is not accepted; a policy begins with a line [[policy]].",)
    assert problems("policy = [3]") == ("my.toml, policy 1: 3 is not accepted; it takes keys with values.",)


@pytest.mark.parametrize(
    ("content", "told"),
    [
        ("name = My policy", ['line 2, is not valid TOML: "name = My policy"; put text into straight quotation marks.']),
        ("start_ma = 40 mA", ['line 2, is not valid TOML: "start_ma = 40 mA"; write the number without its unit.']),
        (
            "step_ma = 2,5\nmargin = 10 %",
            [
                'line 2, is not valid TOML: "step_ma = 2,5"; write a decimal point, such as 2.5, in place of the comma.',
                'line 3, is not valid TOML: "margin = 10 %"; write { percent = 10 }, { ma = 5 } or { steps = 1 }.',
            ],
        ),
        ("name = \u201cx\u201d", ["type straight quotation marks"]),
        ("start_ma = 40\nstart_ma = 50", ['line 3, is not valid TOML: "start_ma = 50"; no setting and no heading stands twice.']),
        ('name = "x', ["line 2, is not valid TOML"]),
        ("step_ma = [[40, 5]", ["is not valid TOML: brackets are closed"]),
    ],
)  # fmt: skip
def test_every_line_that_is_no_toml_with_its_remedy(problems: Any, content: str, told: list[str]) -> None:
    found = problems(f"[[policy]]\n{content}\n")
    assert len(found) == len(told)
    for sentence, words in zip(found, told, strict=True):
        assert sentence.startswith("my.toml")
        assert words in sentence


@pytest.mark.parametrize(
    "content",
    [
        "patient_id,placement\nSecretword,A/P\n", "Secretword = 1\nSecretword = 2\n", "Secretword = Secretword\n",
        "a = " + "9" * 5000, "a = " + "[" * 5000, "\n".join(f"{k};Secretword" for k in range(100)),
    ],
)  # fmt: skip
def test_lines_of_another_kind_of_file_are_not_repeated(problems: Any, content: str) -> None:
    """Somebody may name a spreadsheet of patients by mistake."""
    found = problems(content)
    assert 1 <= len(found) <= 21
    for sentence in found:
        assert "is not valid TOML" in sentence or "more lines" in sentence
        assert "Secretword" not in sentence


def test_what_is_no_text(problems: Any) -> None:
    assert problems(b"name = '\xff'") == ("my.toml is not UTF-8 text; save it as plain text in UTF-8.",)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    for path, why in (
        (tmp_path / "no.toml", "does not exist"),
        (tmp_path, "is a folder"),
        (tmp_path / ("n" * 5000), "cannot be read (File name too long)"),
        ("a\0b", "cannot be read (unusable path)"),
    ):
        with pytest.raises(PolicyError, match="file of policies") as caught:
            read_policies(path)
        (sentence,) = caught.value.problems
        assert sentence.endswith(f" {why}; name a TOML file.")
        assert sentence.isprintable()


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.toml")
    with pytest.raises(PolicyError, match="is not an ordinary file"):
        read_policies(tmp_path / "pipe.toml")


def test_the_error_is_a_usage_error_and_survives_pickling() -> None:
    error = pickle.loads(pickle.dumps(PolicyError(["One.", "Two."])))  # noqa: S301
    assert isinstance(error, UsageError)
    assert (error.problems, str(error)) == (("One.", "Two."), "One.\nTwo.")


# --- writing -------------------------------------------------------------------------------------------------------

names = st.text(st.characters(exclude_categories=("C", "Z")) | st.just(" "), min_size=1, max_size=60).filter(
    lambda name: name == name.strip() and name.isprintable()
)
small = st.floats(0.1, 50) | st.integers(1, 50).map(float)
amounts = st.floats(0, 1e6)
schedules = st.lists(st.tuples(st.floats(-1e3, 1e3), small), min_size=1, max_size=4, unique_by=lambda pair: pair[0])


@st.composite
def ramp_policies(draw: st.DrawFn) -> RampPolicy:
    direction = draw(st.sampled_from(Direction))
    start, again = draw(small), draw(small)
    by_pulses = draw(st.booleans())
    return RampPolicy(
        start,
        draw(small | schedules.map(lambda pairs: tuple(sorted(pairs)))),
        draw(st.floats(50, 200)),
        None if by_pulses else draw(st.floats(60, 1e12)),
        dwell_pulses=draw(st.integers(1, 1000)) if by_pulses else None,
        rate_ppm=draw(st.floats(1, 400)),
        direction=direction,
        step_down_ma=draw(st.none() | small) if direction is Direction.RISING else None,
        capture=draw(st.sampled_from([None, *(capture.name for capture in CAPTURE_DEFINITIONS)])),
        hold_s=draw(amounts),
        margin=draw(st.just(NO_MARGIN) | st.builds(Margin, amounts, st.sampled_from(MarginUnit))),
        resolution_ma=draw(small),
        pulse_width_ms=draw(st.none() | small),
        at_maximum=draw(
            st.none()
            | st.builds(
                Reposition,
                st.sampled_from(["anterior-posterior", "anterior-lateral", "other"]),
                amounts,
                st.just(again),
            )
        ),
        name=draw(names),
    )


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(policies=st.lists(ramp_policies(), min_size=1, max_size=3, unique_by=lambda policy: policy.name))
def test_written_and_read_again(read: Any, policies: list[RampPolicy]) -> None:
    assert read(policy_text(policies)) == tuple(policies)


@pytest.mark.parametrize("name", ['"', "\\", "'''", '"""', "# no comment", "[x]", "=1+1", "\U0001f600"])
def test_marks_in_a_name(read: Any, name: str) -> None:
    policy = RampPolicy(40.0, 5.0, 140.0, 5.0, name=name)
    assert read(policy_text([policy])) == (policy,)


@pytest.mark.parametrize(
    ("policies", "why"),
    [
        ([], "policies holds no policy"),
        ([RampPolicy(40.0, 5.0, 140.0, 5.0, name="a\x7fb")], "policies, policy 1, name: "),
        ([RampPolicy(40.0, 5.0, 140.0, 5.0, name="a\ud800b")], "policies, policy 1, name: "),
        ([RampPolicy(40.0, 5.0, 140.0, 5.0, name="n" * 61)], "policies, policy 1, name: "),
        ([RampPolicy(40.0, 5.0, 140.0, 5.0)] * 2, "policies, policy 2, name: "),
        ([RampPolicy(40.0, 5.0, 140.0, 5.0, capture="twitch")], 'policies, policy "ramp", capture: '),
        (
            [RampPolicy(40.0, 5.0, 140.0, 5.0, at_maximum=Reposition("feet", 30.0, 40.0))],
            'policies, policy "ramp", at_maximum, move_to: ',
        ),
    ],
)
def test_what_a_file_cannot_hold_is_not_written(policies: list[RampPolicy], why: str) -> None:
    with pytest.raises(PolicyError) as caught:
        policy_text(policies)
    (sentence,) = caught.value.problems
    assert sentence.startswith(why)


# --- the shipped examples -------------------------------------------------------------------------------------------


def test_the_shipped_examples(read: Any) -> None:
    text = example_policies_text()  # the resource is found
    policies = example_policies()
    assert read(text) == policies
    assert read(policy_text(policies)) == policies
    one_more, tenth, coarse, down, halving, moved, published = policies
    assert one_more.rising_settings() == tuple(range(40, 141, 10))
    assert (one_more.dwell_s, one_more.margin) == (5, Margin(1, MarginUnit.STEPS))
    assert (tenth.step_ma, tenth.dwell_s, tenth.margin) == (5, 2, Margin(10, MarginUnit.PERCENT))
    assert coarse.rising_settings() == (40, 60, 80, 100, 110, 120, 130, 140)
    assert (coarse.step_down_ma, coarse.margin) == (5, Margin(5, MarginUnit.MILLIAMPERE))
    assert (down.direction, down.start_ma, down.step_ma) == (Direction.FALLING, down.maximum_ma, 10)
    assert down.margin == Margin(10, MarginUnit.PERCENT)
    assert (halving.direction, halving.margin) == (Direction.BISECTING, Margin(5, MarginUnit.MILLIAMPERE))
    assert moved.at_maximum == Reposition("anterior-posterior", 30, 40)
    assert (published.start_ma, published.step_ma, published.maximum_ma) == (40, 5, 140)
    assert (published.dwell_s, published.rate_ppm) == (1, 80)
    assert published.hold_s == 0


def test_the_shipped_examples_explain_themselves() -> None:
    head = example_policies_text().split("\n[[policy]]")[0]
    for key in (*KEYS.split(", "), *MOVE):
        assert f"#   {key} " in head or f"[policy.{key}]" in head
    for words in ("common practice, no source", "recommendation", "local protocol", "instructions of the device"):
        assert words in head
    assert "The rate of 80 is" in example_policies_text()


def test_the_line_that_is_offered_in_the_examples_can_be_used(read: Any) -> None:
    *_, published = read(example_policies_text().replace("# hold_s = 10", "hold_s = 10"))
    assert published.hold_s == 10


# --- anything at all -------------------------------------------------------------------------------------------------


def only_policy_errors(read: Any, content: str | bytes) -> None:
    try:
        read(content)
    except PolicyError as problem:
        sentences = problem.problems
    else:
        return
    assert sentences
    assert all(sentence.isprintable() for sentence in sentences)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(content=st.binary() | st.text().map(lambda text: text.encode("utf-8", "surrogatepass")))
@example(content=b'[[policy]]\nname = "a"\n\x00')
@example(content=b"policy = [[[[]]]]")
def test_any_bytes(read: Any, content: bytes) -> None:
    only_policy_errors(read, content)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(data=st.data())
def test_damaged_examples(read: Any, data: st.DataObject) -> None:
    content = bytearray(policy_text(example_policies()).encode())
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(content) - 1))
        content[at : at + data.draw(st.integers(0, 8))] = data.draw(st.binary(max_size=3))
    only_policy_errors(read, bytes(content))


quoted = st.text(st.characters(exclude_categories=("Cc", "Cs"), exclude_characters="'")).map(lambda text: f"'{text}'")
atoms = st.one_of(
    quoted,
    st.sampled_from(
        ["true", "false", "nan", "inf", "-inf", "0", "-0.0", "1e308", "1e-320", "-1", "2026-11-26", "07:00:00"]
    ),
    st.sampled_from(
        ["'AP'", "'unknown'", "'rising'", "'falling'", "'mechanical'", "[[40, 10], [80, 5]]", "{ percent = 10 }"]
    ),
    st.integers(-(10**3), 10**3).map(str),
    st.integers(-(10**400), 10**400).map(str),
    st.integers(0, 2**20_000).map(hex),
    st.floats().map(repr),
)
values = st.recursive(
    atoms,
    lambda inner: st.one_of(
        st.lists(inner, max_size=3).map(lambda parts: f"[{', '.join(parts)}]"),
        st.dictionaries(st.sampled_from(["percent", "ma", "steps", "'x y'"]), inner, max_size=3).map(
            lambda parts: "{ " + ", ".join(f"{key} = {value}" for key, value in parts.items()) + " }"
        ),
    ),
    max_leaves=6,
)
keys = st.sampled_from([*KEYS.split(", "), "move_to", "seconds", "'\u202e'", "''", "policy", "dwell"])
tables = st.dictionaries(keys, values, max_size=8)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow], deadline=None)
@given(
    parts=st.lists(
        st.tuples(
            st.sampled_from(["[[policy]]", "[policy]", "[policy.at_maximum]", "[[policy.at_maximum]]", ""]), tables
        ),
        max_size=4,
    ),
    plain=st.booleans(),
)
def test_anything_that_looks_like_a_file_of_policies(
    read: Any, parts: list[tuple[str, dict[str, str]]], plain: bool
) -> None:
    content = []
    for head, table in parts:
        filled: dict[str, str | None] = {**PLAIN, **table} if plain and head == "[[policy]]" else {**table}
        content.append(f"{head}\n{lines(filled)}")
    only_policy_errors(read, "".join(content))
