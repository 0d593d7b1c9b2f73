"""capstat outcomes: what a user types, and what comes back."""

from __future__ import annotations

import json

import pandas as pd
import pytest

from capstat.cli.main import EXIT_FINDINGS, EXIT_FINE, EXIT_USAGE, main
from capstat.synthetic import clean_files, simulate_registry

QUICK = ("--replicates", "100")


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    folder = tmp_path_factory.mktemp("registry")
    for name, data in clean_files(simulate_registry(n_patients=120, seed=9)).items():
        (folder / name).write_bytes(data)
    return str(folder)


def written(tmp_path, **columns):
    path = tmp_path / "attempts.csv"
    frame = {"placement": "AP", "max_output_ma": 140, "highest_no_capture_ma": 60, "lowest_capture_ma": 65, **columns}
    pd.DataFrame(frame).to_csv(path, index=False)
    return str(path)


def test_the_text_names_what_is_biased_declared_and_exploratory(small, capsys):
    assert main(["outcomes", small, "--outcome", "survived_to_discharge", *QUICK]) == EXIT_FINE
    out = capsys.readouterr().out
    assert out.startswith("SYNTHETIC DATA")
    for words in ("BIASED", "declared", "exploratory", "association", "Not a medical device"):
        assert words in out


def test_json_holds_settings_tables_and_reasons(small, capsys):
    assert main(["outcomes", small, "--json", "--within", "3,6", "--horizon", "30", *QUICK]) == EXIT_FINE
    record = json.loads(capsys.readouterr().out)
    assert record["settings"]["within_minutes"] == [3.0, 6.0]
    assert record["settings"]["declared_outcome"] is None
    assert record["synthetic_data"] is True
    assert {"time_to_capture", "after_capture", "outcomes"} <= set(record)
    assert all({"part", "reason"} == set(entry) for entry in record["not_had"])


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--outcome", "lived"), "There is no outcome 'lived'"),
        (("--first", "AP", "--minus", "A/P"), "name two placements"),
        (("--first", "sideways"), "is not a placement"),
        (("--adjust", "pacing_end_s"), "not known before the pads are placed"),
        (("--horizon", "5"), "must lie after the last landmark"),
        (("--by", "weight_kg"), "holds numbers"),
        (("--by", "shoe_size"), "There is no column 'shoe_size'"),
    ],
)
def test_a_choice_that_cannot_be_carried_out_is_one_sentence(small, capsys, arguments, words):
    assert main(["outcomes", small, *arguments]) == EXIT_USAGE
    err = capsys.readouterr().err
    assert words in err
    assert "Traceback" not in err


@pytest.mark.parametrize(
    ("option", "value"), [("--minutes", "0"), ("--within", "soon"), ("--horizon", "1,2"), ("--sustained", "-5")]
)
def test_an_option_that_is_no_time_is_refused(small, capsys, option, value):
    with pytest.raises(SystemExit) as left:
        main(["outcomes", small, option, value])
    assert left.value.code == EXIT_USAGE
    assert f"'{value}' is not" in capsys.readouterr().err


def test_a_study_without_times_says_which_columns_are_wanted(tmp_path, capsys):
    assert main(["outcomes", written(tmp_path, patient_id=["a", "b"])]) == EXIT_FINDINGS
    assert "pacing_start_s" in capsys.readouterr().err


def test_twelve_patients_and_mostly_missing_outcomes_are_told(tmp_path, capsys):
    path = written(
        tmp_path, patient_id=[f"P{i}" for i in range(12)], placement=["AP", "AL"] * 6, capture_criterion="mechanical",
        pacing_start_s=0, first_capture_s=range(20, 260, 20), pacing_end_s=900,
        survived_to_discharge=["yes", "no", "yes", *[""] * 9],
    )  # fmt: skip
    assert main(["outcomes", path, "--outcome", "survived_to_discharge", *QUICK]) == EXIT_FINE
    out = capsys.readouterr().out
    assert "missing" in out
    assert "nan" not in out.lower().replace("anterior", "")


def test_small_groups_are_hidden_on_request(small, capsys):
    assert main(["outcomes", small, "--suppress-below", "200", *QUICK]) == EXIT_FINDINGS
    assert "fewer than 200 patients" in capsys.readouterr().err
