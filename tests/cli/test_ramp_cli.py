"""capstat ramp: its answer, its template, its refusals."""

from __future__ import annotations

import json

import pytest

from capstat.cli.main import EXIT_FINDINGS, EXIT_FINE, EXIT_USAGE, main
from capstat.protocol.policy_file import example_policies, policy_text, read_policies

QUICK = ["--draws", "50"]
ONE = """[[policy]]
name = "mine"
start_ma = 40
step_ma = 10
maximum_ma = 140
dwell_s = 5
margin = { percent = 10 }
"""


@pytest.fixture
def policy(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(ONE, encoding="utf-8")
    return str(path)


def test_answer_of_one_policy(shipped, policy, capsys):
    assert main(["ramp", str(shipped / "crossover"), "--policy", policy, *QUICK]) == EXIT_FINE
    out = capsys.readouterr().out
    assert out.startswith("SYNTHETIC DATA")
    for words in (
        "If this policy met thresholds as with anterior-posterior pads in this study (39 patients)",
        "'mine':", "pulses above 70 mA", "Nothing here is a recommendation", "ASSUMED drift",
        "No capture so far: more current, or other pads?", "Not a medical device",
    ):  # fmt: skip
        assert words in " ".join(out.split()), words
    # policies are compared where there are several
    assert "Policies beside each other" not in out


def test_json_holds_every_table(shipped, policy, capsys):
    assert main(["ramp", str(shipped / "crossover"), "--policy", policy, "--json", *QUICK]) == EXIT_FINE
    found = json.loads(capsys.readouterr().out)
    assert {"ramp_policies", "ramp_consequences", "ramp_margins", "ramp_own_margins", "ramp_reposition"} <= set(found)
    quantities = {row["quantity"] for row in found["ramp_consequences"]}
    assert {"share not captured at the end", "mean time without output"} <= quantities
    for row in found["ramp_consequences"]:
        assert row["value"] is not None or row["reason"]


def test_same_seed_same_answer(shipped, policy, capsys):
    command = ["ramp", str(shipped / "crossover"), "--policy", policy, *QUICK, "--seed", "7"]
    main(command)
    first = capsys.readouterr().out
    main(command)
    assert capsys.readouterr().out == first
    main([*command[:-1], "8"])
    assert capsys.readouterr().out != first


def test_misjudgement_weights_and_groups(shipped, policy, capsys):
    arguments = [
        "ramp", str(shipped / "registry"), "--policy", policy, "--specificity", "97", "--sensitivity", "95", "--by",
        "conscious", "--weights", "1,0.5,300", "--discomfort", "60", "--higher", "10", *QUICK,
    ]  # fmt: skip
    assert main(arguments) == EXIT_FINE
    out = " ".join(capsys.readouterr().out.split())
    assert "stop at a false capture" in out
    assert "consciousness 'yes'" in out
    assert "pulses above 60 mA" in out


def test_template_is_the_examples_and_replaces_nothing(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main(["ramp", "--template"]) == EXIT_FINE
    path = tmp_path / "ramp-policies.toml"
    assert read_policies(path) == example_policies()
    path.write_text(policy_text(example_policies()[:1]), encoding="utf-8")
    before = path.read_bytes()
    assert main(["ramp", "--template"]) == EXIT_USAGE
    assert "already; choose another name" in capsys.readouterr().err
    assert path.read_bytes() == before
    assert [entry.name for entry in tmp_path.iterdir()] == ["ramp-policies.toml"]
    assert main(["ramp", "--template", str(tmp_path / "nowhere" / "x.toml")]) == EXIT_USAGE
    assert "cannot be made" in capsys.readouterr().err


def test_every_problem_of_every_file_at_once(tmp_path, capsys):
    one, other = tmp_path / "one.toml", tmp_path / "other.toml"
    one.write_text(ONE.replace("step_ma = 10", "step_ma = 0").replace("dwell_s", "dwel_s"), encoding="utf-8")
    other.write_text(ONE.replace("140", "240").replace("start_ma = 40", "start_ma = 250"), encoding="utf-8")
    assert main(["ramp", "no-such-study", "--policy", str(one), "--policy", str(other)]) == EXIT_USAGE
    err = capsys.readouterr().err
    for words in ("one.toml", "dwel_s", "other.toml", "US 21 CFR 870.5550", "not at 250 mA"):
        assert words in err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([], "needs a study, or --template"),
        (["STUDY", "--by", "nothing"], "no column 'nothing'"),
        (["STUDY", "--policy", "missing.toml"], "missing.toml"),
        (["STUDY", "--sensitivity", "40", "--specificity", "50"], "no better than chance"),
    ],
)
def test_refused_in_one_sentence(arguments, words, shipped, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    given = [str(shipped / "crossover") if word == "STUDY" else word for word in arguments]
    assert main(["ramp", *given, *QUICK]) == EXIT_USAGE
    err = capsys.readouterr().err.strip().splitlines()[-1]
    assert words in err


@pytest.mark.parametrize(
    ("option", "value"),
    [("--discomfort", "300"), ("--weights", "1,2"), ("--weights", "0,0,0"), ("--higher", "900"), ("--correlation", "1"),
     ("--move-seconds", "-1"), ("--draws", "3"), ("--specificity", "0.97")],
)  # fmt: skip
def test_numbers_out_of_range_are_refused(option, value, shipped, capsys):
    with pytest.raises(SystemExit) as stop:
        main(["ramp", str(shipped / "crossover"), f"{option}={value}"])
    assert stop.value.code == EXIT_USAGE
    assert "is not" in capsys.readouterr().err


def test_capture_that_was_not_recorded(shipped, tmp_path, capsys):
    path = tmp_path / "electrical.toml"
    path.write_text(ONE + 'capture = "electrical"\n', encoding="utf-8")
    assert main(["ramp", str(shipped / "crossover"), "--policy", str(path), *QUICK]) == EXIT_FINDINGS
    assert "electrical capture, which a policy looks for" in capsys.readouterr().err


def test_small_groups_are_hidden_on_request(shipped, policy, capsys):
    command = ["ramp", str(shipped / "crossover"), "--policy", policy, "--suppress-below", "39", *QUICK]
    assert main(command) == EXIT_FINE
    out = " ".join(capsys.readouterr().out.split())
    assert "The same without a model" not in out
    command[command.index("39")] = "45"
    assert main(command) == EXIT_FINDINGS
    assert "suppressed as requested" in capsys.readouterr().err
