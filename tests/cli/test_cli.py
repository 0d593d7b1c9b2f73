"""Every verb: its answer, its exit status, and what it says when used wrongly."""

from __future__ import annotations

import json
import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from capstat.cli.main import EXIT_FINDINGS, EXIT_FINE, EXIT_USAGE, VERBS, main

QUICK = ["--replicates", "100"]


@pytest.fixture
def small(tmp_path) -> Path:
    path = tmp_path / "attempts.csv"
    path.write_text(
        "patient_id,placement,highest_no_capture_ma,lowest_capture_ma,max_output_ma\n"
        "P01,A/P,60,65,140\nP02,A/L,90,95,140\nP03,A/L,140,,140\nP04,A/P,,40,140\nP05,A/P,70,75,140\nP06,A/L,80,85,140\n",
        encoding="utf-8",
    )
    return path


@pytest.mark.parametrize("verb", VERBS)
def test_every_verb_has_help(verb, capsys):
    with pytest.raises(SystemExit) as stop:
        main([verb, "--help"])
    assert stop.value.code == 0
    assert "usage: capstat " + verb in capsys.readouterr().out


def test_check(small, capsys, tmp_path):
    assert main(["check", str(small)]) == EXIT_FINE
    assert "6 attempts; 6 patients" in capsys.readouterr().out
    bad = tmp_path / "bad.csv"
    bad.write_text(
        "patient_id,placement,highest_no_capture_ma,lowest_capture_ma,max_output_ma\nP01,A/P,70,65,140\nP02,side,60,65,900\n",
        encoding="utf-8",
    )
    assert main(["check", str(bad)]) == EXIT_FINDINGS
    out = capsys.readouterr().out
    assert "row 2" in out
    assert "row 3" in out
    assert main(["check", str(bad), "--json"]) == EXIT_FINDINGS
    result = json.loads(capsys.readouterr().out)
    assert {finding["row"] for finding in result["findings"]} >= {2, 3}
    assert result["counts"]["error"] == sum(finding["severity"] == "error" for finding in result["findings"])
    assert sum(result["rules"].values()) >= len(result["findings"])


def test_check_says_when_published_ranges_are_looked_at(small, capsys, tmp_path):
    line = "Published ranges are looked at once there are no errors."
    assert main(["check", str(small)]) == EXIT_FINE
    out = capsys.readouterr().out
    assert line not in out
    assert "No record behind published means and medians is of anterior-lateral pads" in " ".join(out.split())
    bad = tmp_path / "bad.csv"
    bad.write_text(
        "patient_id,placement,highest_no_capture_ma,lowest_capture_ma,max_output_ma\nP01,A/P,70,65,140\n",
        encoding="utf-8",
    )
    assert main(["check", str(bad)]) == EXIT_FINDINGS
    assert capsys.readouterr().out.count(line) == 1
    assert main(["check", str(bad), "--json"]) == EXIT_FINDINGS
    assert json.loads(capsys.readouterr().out)["ranges"] is None


def test_check_hides_small_counts(small, capsys):
    assert main(["check", str(small)]) == EXIT_FINE
    assert "Of 6 attempts" in capsys.readouterr().out
    # three patients with each placement: 2 of 6 inside 40 to 80 mA are too few
    assert main(["check", str(small), "--suppress-below", "4"]) == EXIT_FINE
    assert "Of 6 attempts" not in capsys.readouterr().out
    assert main(["check", str(small), "--suppress-below", "4", "--json"]) == EXIT_FINE
    ranges = json.loads(capsys.readouterr().out)["ranges"]
    assert {row["group"] for row in ranges["range_check"]} == {"all placements"}
    assert all(row["inside"] is None for row in ranges["range_check"])
    # more than there are
    assert main(["check", str(small), "--suppress-below", "7", "--json"]) == EXIT_FINE
    ranges = json.loads(capsys.readouterr().out)["ranges"]
    assert "range_check" not in ranges
    assert "fewer patients than may be shown" in ranges["sentences"][0]
    with pytest.raises(SystemExit) as stop:
        main(["check", str(small), "--suppress-below", "0"])
    assert stop.value.code == EXIT_USAGE


def test_registry_is_not_held_against_shares_of_arrests(shipped, capsys):
    assert main(["check", str(shipped / "registry")]) == EXIT_FINE
    out = " ".join(capsys.readouterr().out.split())
    assert "arrest 8 to 11 %" not in out
    assert "Published shares of patients in cardiac arrest are left out" in out


