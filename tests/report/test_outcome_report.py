"""What the report says of time to capture and outcome: cells are the estimates, words claim no more, small counts are gone."""

from __future__ import annotations

import itertools
import re
from dataclasses import fields, replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capstat import AnalysisOptions
from capstat.analysis.outcome_analysis import analyse_outcomes
from capstat.analysis.outcome_question import OutcomeQuestion
from capstat.analysis.suppress_counts import closed, left_out
from capstat.analysis.suppress_outcomes import suppress_outcomes
from capstat.attempts import study_from_frames
from capstat.outcomes.episodes import CAUSES
from capstat.report.figures import Picture
from capstat.report.outcome_section import outcome_section
from capstat.report.outcome_sentences import outcome_sentences, outcome_summary
from capstat.report.outcome_tables import outcome_tables
from capstat.report.outcome_words import cell, limits_words, points
from capstat.results import Estimate
from capstat.thresholds import MECHANICAL_CAPTURE

PAIR = ("anterior-posterior", "anterior-lateral")
CLAIMS = re.compile(
    r"\beffects?\b|because of|leads? to|improves?\b|\bcauses?d?\b|\bprevents?\b|\bbenefits?\b", re.IGNORECASE
)
BROKEN = re.compile(r"\bnan\b|\bNone\b|\binf\b|\bNA\b|<NA>|  +\.|\.\.|\( *\)|min min|% %")
COUNTS = ("patients", "known", "events", "missing", *CAUSES)


def frames(path, patients=slice(None)):
    tables = {name: pd.read_csv(path / f"{name}.csv") for name in ("attempts", "steps", "patients", "periods")}
    kept = tables["patients"]["patient_id"].iloc[patients]
    tables["patients"] = tables["patients"][tables["patients"]["patient_id"].isin(kept)]
    tables["attempts"] = tables["attempts"][tables["attempts"]["patient_id"].isin(kept)]
    for name in ("steps", "periods"):
        tables[name] = tables[name][tables[name]["attempt_id"].isin(tables["attempts"]["attempt_id"])]
    return {name: table.reset_index(drop=True) for name, table in tables.items()}


def analysed(tables, **question):
    study = study_from_frames(
        tables["attempts"], tables.get("steps"), tables.get("patients"), periods=tables.get("periods")
    )
    asked = OutcomeQuestion(replicates=100, **question)
    return analyse_outcomes(study, AnalysisOptions(), asked, MECHANICAL_CAPTURE, pair=PAIR)


@pytest.fixture(scope="module")
def raw(shipped):
    return frames(shipped / "registry", slice(200))


@pytest.fixture(scope="module")
def registry(raw):
    return analysed(raw, declared="survived_to_discharge")


@pytest.fixture(scope="module")
def few(shipped):
    """Seventy patients, in two settings, with outcomes that are missing more often with one placement."""
    tables = frames(shipped / "registry", slice(70))
    tables["attempts"]["setting"] = np.where(
        np.arange(len(tables["attempts"])) % 9 == 0, "emergency-department", "prehospital"
    )
    first = set(tables["attempts"].loc[tables["attempts"]["placement"] == PAIR[0], "patient_id"])
    gone = tables["patients"]["patient_id"].isin(first) & (np.arange(len(tables["patients"])) % 2 == 0)
    tables["patients"].loc[gone, "survived_to_discharge"] = np.nan
    return analysed(tables)


