"""capstat pool: bad evidence in one sentence, its answers, its small groups, its refusals."""

from __future__ import annotations

import json
import re
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from capstat.cli.main import EXIT_FINDINGS, EXIT_FINE, EXIT_USAGE, main
from capstat.synthesis.evidence_file import evidence_csv, published_evidence, read_evidence
from capstat.synthesis.study_arm import StudyArm

AP, AL = "anterior-posterior", "anterior-lateral"
NEVER = re.compile(r"(?<![\w-])(nan|None|inf|NaN|Infinity)(?![\w-])")


@pytest.fixture(autouse=True)
def without_reanalysis(monkeypatch):
    monkeypatch.setattr("capstat.analysis.evidence_analysis.reanalyse", lambda *_, **__: None)


def record(code: str, **fields: Any) -> StudyArm:
    given: dict[str, Any] = {
        "study": code.partition("_")[0], "citation": f"Writer{code.partition('_')[0]} A. Journal 1990", "year": 1990,
        "design": "series", "population": "invented adults", "age_group": "adults", "urgency": "elective",
        "setting": "hospital", "placement": AP, "paced": True, "counted": "patients", "provenance": "own",
        "seen_in": "paper", "capture_definition": "pulse",
    }  # fmt: skip
    return StudyArm(arm=code, **(given | fields))


def threshold(code: str, median: float = 60.0, n: int = 15, **fields: Any) -> StudyArm:
    values: dict[str, Any] = {
        "current_means": "threshold", "non_capture": "none", "n": n, "n_captured": n, "n_current": n,
        "median_ma": median, "minimum_ma": round(median / 1.8, 1), "maximum_ma": round(1.8 * median, 1),
    }  # fmt: skip
    return record(code, **(values | fields))


def crossover(code: str, value: float, wide: float = 1.25, **fields: Any) -> list[StudyArm]:
    a, b = f"{code}_a", f"{code}_b"
    limits = {"ratio": value, "ratio_lower": round(value / wide, 4), "ratio_upper": round(value * wide, 4)}
    return [
        record(a, design="crossover", n=20, n_pairs=20, compared_with=b, overlaps=(b,), interval_percent=95.0,
               **(limits | fields)),
        record(b, design="crossover", n=20, placement=AL, overlaps=(a,)),
    ]  # fmt: skip


def outcome(code: str, x: int, n: int, y: int, m: int) -> list[StudyArm]:
    words = {"outcome": "survival", "design": "randomised", "urgency": "arrest"}
    return [
        record(f"{code}_p", n=n, outcome_events=x, outcome_n=n, compared_with=f"{code}_c", **words),
        record(f"{code}_c", n=m, outcome_events=y, outcome_n=m, paced=False, **words),
    ]


def twelve() -> list[StudyArm]:
    values = np.exp(np.random.default_rng(9).normal(-0.25, 0.12, 12)).round(3)
    return [
        arm
        for i, value in enumerate(values.tolist())
        for arm in crossover(f"x{chr(97 + i)}", value, 1.1 + 0.03 * i, year=1990 + i,
                             citation=f"Writer{chr(97 + i)} A. Journal {1990 + i}",
                             setting="hospital" if i % 2 else "prehospital")
    ]  # fmt: skip


@pytest.fixture
def evidence(tmp_path):
    def write(*arms: StudyArm) -> list[str]:
        path = tmp_path / "mine.csv"
        path.write_text(evidence_csv(arms), encoding="utf-8")
        return ["pool", "--evidence", str(path), "--without-published"]

    return write


@pytest.fixture
def study(tmp_path):
    """Local records: thresholds by placement, with steps of mechanical capture."""

    def write(true: dict[str, Any]) -> str:
        attempts, steps, number = [], [], 0
        for placement, values in true.items():
            for limit in values:
                number += 1
                currents = np.arange(20, 141, 5)
                attempts.append({"attempt_id": f"A{number}", "patient_id": f"P{number}", "placement": placement,
                                 "max_output_ma": 140, "ended": "captured" if limit <= 140 else "maximum-reached"})  # fmt: skip
                steps += [
                    {"attempt_id": f"A{number}", "step_order": k + 1, "current_ma": int(c),
                     "mechanical_capture": "yes" if c >= limit else "no"}
                    for k, c in enumerate(currents[: int(np.searchsorted(currents, limit)) + 1])
                ]  # fmt: skip
        folder = tmp_path / "study"
        folder.mkdir()
        pd.DataFrame(attempts).to_csv(folder / "attempts.csv", index=False)
        pd.DataFrame(steps).to_csv(folder / "steps.csv", index=False)
        return str(folder)

    return write