def test_fields(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert main(["fields", "--template", "--table", "attempts"]) == EXIT_FINE
    assert [p.name for p in (tmp_path / "capstat-template").glob("*.csv")] == ["attempts.csv"]
    capsys.readouterr()
    assert main(["fields"]) == EXIT_FINE
    assert "lowest_capture_ma" in capsys.readouterr().out
    assert main(["fields", "--schema", "--table", "attempts"]) == EXIT_FINE
    names = [field["name"] for field in json.loads(capsys.readouterr().out)["fields"]]
    assert "placement" in names
    assert main(["fields", "--template", str(tmp_path / "blank")]) == EXIT_FINE
    header = (tmp_path / "blank" / "attempts.csv").read_text(encoding="utf-8").strip().split(",")
    assert set(header) == set(names)


def test_thresholds(small, capsys):
    assert main(["thresholds", str(small), *QUICK]) == EXIT_FINE
    out = capsys.readouterr().out
    assert "As-recorded capture" in out
    assert "Current that captures a given share of patients" in out
    assert "What two common shortcuts would have said" in out
    assert main(["thresholds", str(small), "--json", "--shares", "50", *QUICK]) == EXIT_FINE
    groups = json.loads(capsys.readouterr().out)["as-recorded"]["groups"]
    records = groups["all placements"]["nonparametric"]
    assert records[0]["quantity"] == "current that captures 50 % of patients"
    assert records[0]["unit"] == "mA"


def test_covariates_of_the_regression_are_the_users(shipped, capsys):
    study = str(shipped / "registry")
    assert main(["thresholds", study, "--json", "--covariates", "placement,age_years", *QUICK]) == EXIT_FINE
    words = " ".join(r["quantity"] for r in json.loads(capsys.readouterr().out)["mechanical"]["covariates"])
    assert "per 10 years of age" in words
    assert "arrest" not in words
    assert main(["thresholds", study, "--covariates", "survived_30_days", *QUICK]) == EXIT_USAGE
    assert "known" in capsys.readouterr().err
    assert main(["thresholds", study, "--covariates", "shoe_size", *QUICK]) == EXIT_USAGE
    assert "shoe_size" in capsys.readouterr().err


def test_compare(shipped, capsys):
    assert main(["compare", str(shipped / "crossover"), *QUICK]) == EXIT_FINE
    out = capsys.readouterr().out
    assert "in the same patient" in " ".join(out.split())
    assert "not bedside guidance" in out
    assert (
        main(["compare", str(shipped / "crossover"), "--json", "--first", "AL", "--minus", "AP", *QUICK]) == EXIT_FINE
    )
    result = json.loads(capsys.readouterr().out)
    assert result["paired"]
    assert result["estimates"][0]["value"] > 1


def test_report(small, capsys, tmp_path):
    out = tmp_path / "report"
    assert main(["report", str(small), "--out", str(out), *QUICK]) == EXIT_FINE
    assert "The report is" in capsys.readouterr().out
    assert (out / "report.html").stat().st_size > 10_000
    # again: its own folder is replaced
    assert main(["report", str(small), "--out", str(out), "--json", *QUICK]) == EXIT_FINE
    assert json.loads(capsys.readouterr().out)["page"].endswith("report.html")


@pytest.mark.parametrize("scenario", ["registry", "crossover", "messy-export", "repeated-checks"])
def test_synth(scenario, capsys, tmp_path):
    out = tmp_path / "made"
    assert main(["synth", "--scenario", scenario, "--patients", "20", "--out", str(out)]) == EXIT_FINE
    assert json.loads((out / "truth.json").read_text(encoding="utf-8"))["seed"] == 1
    data = (
        [str(out / "export.csv"), "--mapping", str(out / "mapping.toml")] if scenario == "messy-export" else [str(out)]
    )
    assert main(["check", *data]) == EXIT_FINE
    capsys.readouterr()


def test_nothing_but_the_answer_in_a_pipe(small, capsys):
    main(["compare", str(small), *QUICK])
    assert "..." not in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["thresholds", "no-such-file.csv"], "does not exist"),
        (["compare", "STUDY", "--first", "sideways"], "'sideways' is not a placement"),
        (["compare", "STUDY", "--adjust", "shoe_size", *QUICK], "no covariate 'shoe_size'"),
    ],
)
def test_wrong_usage_is_one_sentence(arguments, words, small, capsys):
    arguments = [str(small) if word == "STUDY" else word for word in arguments]
    assert main(arguments) == EXIT_USAGE
    captured = capsys.readouterr()
    assert words in captured.err
    assert "Traceback" not in captured.err


@pytest.mark.parametrize(
    "arguments",
    [[], ["nonsense"], ["thresholds", "x.csv", "--shares", "0"], ["thresholds", "x.csv", "--level", "20"],
     ["thresholds", "x.csv", "--replicates", "5"], ["thresholds", "x.csv", "--currents", "a,b"], ["report", "x.csv"]],
)  # fmt: skip
def test_wrong_words_exit_with_two(arguments, capsys):
    with pytest.raises(SystemExit) as stop:
        main(arguments)
    assert stop.value.code == EXIT_USAGE
    capsys.readouterr()