def tiny(*, captured, outcomes, times=True):
    n = 12
    attempts = pd.DataFrame({
        "attempt_id": [f"A{k}" for k in range(n)], "patient_id": [f"P{k}" for k in range(n)],
        "placement": [PAIR[k % 2] for k in range(n)], "ended": ["captured" if captured else "stopped-other"] * n,
        "max_output_ma": 200, "pacing_start_s": 0 if times else None, "pacing_end_s": 600 if times else None,
    })  # fmt: skip
    steps = pd.DataFrame(
        [
            {"attempt_id": f"A{k}", "step_order": 1 + j, "current_ma": 60 + 20 * j, "time_s": 20 * j + k if times else None,
             "mechanical_capture": "yes" if captured and j == 2 else "no"}
            for k in range(n) for j in range(3)
        ]
    )  # fmt: skip
    patients = pd.DataFrame({"patient_id": [f"P{k}" for k in range(n)], "age_years": [60 + k for k in range(n)]})
    if outcomes:
        patients["survived_to_discharge"] = ["yes" if k % 3 else "no" for k in range(n)]
    return {"attempts": attempts, "steps": steps, "patients": patients}


TINY = {
    "captured, without outcomes": {"captured": True, "outcomes": False},
    "captured, with outcomes": {"captured": True, "outcomes": True},
    "never captured": {"captured": False, "outcomes": True},
}


@pytest.fixture(scope="module", params=list(TINY))
def small_study(request):
    return analysed(tiny(**TINY[request.param]), minutes=(0.5, 1.0))


def words_of(found, suppress_below=1):
    told = outcome_sentences(found, suppress_below)
    return [sentence for field in fields(told) for sentence in getattr(told, field.name)] + [outcome_summary(found)]


def check_tables(found):
    tables = outcome_tables(found)
    assert len({table.name for table in tables}) == len(tables)
    for table in tables:
        assert table.rows, table.name
        assert not table.frame.empty, table.name
        assert all(len(row) == len(table.columns) for row in table.rows), table.name
        for text in itertools.chain(*table.rows, table.notes):
            assert not BROKEN.search(text), (table.name, text)
        assert all(note.endswith(".") for note in table.notes), table.notes


def check_sentences(found):
    for sentence in words_of(found):
        assert sentence.endswith("."), sentence
        assert not BROKEN.search(sentence), sentence
        assert found.randomised or not CLAIMS.search(sentence), sentence


def test_every_table_is_there(registry, few):
    names = [table.name for table in outcome_tables(registry)]
    assert [name for name in names if not name.startswith("time_by_")] == [
        "time_to_capture", "time_ends", "time_differences", "time_regression", "time_standardised", "capture_kept",
        "patients_over_time", "after_capture", "outcomes", "outcomes_adjusted", "outcome_balance", "outcome_missing",
    ]  # fmt: skip
    assert {"time_by_setting", "outcome_missing"} <= {table.name for table in outcome_tables(few)}


@pytest.mark.parametrize("name", ["registry", "few"])
def test_tables_and_sentences_hold_numbers_and_no_claims(name, request):
    found = request.getfixturevalue(name)
    check_tables(found)
    check_sentences(found)


def test_tables_and_sentences_of_tiny_studies(small_study):
    check_tables(small_study)
    check_sentences(small_study)


def test_words_of_claims_are_found():
    for claim in ("the effect of pads", "improves survival", "leads to death", "was caused by"):
        assert CLAIMS.search(claim)


def test_counts_are_those_of_the_files(registry, raw):
    """Recounted from the tables of the study with pandas alone."""
    tables = {table.name: table for table in outcome_tables(registry)}
    first = raw["attempts"].sort_values("attempt_order").drop_duplicates("patient_id")
    merged = first.merge(raw["patients"], on="patient_id")
    counts = tables["outcomes"].frame.dropna(subset=["events"])
    for placement in PAIR:
        own = merged.loc[merged["placement"] == placement, "survived_to_discharge"]
        row = counts[(counts["outcome"] == "survived_to_discharge") & (counts["group"] == placement)].iloc[0]
        assert (row["patients"], row["known"], row["events"], row["missing"]) == (
            len(own), own.notna().sum(), (own == "yes").sum(), own.isna().sum(),
        )  # fmt: skip
        assert f"{(own == 'yes').sum()} of {own.notna().sum()}" in " ".join(tables["outcomes"].rows[0])
    ends = tables["time_ends"].frame
    everybody = ends[ends["group"] == "all"]
    assert (everybody["patients"] == len(first)).all()
    assert (ends[list(CAUSES)].sum(axis=1) == ends["patients"]).all()