def law(n: int, median: float) -> list[float]:
    return list(median * np.exp(0.25 * stats.norm.ppf((np.arange(n) + 0.5) / n)))


def told(capsys) -> str:
    """Everything on standard output in one line."""
    return told_text(capsys.readouterr().out)


def told_text(text: str) -> str:
    """The same of text that was read already."""
    return " ".join(text.split())


# --- bad input ------------------------------------------------------------------------------------------------------

REFUSED = {
    "CI without its estimate": (
        crossover("x", 0.8, ratio_lower=0.9), ("row 2", "column ratio", '"0.8"', "is not between its limits, 0.9 and 1"),
    ),
    "counts above n": (
        [record("s", n=20, n_captured=21)], ("row 2", "column n_captured", '"21"', "is above n, 20"),
    ),
    "events above n": (
        outcome("o", 31, 30, 2, 30), ("row 2", "column outcome_events", '"31"', "is above outcome_n, 30"),
    ),
    "the same study twice": (
        [record("s", n=20, n_captured=9, doi="10.1000/x1"), record("t", n=20, n_captured=9, doi="10.1000/x1")],
        ("row 3", "column arm", '"t"', "is a duplicate study"),
    ),
    "the same code twice": (
        [record("s", n=20, n_captured=9), record("s", n=22, n_captured=9)], ("row 3", "is also the code of mine.csv, row 2"),
    ),
    "threshold above the device's maximum": (
        [threshold("t", 90.0, max_output_ma=80.0)], ("row 2", "column median_ma", '"90"', "is above max_output_ma, 80"),
    ),
    "count without a definition": (
        [record("s", n=20, n_captured=9, capture_definition="")], ("row 2", "column capture_definition", "is empty"),
    ),
    "a word that is none": (
        [record("s", n=20, n_captured=9, urgency="urgent")], ("row 2", "column urgency", '"urgent"', "elective"),
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", REFUSED)
def test_bad_evidence_is_refused_with_file_row_column_and_value(name, evidence, capsys):
    arms, words = REFUSED[name]
    assert main(evidence(*arms)) == EXIT_USAGE
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("capstat: mine.csv, ")
    first = err.splitlines()[0]
    for word in words:
        assert word in first, (word, err)
    assert "Traceback" not in err


def test_everything_wrong_is_told_at_once(evidence, capsys):
    assert main(evidence(record("s", n=20, n_captured=21), threshold("t", 90.0, max_output_ma=80.0))) == EXIT_USAGE
    err = capsys.readouterr().err
    assert "n_captured" in err
    assert "max_output_ma" in err


def test_sd_missing_is_warned_of_and_not_pooled(evidence, capsys):
    bare = threshold("b", median_ma=None, minimum_ma=None, maximum_ma=None, mean_ma=70.0)
    assert main([*evidence(threshold("a"), threshold("c", 66.0), bare), "--measure", "threshold"]) == EXIT_FINE
    out, err = capsys.readouterr()
    assert "warning: mine.csv, row 4, column sd_ma: is empty beside a mean" in err
    assert err.count("warning:") == 1
    assert "2 studies of 30 patients (2 of them added by you) together" in told_text(out)
    assert re.search(r"Writerb 1990 +b +no spread was reported\.", out)
    # an assumption makes it a third
    assert (
        main([*evidence(threshold("a"), threshold("c", 66.0), bare), "--measure", "threshold", "--borrow-spread"]) == 0
    )
    assert "3 studies of 45 patients (3 of them added by you) together" in told_text(capsys.readouterr().out)


def test_one_study_only(evidence, capsys):
    assert main(evidence(*crossover("x", 0.8))) == EXIT_FINE
    out = told(capsys)
    assert "One study only (added by you), so nothing is pooled: Writerx 1990, 0.80 (95 % CI 0.64 to 1.00)" in out
    assert "together give" not in out


def test_zero_events_in_both_arms(evidence, capsys):
    arms = [*outcome("a", 0, 20, 0, 22), *outcome("b", 3, 30, 2, 31), *outcome("c", 5, 50, 4, 49)]
    assert main(evidence(*arms)) == EXIT_FINE
    out = told(capsys)
    assert "1 study without a value left aside, 2 studies of 160 patients" in out
    assert "Nobody had the event in both groups: a ratio tells nothing here (Writera 1990)." in out
    assert main(evidence(*arms[:2])) == EXIT_FINE
    assert not NEVER.search(told(capsys))


def test_applied_current_is_no_threshold(evidence, capsys):
    assert main(evidence(threshold("a", current_means="applied", non_capture=""))) == EXIT_FINE
    out = told(capsys)
    assert (
        "Capture threshold: adults or not said, elective, pulse: Writera 1990: applied current is not a threshold."
        in out
    )
    assert "mA (95 %" not in out


@pytest.mark.parametrize(("options", "words"), [
    (["--without-published"], "leaves no studies"),
    (["--evidence", "nowhere.csv"], "does not exist"),
    (["--where", "urgency"], "is not COLUMN=WORD"),
    (["--where", "urgency="], "is not COLUMN=WORD"),
    (["--where", "urgency=electiv"], "never holds 'electiv'"),
    (["--where", "year=1990"], "cannot be chosen by year"),
    (["--where", "urgency=elective", "--where", "urgency=arrest"], "named more than once"),
    (["--by", "bogus"], "cannot be chosen by bogus"),
    (["--subgroups", "bogus"], "no column 'bogus'"),
    (["--regress", "setting"], "holds words"),
    (["--literature-weight", "0"], "is not a percentage"),
    (["--literature-weight", "nan"], "is not a percentage"),
    (["--literature-weight", "101"], "is not a percentage"),
    (["--measure", "pressure"], "invalid choice"),
    (["--judgements", "nowhere.toml"], "nowhere.toml"),
    (["--to", "mine.csv"], "--to says where --template writes"),
    (["nowhere"], "nowhere"),
])  # fmt: skip
def test_wrong_usage_is_one_sentence(options, words, capsys, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    try:
        status = main(["pool", *options])
    except SystemExit as stopped:
        status = stopped.code
    out, err = capsys.readouterr()
    assert status in (EXIT_USAGE, EXIT_FINDINGS)
    assert status == EXIT_USAGE or options == ["nowhere"]
    assert out == ""
    assert words in err
    assert "Traceback" not in err


# --- answers --------------------------------------------------------------------------------------------------------


def test_twelve_crossovers_with_everything(evidence, capsys):
    command = [*evidence(*twelve()), "--subgroups", "setting", "--regress", "year"]
    assert main(command) == EXIT_FINE
    out = capsys.readouterr().out
    for words in ("12 studies of 240 patients", "Without each study", "Cook's distance", "Egger's test", "By setting",
                  "By year", "per unit", f"{AP} against"):  # fmt: skip
        assert words in " ".join(out.split()), words
    assert not NEVER.search(out)
    assert main(command) == EXIT_FINE
    assert capsys.readouterr().out == out


def test_json_holds_every_table_and_sentence(evidence, capsys):
    assert main([*evidence(*twelve()), "--json"]) == EXIT_FINE
    text = capsys.readouterr().out
    found = json.loads(text)
    assert not re.search(r"\bNaN\b|Infinity", text)
    (question,) = found["questions"]
    assert question["tables"] == "literature_01_ratio"
    assert question["where"] == {
        "age_group": ["adults", "mixed"], "urgency": ["elective"], "capture_definition": ["pulse"],
    }  # fmt: skip
    assert question["sentences"][0].startswith("12 studies")
    assert len(found["literature_01_ratio"]) == 12
    assert len(found["literature_01_ratio_without_each"]) == 12
    assert found["settings"]["evidence"] == ["mine.csv"]
    pooled = found["literature_01_ratio_pooled"][0]
    assert pooled["lower"] < pooled["value"] < pooled["upper"]
    assert pooled["direction"] == f"{AP} against {AL}"


def test_shipped_studies_alone(capsys):
    assert main(["pool"]) == EXIT_FINE
    out = told(capsys)
    for words in (
        "Capture threshold: adults or not said, elective, undescribed. 2 studies of 21 patients together give 56.9 mA",
        "3 studies of 69 patients together give 94 %", "3 studies of 215 patients together give 9 %",
        "Cummins 1993, 2.05 (95 % CI 0.72 to 5.82)", "Morrison 2008, 0.99 (95 % CI 0.74 to 1.31)",
        "Questions that no record answers", "Nothing here is a recommendation.", "Not a medical device",
    ):  # fmt: skip
        assert words in out, words
    assert not NEVER.search(out)


def test_own_studies_join_the_shipped_ones(evidence, capsys):
    command = [word for word in evidence(threshold("own", 70.0)) if word != "--without-published"]
    chosen = ["--measure", "threshold", "--where", "urgency=elective", "--by", "age_group"]
    assert main([*command, *chosen]) == EXIT_FINE
    out = told(capsys)
    assert "4 studies of 44 patients (1 of them added by you) together" in out
    assert "Writerown 1990" in out


def test_where_and_by(capsys):
    assert (
        main(["pool", "--measure", "capture", "--where", "urgency=arrest", "--where", "capture_definition=pulse"]) == 0
    )
    out = told(capsys)
    assert "3 studies of 215 patients" in out
    assert "elective" not in out.partition("Published studies")[0]
    assert main(["pool", "--measure", "outcome", "--by", "urgency,urgency"]) == EXIT_FINE
    assert "Outcome, paced against not paced: arrest One study only" in told(capsys)
    assert main(["pool", "--measure", "ratio", "--where", "age_group=children"]) == EXIT_FINE
    assert "No record of the evidence table fits what was asked." in told(capsys)


def test_spellings_of_files_are_understood(capsys):
    texts = []
    for word in ("AP", AP):
        assert main(["pool", "--measure", "capture", "--where", f"placement={word}", "--json"]) == EXIT_FINE
        texts.append(capsys.readouterr().out)
    assert texts[0] == texts[1]
    assert json.loads(texts[0])["settings"]["where"] == {"placement": [AP]}
    assert json.loads(texts[0])["questions"]


def test_list_obeys_where(capsys):
    assert main(["pool", "--list", "--where", "placement=AP", "--where", "urgency=arrest", "--json"]) == EXIT_FINE
    listed = {row["arm"] for row in json.loads(capsys.readouterr().out)["published_studies"]}
    arms = published_evidence()
    assert listed == {arm.arm for arm in arms if arm.placement == AP and arm.urgency == "arrest"}
    assert 0 < len(listed) < len(arms)


def test_text_begins_with_the_answers_in_short(evidence, capsys):
    assert main(["pool"]) == EXIT_FINE
    out = capsys.readouterr().out
    assert out.startswith("In short\n")
    assert "3 studies of 215 patients together give 9 %" in told_text(out.partition("\n\n")[2].partition("\n\n")[0])
    # one answer is short by itself
    assert main(evidence(*crossover("x", 0.8))) == EXIT_FINE
    assert "In short" not in capsys.readouterr().out


def test_list_and_columns(capsys):
    assert main(["pool", "--list"]) == EXIT_FINE
    out = capsys.readouterr().out
    assert "moayedi2022_AP_threshold" in re.sub(r"\s", "", out).replace("-", "") or "moayedi2022" in out
    assert main(["pool", "--list", "--json"]) == EXIT_FINE
    listed = json.loads(capsys.readouterr().out)["published_studies"]
    assert {row["arm"] for row in listed} >= {"cummins1993_pacing", "madsen1988_ahj_elective"}
    assert main(["pool", "--columns"]) == EXIT_FINE
    assert "capture_definition: what counted as capture" in capsys.readouterr().out
    assert main(["pool", "--columns", "--json"]) == EXIT_FINE
    assert {"arm", "sd_ma"} <= {field["name"] for field in json.loads(capsys.readouterr().out)["fields"]}


@pytest.mark.parametrize("kind", ["studies", "judgements"])
def test_templates_are_usable_and_replace_nothing(kind, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main(["pool", "--template", kind]) == EXIT_FINE
    (path,) = tmp_path.iterdir()
    assert path.name in capsys.readouterr().out
    if kind == "studies":
        assert len(read_evidence(path)) > 0
    before = path.read_bytes()
    assert main(["pool", "--template", kind]) == EXIT_USAGE
    assert path.read_bytes() == before
    capsys.readouterr()
    assert main(["pool", "--template", kind, "--to", "other.txt"]) == EXIT_FINE
    assert (tmp_path / "other.txt").read_bytes() == before


# --- beside a local study -------------------------------------------------------------------------------------------

FOUR = [threshold(f"t{i}", m) for i, m in enumerate((27.0, 30.0, 31.0, 33.0))]


def test_local_study_three_times_as_high_conflicts(evidence, study, capsys):
    assert main([*evidence(*FOUR), study({AP: law(12, 90)}), "--measure", "threshold"]) == EXIT_FINE
    out = told(capsys)
    assert "is unusual beside these studies" in out
    assert "Published and local results conflict (p" in out
    assert "look for the reason before using it" in out
    assert "Your own records beside published and trade ranges" in out
    assert not NEVER.search(out)


def test_weight_is_an_assumption_that_is_shown(evidence, study, capsys):
    command = [*evidence(*FOUR), study({AP: law(12, 32)}), "--measure", "threshold", "--literature-weight"]
    for weight, words in (
        ("30", "at weight 0.3 (an assumption)"),
        ("100%", "at weight 1 (an assumption)"),
        ("0.001", "at weight 1e-05"),
    ):
        assert main([*command, weight]) == EXIT_FINE
        out = told(capsys)
        assert words in out
        assert "conflict (p" not in out


def test_same_seed_same_bytes(shipped, capsys):
    command = ["pool", str(shipped / "crossover"), "--measure", "capture", "--where", "capture_definition=undescribed",
               "--seed", "7"]  # fmt: skip
    texts = []
    for extra in ([], [], ["--json"]):
        assert main([*command, *extra]) == EXIT_FINE
        texts.append(capsys.readouterr().out)
    assert texts[0] == texts[1]
    assert texts[0].startswith("SYNTHETIC DATA")
    assert json.loads(texts[2])["synthetic_data"] is True


def test_which_placement_is_first_does_not_turn_the_local_ratio(evidence, shipped, capsys):
    values = []
    for extra in ([], ["--first", AL, "--minus", AP]):
        command = [*evidence(*crossover("x", 0.8)), str(shipped / "crossover"), "--measure", "ratio", "--json", *extra]
        assert main(command) == EXIT_FINE
        rows = json.loads(capsys.readouterr().out)["literature_01_ratio"]
        row = next(row for row in rows if row["group"] == "local")
        assert ("turned round" in row["notes"]) == bool(extra)
        values.append(row["value"])
    assert values[0] == pytest.approx(values[1], rel=0.01)
    assert values[0] < 1


def test_two_names_for_one_placement_are_refused(study, capsys):
    assert main(["pool", study({AP: law(12, 60)}), "--first", "AP", "--minus", "AP"]) == EXIT_USAGE
    assert "name two placements" in capsys.readouterr().err


# --- small groups ---------------------------------------------------------------------------------------------------

COUNTS = [record(f"s{i}", n=30, n_captured=20 + i) for i in range(3)]


def test_small_groups_leave_nothing_behind(evidence, study, capsys):
    """17 of 20 and 3 of 4: a group of 4, and 3 and 1 in it, and totals that would give it away."""
    place = study({AP: [*law(17, 70), 200.0, 200.0, 200.0], AL: [*law(3, 60), 200.0]})
    command = [*evidence(*FOUR[:3], *COUNTS), place, "--measure", "capture"]
    assert main(command) == EXIT_FINE
    shown = capsys.readouterr().out
    assert f"local, {AL}" in shown
    assert "20/24" in shown
    for extra, published in ((["--measure", "threshold"], "20/30"), (["--json"], '"patients": 30')):
        assert main([*command, "--suppress-below", "5", *extra]) == EXIT_FINE
        hidden = capsys.readouterr().out
        assert f"local, {AL}" not in hidden
        assert "all placements" not in hidden
        assert not re.search(r"\b(20/24|17/20|3/4)\b", hidden)
        assert not re.search(r'"patients": (4|24)\b', hidden)
        # published numbers stay
        assert published in hidden


def test_a_study_that_is_small_as_a_whole_gives_nothing(evidence, study, capsys):
    assert main([*evidence(*COUNTS), study({AP: law(4, 60)}), "--suppress-below", "5"]) == EXIT_FINDINGS
    out, err = capsys.readouterr()
    assert out == ""
    assert "fewer than 5 patients" in err


def test_brief_leaves_out_a_comparison_with_a_small_arm(evidence, study, capsys):
    place = study({AP: law(20, 60), AL: law(4, 75)})
    command = [*evidence(*crossover("x", 0.8)), place, "--brief"]
    assert main(command) == EXIT_FINE
    assert "Your own records: 24 patients" in told(capsys)
    assert main([*command, "--suppress-below", "5"]) == EXIT_FINE
    out = told(capsys)
    assert "Your own records are not compared" in out
    assert "24 patients" not in out


# --- the brief ------------------------------------------------------------------------------------------------------


def test_brief_without_judgements(capsys):
    assert main(["pool", "--brief"]) == EXIT_FINE
    out = told(capsys)
    assert out.count("not judged") == 5
    assert not re.search(r"\b(high|moderate|low)\b", out, re.IGNORECASE)
    assert f"{AL}: 42 of 100 captured" in out
    assert f"{AP}: 78 of 100 captured (95 % CI 55 to 91)" in out
    assert "Nothing here is a recommendation." in out


JUDGED = """[[judgement]]
measure = "{}"
start = "randomised"
judged_by = "protocol committee"
risk_of_bias = {{ rating = "serious", reason = "one small trial only" }}
inconsistency = {{ rating = "not serious", reason = "cannot be seen here" }}
indirectness = {{ rating = "not serious", reason = "patients like our own" }}
imprecision = {{ rating = "very serious", reason = "limits hold opposite results" }}
small_study_effects = {{ rating = "undetected", reason = "too few to see" }}
"""


def test_brief_with_judgements_counts_levels(tmp_path, capsys):
    """High, one level down, two more: very low."""
    path = tmp_path / "judged.toml"
    path.write_text(JUDGED.format("outcome"), encoding="utf-8")
    assert main(["pool", "--brief", "--judgements", str(path)]) == EXIT_FINE
    out = told(capsys)
    assert (
        "Certainty of the published evidence, as judged: VERY LOW (randomised: high; risk of bias serious: moderate;"
        in out
    )
    assert "Do patients allocated to pacing do better" in out
    assert "allocated to pacing: 4 of 100 with 'survival to discharge'" in out
    assert "not judged" not in out


def test_brief_is_about_the_measure_that_was_named(tmp_path, capsys):
    path = tmp_path / "judged.toml"
    path.write_text(JUDGED.format("ratio"), encoding="utf-8")
    assert main(["pool", "--brief", "--judgements", str(path), "--measure", "outcome"]) == EXIT_FINE
    out = told(capsys)
    assert "Cummins 1993" in out
    assert out.count("not judged") == 5
    assert main(["pool", "--brief", "--measure", "difference"]) == EXIT_FINE
    assert "Difference of mean capture thresholds" in told(capsys)


def test_brief_for_programs_and_of_invented_records(shipped, capsys):
    command = ["pool", str(shipped / "crossover"), "--brief"]
    assert main(command) == EXIT_FINE
    assert capsys.readouterr().out.startswith("SYNTHETIC DATA")
    assert main([*command, "--json"]) == EXIT_FINE
    found = json.loads(capsys.readouterr().out)
    assert found["synthetic_data"] is True
    assert found["measure"] == "ratio"
    assert [part["heading"] for part in found["brief"]][:2] == ["Question", "Who was studied"]
    sentences = [s for part in found["brief"] for s in part["sentences"]]
    assert all(s[-1] in ".?" for s in sentences)