def test_bad_data_leave_no_report(tmp_path, capsys):
    bad = tmp_path / "bad.csv"
    bad.write_text("patient_id,placement\nP1,AP\n", encoding="utf-8")
    assert main(["report", str(bad), "--out", str(tmp_path / "out")]) == EXIT_FINDINGS
    assert "max_output_ma" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_one_placement_is_not_comparable(tmp_path, capsys):
    one = tmp_path / "one.csv"
    one.write_text(
        "patient_id,placement,highest_no_capture_ma,lowest_capture_ma,max_output_ma\nP1,AP,60,65,140\nP2,AP,70,75,140\n",
        encoding="utf-8",
    )
    assert main(["compare", str(one)]) == EXIT_FINDINGS
    assert re.search("nothing to compare", capsys.readouterr().err)


def test_equal_placements_and_impossible_currents(small, capsys):
    assert main(["compare", str(small), "--first", "AP", "--minus", "A/P"]) == EXIT_USAGE
    assert "compared with itself" in capsys.readouterr().err
    for words in (["--currents", "-5"], ["--currents", "nan"], ["--level", "99.99999"], ["--level", "195"]):
        with pytest.raises(SystemExit) as stop:
            main(["thresholds", str(small), *words])
        assert stop.value.code == EXIT_USAGE
    assert "confidence level in percent" in capsys.readouterr().err


def test_currents_in_any_order_give_the_same_limits(shipped, capsys):
    """The limits once came out wrong when the currents were not in ascending order."""
    results = []
    for currents in ("60,100,140", "140,60,100"):
        main(["thresholds", str(shipped / "crossover"), "--json", "--currents", currents, *QUICK])
        groups = json.loads(capsys.readouterr().out)["mechanical"]["groups"]
        records = [record for group in groups.values() for record in group["nonparametric"]]
        shares = {
            (r["group"], r["quantity"]): (r["lower"], r["upper"]) for r in records if "captured at" in r["quantity"]
        }
        assert all(low <= high for low, high in shares.values())
        results.append(shares)
    assert results[0] == results[1]


def test_a_reader_that_stops_early_and_a_narrow_terminal(shipped):
    command = [sys.executable, "-m", "capstat.cli.main", "fields"]
    piped = subprocess.run(
        ["sh", "-c", f"{shlex.join(command)} | head -n 1"], capture_output=True, text=True, check=False
    )
    assert "Traceback" not in piped.stderr
    study = str(shipped / "crossover")
    narrow = subprocess.run(
        [sys.executable, "-m", "capstat.cli.main", "compare", study, *QUICK], capture_output=True, check=False,
        env={**os.environ, "PYTHONIOENCODING": "ascii"},
    )  # fmt: skip
    assert narrow.returncode == EXIT_FINE
    assert b"percentage points" in narrow.stdout


def test_the_study_is_never_replaced_by_its_report(tmp_path, capsys):
    template = tmp_path / "my-study"
    assert main(["fields", "--template", str(template)]) == EXIT_FINE
    (template / "attempts.csv").write_text(
        "patient_id,placement,highest_no_capture_ma,lowest_capture_ma,max_output_ma\nP1,AP,60,65,140\nP2,AL,70,75,140\n",
        encoding="utf-8",
    )
    (template / "steps.csv").unlink()
    (template / "patients.csv").unlink()
    typed = (template / "attempts.csv").read_bytes()
    assert main(["report", str(template), "--out", str(template), *QUICK]) == EXIT_USAGE
    assert main(["fields", "--template", str(template)]) == EXIT_USAGE
    assert (template / "attempts.csv").read_bytes() == typed
    assert "attempts.csv" in capsys.readouterr().err


def test_compare_by_another_column(shipped, capsys):
    """The same ratio as the regression with the yes/no column, and no word about pads."""
    registry = str(shipped / "registry")
    assert main(["compare", registry, "--by", "arrest", "--adjust", "", "--modifiers", "", *QUICK]) == EXIT_FINE
    out = capsys.readouterr().out
    assert "yes against no (mechanical capture)" in out
    assert "Cardiac arrest 'yes' went with" in out
    assert "pads" not in out.split("Difference in the share")[0]
    assert (
        main(["compare", registry, "--by", "sex", "--first", "male", "--minus", "female", "--json", *QUICK])
        == EXIT_FINE
    )
    found = json.loads(capsys.readouterr().out)
    assert found["by"] == "sex"
    assert found["estimates"][0]["direction"] == "male relative to female"
    # allocation of the placement says nothing of sexes, in a randomised study neither
    assert main(["compare", str(shipped / "crossover"), "--by", "sex", "--json", *QUICK]) == EXIT_FINE
    (decision,) = json.loads(capsys.readouterr().out)["decisions"]
    assert decision["words"].endswith("an association, not an effect).")