def test_cells_are_the_estimates(registry):
    tables = {table.name: table for table in outcome_tables(registry)}
    wait = registry.waits[-1]
    frame = tables["time_to_capture"].frame
    kept = frame[(frame["group"] == f"{wait.awaited}: all") & frame["quantity"].str.startswith("share captured by 5")]
    assert kept["value"].tolist() == [wait.everybody.captured_by[2].value]
    shown = [row for row in tables["time_to_capture"].rows if row[:2] == (wait.awaited, "captured by 5 min")]
    value = round(wait.everybody.captured_by[2].value)
    assert shown[0][2].startswith(f"{value} %")
    assert f"{value} of 100 patients" in outcome_summary(registry)
    shares = [row[3] for row in tables["patients_over_time"].rows]
    assert sum(int(share.split(" %")[0]) for share in shares) == pytest.approx(100, abs=3)


def test_the_declared_outcome_comes_first(registry):
    told = outcome_sentences(registry).outcomes
    assert told[0].startswith("Declared beforehand: ")
    assert "survived to discharge" in told[0]
    assert "exact test: p" in told[0]
    exploratory = [sentence for sentence in told if sentence.startswith("Exploratory")]
    assert len(exploratory) == len(registry.outcomes) - 1 > 0
    assert not any(re.search(r"\bp [=<]", sentence) for sentence in exploratory)
    rows = {row[0]: row for row in next(t for t in outcome_tables(registry) if t.name == "outcomes").rows}
    assert rows["survived to discharge"][1] == "declared"
    assert rows["survived to discharge"][-1].startswith("p ")
    assert all(row[-1] == "" for row in rows.values() if row[1] == "exploratory")


def test_without_a_declared_outcome_all_is_exploratory(few):
    told = outcome_sentences(few).outcomes
    assert told[0] == "No outcome was declared beforehand: everything here is exploratory."
    assert not any(re.search(r"\bp [=<]", sentence) for sentence in told)
    assert "none was declared" in outcome_summary(few)


def test_missing_outcomes_are_told_with_bounds(few):
    one = next(one for one in few.outcomes if one.outcome == "survived_to_discharge")
    first, second = one.risks.groups
    low = first.events / first.n - (second.events + second.missing) / second.n
    high = (first.events + first.missing) / first.n - second.events / second.n
    sentence = next(s for s in outcome_sentences(few).outcomes if "discharge is not recorded" in s)
    assert f"{first.missing} of {first.n} ({PAIR[0]})" in sentence
    numbers = re.search(r"lies between (\S+) and (\S+) points", sentence)
    told = [float(number.replace("\u2212", "-")) for number in numbers.groups()]
    assert told == pytest.approx([100 * low, 100 * high], abs=0.5)


def test_the_wrong_comparison_comes_after_why_it_is_wrong(registry):
    told = outcome_sentences(registry).immortal
    assert "cannot be captured any more" in told[0]
    assert "longer to be captured" in told[1]
    assert told[2].startswith("WRONG")
    assert "BIASED" in told[2]
    naive = next(row for row in registry.immortal.rows if row.biased).hazard_ratio
    assert f"{naive.value:.2f}" in told[2]
    assert not any(sentence.startswith("WRONG") for sentence in told[3:])
    assert "agree" in told[-3]
    assert told[-3].startswith("Adjusted or weighted, the other")
    assert "several looks" in told[-2]
    assert "proves" in told[-1]
    rows = next(table for table in outcome_tables(registry) if table.name == "after_capture").rows
    assert rows[0][0].startswith("BIASED")
    assert not any(row[0].startswith("BIASED") for row in rows[1:])
    assert len(rows) == len(registry.immortal.rows)


