"""What the report says of ramp policies: cells are the estimates, sentences say them, nothing is recommended."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from capstat import AnalysisOptions, read_study
from capstat.analysis import RampQuestion, analyse_ramps, suppress_ramps
from capstat.analysis.study_analysis import capture_definitions_for
from capstat.capture import JudgementErrors
from capstat.protocol.policy_file import example_policies, read_policies
from capstat.report import write_report
from capstat.report.ramp_sentences import ramp_sentences, ramp_summary
from capstat.report.ramp_tables import ramp_tables
from capstat.report.ramp_words import bare, order_words, steps_words, time_words
from capstat.report.sentences import summary_sentences
from capstat.report.wording import bounds_text, milliampere, percent
from capstat.results import Estimate


def asked(path, question):
    study = read_study(path)
    return analyse_ramps(study, AnalysisOptions(), question, capture_definitions_for(study)[0])


@pytest.fixture(scope="module")
def crossover(shipped):
    return asked(shipped / "crossover", RampQuestion(draws=60, errors=JudgementErrors(0.95, 0.97)))


@pytest.fixture(scope="module")
def checks(shipped):
    return asked(shipped / "repeated_checks", RampQuestion(draws=60))


def words_of(found):
    told = [ramp_sentences(part, found) for part in found.parts]
    return [s for w in told for s in (*w.consequences, *w.comparison, *w.margins, *w.reposition)]


@pytest.mark.parametrize("name", ["crossover", "checks"])
def test_tables_fit_and_hold_numbers(name, request):
    tables = ramp_tables(request.getfixturevalue(name))
    assert len({table.name for table in tables}) == len(tables)
    for table in tables:
        assert table.rows, table.name
        assert all(len(row) == len(table.columns) for row in table.rows), table.name
        assert not table.frame.empty
        assert not re.search(r"\bnan\b|\binf\b|None", " ".join(cell for row in table.rows for cell in row)), table.name
        assert all(note[-1] == "." for note in table.notes), table.notes


def test_every_table_is_there(crossover, checks):
    assert {table.name for table in ramp_tables(crossover)} == {
        "ramp_policies", "ramp_consequences", "ramp_without_model", "ramp_misjudged", "ramp_comparison", "ramp_margins",
        "ramp_own_margins", "ramp_reposition",
    }  # fmt: skip
    assert "ramp_drift" in {table.name for table in ramp_tables(checks)}


def test_cells_are_the_estimates(crossover):
    (table,) = [t for t in ramp_tables(crossover) if t.name == "ramp_consequences"]
    group = crossover.parts[0].groups[0]
    for k, (row, c) in enumerate(zip(table.rows, group.policies, strict=False), start=1):
        assert row[1] == f"{k}: {c.policy.name}"
        assert row[2].startswith(percent(c.not_captured.value))
        assert row[5].startswith(milliampere(c.without_output_s.value))
    frame = table.frame
    first = frame[frame["group"] == f"anterior-posterior pads; {group.policies[0].policy.name}"]
    assert first["value"].to_numpy(dtype=float)[0] == pytest.approx(group.policies[0].not_captured.value)


def test_sentences_hold_the_extremes(crossover):
    text = " ".join(words_of(crossover))
    group = crossover.parts[0].groups[0]
    seconds = [c.without_output_s.value for c in group.policies]
    assert f"{milliampere(min(seconds))} s ('" in text
    assert f"{milliampere(max(seconds))} s ('" in text
    assert "stop at a false capture" in text
    assert "after moving to anterior-posterior" in text


def test_nothing_is_recommended_and_nothing_called_an_effect(crossover, checks):
    for found in (crossover, checks):
        text = " ".join([*words_of(found), *(n for t in ramp_tables(found) for n in t.notes), ramp_summary(found)])
        assert "Nothing here is a recommendation" in text
        for word in ("should", "recommended", "effect", "optimal", "safe "):
            assert word not in text, word


def test_assumed_drift_is_called_assumed_and_estimated_is_not(crossover, checks):
    assumed, estimated = " ".join(words_of(crossover)), " ".join(words_of(checks))
    assert "(assumed)" in assumed
    assert "no published variability was found" in assumed
    assert "patients with repeated threshold checks" in estimated
    assert "(assumed) in 30 minutes" not in estimated
    notes = [n for t in ramp_tables(crossover) if t.name == "ramp_margins" for n in t.notes]
    assert any(note.startswith("ASSUMED drift") for note in notes)
    assert not any("ASSUMED" in n for t in ramp_tables(checks) for n in t.notes)


def test_drift_of_the_invented_checks_is_found_again(checks, shipped):
    """True change over 30 minutes: a standard deviation of 0.08 of the log threshold (truth.json), 8.3 %."""
    fit = checks.parts[0].drift.fits[0]
    change = fit.typical_change(30.0)
    assert change.lower < 100 * np.expm1(0.08) < change.upper


def test_summary_of_the_report_and_the_page(registry_analysis, tmp_path):
    told = ramp_summary(registry_analysis.ramps)
    # one statement with what is said of time
    assert sum(statement.endswith(told) for statement in summary_sentences(registry_analysis)) == 1
    assert "7 example policies" in told
    files = write_report(registry_analysis, (), tmp_path / "report")
    page = files.page.read_text(encoding="utf-8")
    heads = ("Was it capture at all?", "Ramps and margins", "Limits and cautions")
    places = [page.index(f"<h2>{head}") for head in heads]
    assert places == sorted(places)
    policies = tuple(p for part in registry_analysis.ramps.parts for p in part.policies)
    assert read_policies(tmp_path / "report" / "ramp_policies.toml") == policies
    for name in ("ramp_paths", "ramp_tradeoff", "ramp_reposition"):
        assert (tmp_path / "report" / "figures" / f"{name}.png").exists()


def test_names_of_policies_are_escaped(shipped, tmp_path):
    path = tmp_path / "p.toml"
    path.write_text(
        '[[policy]]\nname = "<script>alert(1)</script>"\nstart_ma = 40\nstep_ma = 10\nmaximum_ma = 140\ndwell_s = 2\n',
        encoding="utf-8",
    )
    from capstat import analyse_study

    options = AnalysisOptions(replicates=100, ramps=RampQuestion(policies=read_policies(path), draws=50))
    analysis = analyse_study(read_study(shipped / "crossover"), options, confirmation=False)
    files = write_report(analysis, (), tmp_path / "report")
    page = files.page.read_text(encoding="utf-8")
    assert "<script>" not in page
    assert "&lt;script&gt;" in page


def test_suppression_hides_groups_and_what_rests_on_single_patients(crossover, checks):
    hidden = suppress_ramps(crossover, 40)
    assert not [g for g in hidden.parts[0].groups if g.laws is not None]
    assert hidden.parts[0].reposition.reason
    assert {table.name for table in ramp_tables(hidden)} == {"ramp_policies"}
    some = suppress_ramps(crossover, 10)
    assert "ramp_without_model" not in {table.name for table in ramp_tables(some)}
    few = suppress_ramps(checks, checks.parts[0].drift.checks.n_patients + 1)
    assert not few.parts[0].drift.fits


def test_a_group_without_a_model_keeps_what_was_seen(tmp_path):
    """Everybody captured at 40 mA: no model fits, but nobody is missed and nobody waits."""
    lines = ["patient_id,placement,highest_no_capture_ma,lowest_capture_ma,max_output_ma"]
    lines += [f"P{k:02d},A/P,,40,140" for k in range(12)]
    path = tmp_path / "attempts.csv"
    path.write_text("\n".join(lines), encoding="utf-8")
    found = asked(path, RampQuestion(draws=50))
    text = " ".join(words_of(found))
    assert "no model can be used, because" in text
    assert "the table without a model has what was seen" in text
    tables = {table.name: table for table in ramp_tables(found)}
    assert "ramp_consequences" not in tables
    rows = tables["ramp_without_model"].rows
    assert len(rows) == 7
    assert {(row[2], row[3]) for row in rows} == {("\u2013", "0 %")}
    assert ramp_summary(found) == ""


def test_beyond_the_highest_current_tried_limits_reach_to_the_bounds(shipped):
    """Nobody tried more than 140 mA in the crossover: at 200 mA anything from none to all of the uncaptured is possible."""
    policy = replace(example_policies()[0], maximum_ma=200.0, name="to 200")
    found = asked(shipped / "crossover", RampQuestion((policy,), draws=60))
    for group in found.parts[0].groups:
        (model,), (plain,) = group.policies, group.without_model
        assert group.highest_tried_ma == 140
        assert plain.not_captured.identified[0] == 0
        assert model.not_captured.lower == 0
        assert model.not_captured.upper > plain.not_captured.identified[1]
        assert any("goes beyond the highest current tried" in note for note in model.not_captured.notes)


def test_policies_in_words(crossover):
    by_name = {p.name: p for p in crossover.parts[0].policies}
    coarse = next(p for name, p in by_name.items() if name.startswith("Coarse"))
    assert steps_words(coarse) == "20 mA, from 100 mA on 10 mA"
    assert order_words(coarse) == "rising 40 to 140 mA, then down by 5 mA to the loss"
    falling = next(p for name, p in by_name.items() if name.startswith("From the maximum"))
    assert "down to the loss and back up" in order_words(falling)
    assert time_words(replace(coarse, dwell_s=None, dwell_pulses=4, rate_ppm=60, hold_s=10)) == (
        "4 s (4 pulses) at 60 ppm; capture seen for 10 s"
    )


@pytest.mark.parametrize(
    ("value", "lower", "upper", "reason", "told"),
    [
        (12.34, 10.0, 14.0, "", "12.3 (10 to 14)"),
        (12.0, 10.0, np.inf, "", "12 (10 or more)"),
        (12.0, None, None, "", "12"),
        (None, 40.0, np.inf, "not reached: fewer are captured at all", "not reached (40 or more)"),
        (None, np.inf, np.inf, "not reached: fewer are captured at all", "not reached"),
        (None, None, None, "the threshold inside a step is not known without a model", "\u2013"),
    ],
)
def test_bare_numbers(value, lower, upper, reason, told):
    assert bare(Estimate("q", value, lower, upper, 0.95, "s", "identity", 9, "m", reason=reason)) == told


def test_bounds_in_words():
    known = Estimate("q", None, None, None, 0.95, "s", "identity", 9, "m", reason="r", identified=(3.0, 7.5))
    assert bounds_text(known) == "3 to 7.5 s"
    assert bounds_text(replace(known, identified=(3.0, np.inf))) == "3 s or more"
    assert bounds_text(replace(known, identified=None)) == "\u2013"
    assert bounds_text(replace(known, value=2.0)) == "2 s"