def test_compare_reads_a_claim_and_gives_a_probability(shipped, capsys):
    crossover = str(shipped / "crossover")
    options = ["--claim", "equivalence", "--margin", "1.2", "--at-least", "10"]
    assert main(["compare", crossover, *options, "--json", *QUICK]) == EXIT_FINE
    found = json.loads(capsys.readouterr().out)
    assert [(d["claim"], d["shown"]) for d in found["decisions"]] == [("superiority", True), ("equivalence", False)]
    assert 0.9 < found["posterior"]["probability"] < 1
    assert {"signed ranks of log thresholds", "capture at 140 mA, allowing for order"} <= {
        t["test"] for t in found["tests"]
    }


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--by", "age_years"], "holds numbers"),
        (["--by", "shoe"], "no column 'shoe'"),
        (["--by", "sex", "--first", "AP"], "no attempt with 'AP'"),
        (["--adjust", "pulse_width_ms"], "not known before the pads are placed"),
        (["--adjust", "survived_30_days"], "not known before the pads are placed"),
        (["--modifiers", "survived_30_days"], "not known before the pads are placed"),
        (["--claim", "equivalence"], "need a --margin"),
        (["--margin", "1.2"], "superiority takes none"),
    ],
)
def test_compare_refuses_in_one_sentence(shipped, capsys, options, words):
    assert main(["compare", str(shipped / "registry"), *options, *QUICK]) == EXIT_USAGE
    error = capsys.readouterr().err
    assert words in error
    assert "Traceback" not in error


@pytest.mark.parametrize(
    ("option", "value"), [("--margin", "0.9"), ("--margin", "x"), ("--at-least", "0"), ("--at-least", "-3")]
)
def test_compare_refuses_numbers_out_of_range(shipped, capsys, option, value):
    with pytest.raises(SystemExit) as stop:
        main(["compare", str(shipped / "registry"), f"{option}={value}"])
    assert stop.value.code == EXIT_USAGE
    assert f"'{value}' is not" in capsys.readouterr().err


def test_confirm(shipped, capsys):
    study = str(shipped / "registry")
    assert main(["confirm", study, "--change-month", "13", "--refits", "100", *QUICK]) == EXIT_FINE
    out = capsys.readouterr().out
    assert out.startswith("SYNTHETIC DATA")
    for words in ("Claimed and false capture", "Before study month 13", "Signs", "corrected"):
        assert words in out
    assert "not bedside guidance" in out
    assert main(["confirm", study, "--against", "ultrasound", "--json", "--refits", "100", *QUICK]) == EXIT_FINE
    found = json.loads(capsys.readouterr().out)
    assert found["against"] == "ultrasound"
    assert {"signs_ultrasound", "verification_ultrasound", "misjudgement_surface"} <= set(found)
    assert found["signs_ultrasound"][0]["quantity"] == "sensitivity"


@pytest.mark.parametrize(
    ("option", "value"),
    [
        ("--sensitivity", "0.9"), ("--sensitivity", "101"), ("--specificity", "nan"), ("--specificity-range", "98,0.9"),
        ("--specificity-range", ""), ("--odds-per-10-ma", "-1"), ("--change-month", "1"), ("--refits", "5"),
        ("--against", "femoral_pulse"), ("--judgement", "adjudicated"),
    ],
)  # fmt: skip
def test_confirm_refuses_in_one_sentence(small, capsys, option, value):
    with pytest.raises(SystemExit) as stop:
        main(["confirm", str(small), option, value])
    assert stop.value.code == EXIT_USAGE
    assert len(capsys.readouterr().err.strip().splitlines()) == 1


def test_confirm_without_steps_says_what_is_needed(small, capsys):
    assert main(["confirm", str(small)]) == EXIT_FINDINGS
    err = capsys.readouterr().err
    assert "has no steps" in err
    assert "adjudicated_capture" in err


def test_confirm_odds_without_a_specificity_are_refused(shipped, capsys):
    assert main(["confirm", str(shipped / "registry"), "--odds-per-10-ma", "1.2"]) == EXIT_USAGE
    assert "give both" in capsys.readouterr().err


def test_confirm_suppresses_on_request(shipped, capsys):
    study = str(shipped / "registry")
    assert main(["confirm", study, "--suppress-below", "5", "--refits", "100", "--json", *QUICK]) == EXIT_FINE
    found = json.loads(capsys.readouterr().out)
    assert "false_capture_months" not in found
    assert not [name for name in found if name.startswith("numbers_")]
    assert main(["confirm", study, "--suppress-below", "5000", "--refits", "100", *QUICK]) == EXIT_FINDINGS
    assert "suppressed as requested" in capsys.readouterr().err