def test_agreement_counts_directions(registry):
    def moved(values):
        rows = []
        others = iter(values)
        for row in registry.immortal.rows:
            if row.biased:
                rows.append(row)
                continue
            value = next(others, None)
            if value is None:
                break
            hazard = Estimate("hazard ratio", value, value / 1.1, value * 1.1, 0.95, "ratio", "log", 100, "test")
            rows.append(replace(row, adjusted_hazard_ratio=None, hazard_ratio=hazard))
        return outcome_sentences(replace(registry, immortal=replace(registry.immortal, rows=tuple(rows)))).immortal

    assert "The other 2 comparisons agree in direction (fewer deaths" in moved([0.5, 0.8])[-3]
    assert "2 comparisons do not agree in direction (ratios 0.50 to 1.40" in moved([0.5, 1.4])[-3]
    assert "agree in direction (no fewer" in moved([1.2, 1.3])[-3]
    assert "limits of 1 of them include no difference" in moved([0.5, 0.95])[-3]
    assert moved([0.5])[-2].startswith("Too few")


def test_only_a_randomised_placement_has_an_effect(registry):
    lots = replace(
        registry, randomised=True, outcomes=tuple(replace(o, randomised=True, e_value=None) for o in registry.outcomes)
    )
    claims = [sentence for sentence in words_of(lots) if CLAIMS.search(sentence)]
    assert claims == [
        "The placement was drawn by lot: the difference estimates the effect of the assigned placement in patients like these."
    ]
    undeclared = replace(lots, outcomes=tuple(replace(o, role="exploratory") for o in lots.outcomes))
    assert not any(CLAIMS.search(sentence) for sentence in words_of(undeclared))


def test_hazard_ratios_say_whether_they_change(registry):
    model = registry.regression
    term = model.proportionality.terms[0]

    def told(p_value):
        checked = replace(
            model.proportionality, terms=(replace(term, p_value=p_value), *model.proportionality.terms[1:])
        )
        return " ".join(
            outcome_sentences(replace(registry, regression=replace(model, proportionality=checked))).regression
        )

    assert "changes with time (p = 0.010)" in told(0.01)
    assert "is not seen (p = 0.60)" in told(0.6)
    assert f"{model.capture.ratios[0].value:.2f} times as high with {PAIR[0]} pads as with {PAIR[1]} pads" in told(0.6)


def test_section_holds_every_table_and_picture(registry, small_study, monkeypatch):
    names = ("time_to_capture", "hazards_over_time", "patients_over_time", "capture_kept", "after_capture", "outcomes")
    drawn = tuple(Picture(name, "caption", "words", b"", b"") for name in names)
    monkeypatch.setattr("capstat.report.outcome_section.figures_of_outcomes", lambda found: drawn)
    for found in (registry, small_study):
        section = outcome_section(found)
        assert sorted(t.name for t in section.tables) == sorted(t.name for t in outcome_tables(found))
        assert all(part.sentences or part.pictures or part.tables for part in section.parts)
    headings = [part.heading for part in outcome_section(registry).parts]
    assert headings[0] == "How soon were patients captured?"
    assert headings[-1] == "What could not be had"
    assert {picture.name for picture in outcome_section(registry).pictures} == set(names)


def test_what_cannot_be_had_is_said(small_study):
    told = outcome_sentences(small_study)
    assert len(told.not_had) >= len({why for _, why in small_study.reasons}) > 0
    if not small_study.outcomes:
        assert told.outcomes == ()
    assert outcome_summary(small_study)


def revealed(found, fewest=5):
    """Small counts that a reader of the tables and sentences can see, or get by subtraction."""
    small = []
    for table in outcome_tables(found):
        for name in set(COUNTS) & set(table.frame.columns):
            numbers = pd.to_numeric(table.frame[name]).dropna()
            small += [(table.name, name, n) for n in numbers if 0 < n < fewest]
        told = [c for row in table.rows for c, head in zip(row, table.columns, strict=True) if head != "minutes"]
        small += [(table.name, c) for c in told if re.fullmatch(r"\d+", c) and 0 < int(c) < fewest]
        small += [(table.name, c) for c in told for n in re.findall(r"\b(\d+) of \d+", c) if 0 < int(n) < fewest]
        small += [
            (table.name, note) for note in table.notes
            for n in re.findall(r"(?<![\d.])(\d+) (?:of|patients?|losses|captures|gaps|had|were|\()", note) if 0 < int(n) < fewest
        ]  # fmt: skip
        if table.name == "time_ends":
            rows = table.frame
            hidden = (rows["patients"] - rows[list(CAUSES)].sum(axis=1))[rows[list(CAUSES)].isna().any(axis=1)]
            small += [("rest of time_ends", n) for n in hidden if 0 < n < fewest]
            for awaited, part in rows.groupby("awaited"):
                total, groups = part[part["group"] == "all"].iloc[0], part[part["group"] != "all"]
                for cause in CAUSES:
                    if len(groups) and groups[cause].notna().all() and pd.notna(total[cause]):
                        continue
                    visible = groups[cause].dropna().sum() if len(groups) else 0
                    lacking = groups[cause].isna().sum() if len(groups) else 0
                    if len(groups) == 2 and lacking == 1 and pd.notna(total[cause]) and total[cause] > visible:
                        small.append(("column of time_ends", awaited, cause))
    small += [
        s for s in words_of(found, fewest)
        for n in re.findall(r"(?<![\d.])(\d+) (?:of \d|patients?|more were|losses)", s) if 0 < int(n) < fewest
    ]  # fmt: skip
    return small


@pytest.mark.parametrize("name", ["registry", "few"])
def test_no_small_count_is_shown(name, request):
    found = request.getfixturevalue(name)
    assert revealed(found), "nothing to hide: the check would check nothing"
    hidden = suppress_outcomes(found, 5)
    assert revealed(hidden) == []
    check_tables(hidden)
    check_sentences(hidden)
    for wait in (*hidden.waits, *hidden.other_waits):
        for group in (wait.everybody, *wait.groups):
            assert group.n >= 5
            assert not any(0 < count < 5 for _, count in group.counts)
            assert {cause for cause, _ in group.competing_by} <= {cause for cause, _ in group.counts}
    for one in hidden.outcomes:
        assert all(min(group.events, group.known - group.events) in {0, *range(5, 1000)} for group in one.risks.groups)
    if hidden.states is not None:
        assert not ((hidden.states.at_risk > 0) & (hidden.states.at_risk < 5)).any()


def test_suppression_by_one_changes_nothing(registry):
    assert suppress_outcomes(registry, 1) is registry


def test_everything_small_is_gone_with_a_reason(small_study):
    hidden = suppress_outcomes(small_study, 50)
    assert not hidden.waits
    assert not hidden.outcomes
    assert outcome_tables(hidden) == ()
    assert any("too small to be shown" in sentence for sentence in outcome_sentences(hidden, 50).not_had)
    assert outcome_summary(hidden).startswith("Times or outcomes are recorded")
    assert outcome_section(hidden, 50).tables == ()


@settings(max_examples=150, deadline=None)
@given(st.lists(st.integers(0, 12), min_size=2, max_size=5), st.integers(2, 5))
def test_hidden_counts_do_not_follow_from_their_sum(counts, fewest):
    """All ways to fill the hidden cells are listed: none of them may be the only one, unless all is hidden."""
    small = {k for k, count in enumerate(counts) if 0 < count < fewest}
    gone = closed(counts, small, fewest)
    assert small <= gone
    assert not small or all(counts[k] > 0 for k in gone)
    positive = [k for k in range(len(counts)) if counts[k] > 0]
    if not small or gone == set(positive):
        return
    total = sum(counts[k] for k in gone)
    ways = [w for w in itertools.product(range(1, total + 1), repeat=len(gone)) if sum(w) == total]
    assert len(ways) > 1


def test_cells_in_words():
    def estimate(value, lower, upper, unit, direction="", **more):
        reason = "" if value is not None else "why"
        return Estimate("q", value, lower, upper, 0.95, unit, "identity", 9, "m", direction, reason=reason, **more)

    assert cell(estimate(62.4, 52.0, 71.0, "%")) == "62 % (52 to 71)"
    assert cell(estimate(None, 10.0, 90.0, "%", identified=(20.0, 30.0))) == "20 to 30 % (10 to 90)"
    assert cell(estimate(None, 4.0, np.inf, "min")) == "not reached (4 min or more)"
    assert cell(estimate(None, None, None, "ratio")) == "\u2013"
    assert cell(estimate(-1.05, -1.6, 0.04, "min", "a minus b")).startswith("\u22121")
    assert cell(estimate(12.0, 4.0, 20.0, "percentage points", "a minus b")) == "+12 points (+4.0 to +20)"
    assert points(estimate(12.0, 4.0, 20.0, "percentage points", "a minus b")) == "+12 points (95 % CI +4.0 to +20)"
    assert limits_words(estimate(62.4, 52.0, 71.0, "%")) == "95 % CI 52 to 71 %"
    assert cell(None) == "\u2013"


def test_a_small_landmark_leaves_its_row_without_numbers(registry):
    comparison = registry.immortal
    first = comparison.landmarks[0]
    scarce = replace(first, captured=replace(first.captured, deaths=2))
    changed = replace(registry, immortal=replace(comparison, landmarks=(scarce, *comparison.landmarks[1:])))
    rows = suppress_outcomes(changed, 5).immortal.rows
    hidden = [row for row in rows if row.method == "landmark" and row.at_min == first.at_min]
    assert [row.n for row in hidden] == [0]
    assert all("too small" in why for _, why in hidden[0].reasons)
    others = [row for row in rows if row.method == "landmark" and row.at_min != first.at_min]
    assert all(row.n for row in others)
    naive = replace(comparison.naive, captured=replace(comparison.naive.captured, deaths=1))
    assert suppress_outcomes(replace(registry, immortal=replace(comparison, naive=naive)), 5).immortal is None


def test_a_small_group_takes_comparisons_with_it(registry):
    last = registry.waits[-1]
    small_group = replace(last.groups[1], n=3)
    waits = (*registry.waits[:-1], replace(last, groups=(last.groups[0], small_group)))
    hidden = suppress_outcomes(replace(registry, waits=waits), 5)
    # of two groups the other one would give it away
    assert hidden.waits[-1].groups == ()
    assert hidden.waits[-1].differences == hidden.waits[-1].tests == ()
    assert hidden.regression is None
    assert hidden.standardised is None
    assert hidden.waits[0].differences


def test_no_point_of_a_single_patient_is_left(registry):
    before, after = (found.regression.proportionality for found in (registry, suppress_outcomes(registry, 5)))
    assert before.minutes.size > 0
    assert after.minutes.size == after.log_ratios.size == 0
    assert after.terms == before.terms


def test_small_reasons_for_leaving_out_are_put_together():
    assert left_out((("a", 20), ("b", 3), ("c", 9)), 5) == (("a", 20), ("other reasons", 12))
    assert left_out((("a", 20), ("c", 9)), 5) == (("a", 20), ("c", 9))
    assert left_out((("a", 2),), 5) == ()


@pytest.mark.parametrize(
    ("note", "kept"),
    [
        ("3 patients were first paced after 12.5 min", False),
        ("only 4 patients were still waiting", False),
        ("36 of 600 episodes were left out", True),
        ("left out: 3 dead by 5 min, 40 last seen by then", False),
        ("times up to 3 min, 4 % and 2.5 s are no counts", True),
        ("1 - Kaplan-Meier would say 4.2 %", True),
        ("(body_mass_index: 3)", False),
    ],
)
def test_notes_with_small_counts_are_left_out(registry, note, kept):
    changed = replace(registry, states=replace(registry.states, notes=(note,)))
    assert suppress_outcomes(changed, 5).states.notes == ((note,) if kept else ())
