"""Every rule of the evidence table: the record that breaks it, its nearest neighbour that does not, and silence without it."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

import pytest

from capstat.synthesis import evidence_checks, evidence_links
from capstat.synthesis.evidence_checks import ARM_RULES
from capstat.synthesis.evidence_fields import EVIDENCE_FIELDS
from capstat.synthesis.evidence_file import EvidenceError, join_evidence, read_evidence
from capstat.synthesis.evidence_links import LINK_RULES

BASE = {
    "arm": "mine_ap", "study": "mine", "citation": "Author A. Title. Journal 2020;1:1-2", "design": "series",
    "population": "adults", "age_group": "adults", "urgency": "elective", "setting": "hospital",
    "placement": "AP", "paced": "yes", "counted": "patients", "provenance": "own", "seen_in": "paper", "year": "2020",
}  # fmt: skip
THRESHOLD = {
    "n": "20", "capture_definition": "pulse", "n_captured": "18", "current_means": "threshold", "non_capture": "left-out",
    "n_current": "18", "mean_ma": "80", "sd_ma": "15", "max_output_ma": "140",
}  # fmt: skip
OTHER = {"arm": "mine_al", "placement": "AL"}
PAIR = {"compared_with": "mine_al", "difference_ma": "-10", "n_pairs": "15"}
LIMITS = {"difference_lower_ma": "-18", "difference_upper_ma": "-2", "interval_percent": "95"}
OUTCOME = {"n": "20", "outcome": "death", "outcome_events": "3", "outcome_n": "19"}


def text(*rows: dict[str, str]) -> str:
    names = [field.name for field in EVIDENCE_FIELDS if any(field.name in row for row in rows)]
    out = io.StringIO()
    writer = csv.DictWriter(out, names, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


@pytest.fixture
def found(tmp_path: Path) -> Any:
    """Return what is said of rows, as {(severity, rule, row, column): sentence}."""

    def reader(*rows: dict[str, str]) -> dict[tuple[str, str, int | None, str | None], str]:
        file = tmp_path / "mine.csv"
        file.write_text(text(*rows))
        try:
            findings = read_evidence(file).findings
        except EvidenceError as problem:
            findings = problem.findings
        return {(f.severity, f.rule, f.row, f.column): f.sentence() for f in findings}

    return reader


# rule, severity, column, changes that break it, changes that just do not, what the sentence says
CASES = [
    ("captured-above-n", "error", "n_captured", THRESHOLD | {"n_captured": "21", "non_capture": "not-stated"}, THRESHOLD | {"n_captured": "20"}, '"21" is above n, 20'),
    ("current-above-n", "error", "n_current", THRESHOLD | {"n_current": "21", "n_captured": "", "non_capture": "not-stated"}, THRESHOLD | {"n_current": "20", "n_captured": ""}, '"21" is above n, 20'),
    ("pairs-above-n", "error", "n_pairs", THRESHOLD | PAIR | {"n_pairs": "21"}, THRESHOLD | PAIR | {"n_pairs": "20"}, '"21" is above n, 20'),
    ("events-above-outcome-n", "error", "outcome_events", OUTCOME | {"outcome_events": "20"}, OUTCOME | {"outcome_events": "19"}, '"20" is above outcome_n, 19'),
    ("outcome-above-n", "error", "outcome_n", OUTCOME | {"outcome_n": "21"}, OUTCOME | {"outcome_n": "20"}, '"21" is above n, 20'),
    ("zero-count", "error", "n", {"n": "0"}, {"n": "1"}, "nobody was studied"),
    ("zero-count", "error", "outcome_n", {"outcome": "death", "outcome_n": "0"}, {"outcome": "death", "outcome_n": "1"}, "nobody was studied"),
    ("current-above-captured", "error", "n_current", THRESHOLD | {"n_current": "19"}, THRESHOLD | {"n_current": "19", "non_capture": "imputed", "imputed_as_ma": "141"}, "is above n_captured, 18"),
    ("somebody-not-captured", "error", "non_capture", THRESHOLD | {"non_capture": "none"}, THRESHOLD | {"non_capture": "none", "n_captured": "20"}, "n_captured is 18 and n is 20"),
    ("captured-control", "error", "n_captured", {"paced": "no", "n": "9", "n_captured": "0", "capture_definition": "pulse"}, {"paced": "no", "n": "9", "capture_definition": "pulse"}, "not paced"),
    ("outcome-parts", "error", "outcome", OUTCOME | {"outcome": ""}, OUTCOME, "is empty, but there is outcome_events and outcome_n"),
    ("outcome-parts", "error", "outcome_n", OUTCOME | {"outcome_n": ""}, OUTCOME, "outcome_events is 3"),
    ("undefined-capture", "error", "capture_definition", {"n": "20", "n_captured": "18"}, {"n": "20", "n_captured": "18", "capture_definition": "undescribed"}, "there is n_captured"),
    ("undefined-capture", "error", "capture_definition", THRESHOLD | {"n_captured": "", "capture_definition": ""}, THRESHOLD, "there is a threshold"),
    ("no-sd", "warning", "sd_ma", THRESHOLD | {"sd_ma": ""}, THRESHOLD, "cannot be pooled by itself"),
    ("sd-alone", "error", "sd_ma", THRESHOLD | {"mean_ma": ""}, THRESHOLD, "has no mean"),
    ("sd-zero", "warning", "sd_ma", THRESHOLD | {"sd_ma": "0"}, THRESHOLD | {"sd_ma": "0.1"}, "all currents were the same"),
    ("sd-above-mean", "warning", "sd_ma", THRESHOLD | {"sd_ma": "81"}, THRESHOLD | {"sd_ma": "80"}, "is above the mean, 80"),
    ("current-order", "error", "q1_ma", THRESHOLD | {"q1_ma": "70", "median_ma": "69"}, THRESHOLD | {"q1_ma": "70", "median_ma": "70"}, '"70" is above median_ma, 69'),
    ("current-order", "error", "minimum_ma", THRESHOLD | {"minimum_ma": "80", "maximum_ma": "79.5"}, THRESHOLD | {"minimum_ma": "80", "maximum_ma": "80"}, "is above maximum_ma, 79.5"),
    ("mean-outside-range", "error", "mean_ma", THRESHOLD | {"minimum_ma": "81"}, THRESHOLD | {"minimum_ma": "80"}, "is below minimum_ma, 81"),
    ("mean-outside-range", "error", "mean_ma", THRESHOLD | {"maximum_ma": "79"}, THRESHOLD | {"maximum_ma": "80"}, "is above maximum_ma, 79"),
    ("zero-current", "error", "median_ma", THRESHOLD | {"median_ma": "0"}, THRESHOLD | {"median_ma": "1"}, "is no current"),
    ("current-above-output", "error", "maximum_ma", THRESHOLD | {"maximum_ma": "141"}, THRESHOLD | {"maximum_ma": "140"}, "is above max_output_ma, 140"),
    ("current-above-output", "error", "mean_ma", THRESHOLD | {"mean_ma": "142", "non_capture": "imputed", "imputed_as_ma": "141"}, THRESHOLD | {"mean_ma": "141", "non_capture": "imputed", "imputed_as_ma": "141"}, "is above imputed_as_ma, 141"),
    ("imputed-too-low", "error", "imputed_as_ma", THRESHOLD | {"non_capture": "imputed", "imputed_as_ma": "140"}, THRESHOLD | {"non_capture": "imputed", "imputed_as_ma": "141"}, "is not above max_output_ma, 140"),
    ("imputed-word", "error", "imputed_as_ma", THRESHOLD | {"imputed_as_ma": "141"}, THRESHOLD, "non_capture is not imputed"),
    ("imputed-number", "error", "non_capture", THRESHOLD | {"non_capture": "imputed"}, THRESHOLD | {"non_capture": "imputed", "imputed_as_ma": "141"}, "needs imputed_as_ma"),
    ("current-without-meaning", "error", "current_means", THRESHOLD | {"current_means": ""}, THRESHOLD | {"current_means": "applied"}, "there is mean_ma"),
    ("non-capture-not-told", "error", "non_capture", THRESHOLD | {"non_capture": ""}, THRESHOLD | {"non_capture": "", "current_means": "applied"}, "is empty beside thresholds"),
    ("half-an-interval", "error", "difference_lower_ma", THRESHOLD | PAIR | LIMITS | {"difference_upper_ma": ""}, THRESHOLD | PAIR | LIMITS, "is the only limit"),
    ("half-an-interval", "error", "difference_lower_ma", THRESHOLD | PAIR | LIMITS | {"difference_ma": ""}, THRESHOLD | PAIR | LIMITS, "has no difference_ma"),
    ("estimate-outside-limits", "error", "difference_ma", THRESHOLD | PAIR | LIMITS | {"difference_ma": "10"}, THRESHOLD | PAIR | LIMITS | {"difference_ma": "-2"}, "is not between its limits, -18 and -2"),
    ("estimate-outside-limits", "error", "ratio_lower", THRESHOLD | {"compared_with": "mine_al", "ratio": "0.8", "ratio_lower": "0.9", "ratio_upper": "0.7", "interval_percent": "95"}, THRESHOLD | {"compared_with": "mine_al", "ratio": "0.8", "ratio_lower": "0.7", "ratio_upper": "0.9", "interval_percent": "95"}, "is above ratio_upper, 0.7"),
    ("interval-level", "error", "interval_percent", THRESHOLD | PAIR | LIMITS | {"interval_percent": ""}, THRESHOLD | PAIR | LIMITS, "there is difference_lower_ma"),
    ("interval-level", "error", "interval_percent", THRESHOLD | PAIR | {"interval_percent": "95"}, THRESHOLD | PAIR, "has no limits"),
    ("compared-with-nobody", "error", "compared_with", THRESHOLD | PAIR | {"compared_with": ""}, THRESHOLD | PAIR, "there is difference_ma"),
    ("compared-with-itself", "error", "compared_with", THRESHOLD | {"compared_with": "mine_ap"}, THRESHOLD | {"compared_with": "mine_al"}, "is the record itself"),
    ("number-from-memory", "error", "n", {"provenance": "memory", "seen_in": "not-seen", "n": "12"}, {"provenance": "memory", "seen_in": "not-seen"}, "known from memory only"),
    ("what-was-read", "error", "seen_in", {"provenance": "memory", "seen_in": "abstract"}, {"provenance": "memory", "seen_in": "not-seen"}, "contradicts provenance, memory"),
    ("what-was-read", "error", "seen_in", {"provenance": "verified", "seen_in": "not-seen"}, {"provenance": "own", "seen_in": "not-seen"}, "contradicts provenance, verified"),
    ("doi-form", "error", "doi", {"doi": "https://doi.org/10.1000/x"}, {"doi": "10.1000/x"}, "is no DOI"),
    ("pmid-is-year", "error", "pmid", {"pmid": "2020"}, {"pmid": "2021"}, "is the year"),
    ("year-not-in-citation", "warning", "year", {"year": "2002"}, {"year": "2020"}, "is not in the citation"),
    ("overlaps-itself", "error", "overlaps", {"overlaps": "mine_ap"}, {"overlaps": "mine_al"}, "names the record itself"),
]  # fmt: skip


@pytest.mark.parametrize(("rule", "severity", "column", "broken", "kept", "says"), CASES, ids=[f"{c[0]}-{c[2]}-{i}" for i, c in enumerate(CASES)])  # fmt: skip
def test_a_rule_finds_its_record_and_nothing_else_does(found, monkeypatch, rule, severity, column, broken, kept, says):
    other = BASE | OTHER
    told = found(BASE | broken, other)
    assert says in told[severity, rule, 2, column]
    assert told[severity, rule, 2, column].startswith(f"mine.csv, row 2, column {column}: ")
    assert not any(key[1] == rule for key in found(BASE | kept, other))
    monkeypatch.setattr(evidence_checks, "ARM_RULES", tuple(r for r in ARM_RULES if r.name != rule))
    assert not any(key[1] == rule for key in found(BASE | broken, other))


def test_every_rule_has_a_case():
    names = [rule.name for rule in ARM_RULES]
    assert set(names) == {case[0] for case in CASES}
    assert len(names) == len(set(names))


def test_the_plain_rows_of_these_tests_break_no_rule(found):
    assert found(BASE | THRESHOLD | PAIR | LIMITS, BASE | OTHER) == {}
    assert found(BASE | OUTCOME) == {}


@pytest.mark.parametrize(
    "name", ["n", "mean_ma", "n_captured", "difference_ma", "outcome_events", "pulse_width_ms", "ratio"]
)
def test_a_record_from_memory_has_no_number_at_all(found, name):
    told = found(BASE | {"provenance": "memory", "seen_in": "not-seen", name: "1"})
    assert ("error", "number-from-memory", 2, name) in told


@pytest.mark.parametrize("missing", ["sd_ma", "current_means", "non_capture", "capture_definition"])
def test_a_cell_that_is_not_understood_is_not_called_empty(found, missing):
    told = found(BASE | THRESHOLD | {missing: "what?"})
    assert [key[3] for key in told] == [missing]


# rule, severity, column (row 2), first row, second row, second row that is right
BETWEEN = [
    ("outcome-words-differ", "error", "outcome", OUTCOME | {"compared_with": "mine_al"}, OUTCOME | {"outcome": "alive"}, OUTCOME | {"outcome": "Death"}),
    ("contradicting-comparisons", "error", "difference_ma", THRESHOLD | PAIR, THRESHOLD | {"compared_with": "mine_ap", "difference_ma": "-10", "mean_ma": "90"}, THRESHOLD | {"compared_with": "mine_ap", "difference_ma": "10", "mean_ma": "90"}),
    ("contradicting-comparisons", "error", "ratio", THRESHOLD | {"compared_with": "mine_al", "ratio": "0.8"}, THRESHOLD | {"compared_with": "mine_ap", "ratio": "0.8"}, THRESHOLD | {"compared_with": "mine_ap", "ratio": "1.25"}),
    ("difference-not-of-means", "warning", "difference_ma", THRESHOLD | PAIR, THRESHOLD | {"mean_ma": "92"}, THRESHOLD | {"mean_ma": "91"}),
]  # fmt: skip


@pytest.mark.parametrize(("rule", "severity", "column", "first", "wrong", "right"), BETWEEN, ids=[f"{c[0]}-{c[2]}" for c in BETWEEN])  # fmt: skip
def test_a_rule_between_two_arms(found, monkeypatch, rule, severity, column, first, wrong, right):
    first = BASE | first
    assert (severity, rule, 2, column) in found(first, BASE | wrong | OTHER)
    assert not any(key[1] == rule for key in found(first, BASE | right | OTHER))
    monkeypatch.setattr(evidence_links, "LINK_RULES", tuple(r for r in LINK_RULES if r[0] != rule))
    assert not any(key[1] == rule for key in found(first, BASE | wrong | OTHER))


def test_every_rule_between_arms_has_a_case():
    assert {rule[0] for rule in LINK_RULES} == {case[0] for case in BETWEEN}


def test_names_of_records_that_are_nowhere(found):
    told = found(BASE | {"compared_with": "nobody", "overlaps": "mine_al elsewhere kelly1989"}, BASE | OTHER)
    assert "names no record" in told["error", "compared-with-unknown", 2, "compared_with"]
    assert 'There is no record "elsewhere"' in told["error", "overlaps-unknown", 2, "overlaps"]
    assert len(told) == 2  # a published record may be named


def test_codes_are_not_called_unknown_while_a_code_is_not_understood(found):
    told = found(BASE | {"compared_with": "mine_al"}, BASE | OTHER | {"arm": "mine al"})
    assert list(told) == [("error", "code-form", 3, "arm")]


def test_a_code_is_there_once(found):
    told = found(BASE, BASE | {"placement": "AL"})
    assert told["error", "duplicate-code", 3, "arm"] == (
        'mine.csv, row 3, column arm: "mine_ap" is also the code of mine.csv, row 2. Give every record its own code.'
    )


def test_two_records_of_one_study_that_say_the_same(found):
    same = BASE | THRESHOLD | {"arm": "again"}
    assert ("error", "duplicate-record", 3, "arm") in found(BASE | THRESHOLD, same)
    assert found(BASE | THRESHOLD, same | {"population": "other adults"}) == {}
    assert found(BASE, BASE | {"arm": "again"}) == {}  # without a number nothing is counted twice


KELLY = THRESHOLD | {"doi": "10.1000/ABC", "pmid": "123"}


@pytest.mark.parametrize(
    ("changes", "duplicate"),
    [
        ({}, True),
        ({"doi": ""}, True),
        ({"pmid": "", "doi": "10.1000/abc"}, True),
        ({"pmid": "", "doi": ""}, False),
        ({"pmid": "124", "doi": "10.1000/x"}, False),
        ({"placement": "AL"}, False),
        ({"capture_definition": "intracardiac"}, False),
        ({"mean_ma": "", "sd_ma": "", "current_means": ""}, True),  # the captured count is the same statistic
        ({"n_captured": ""}, True),  # the threshold is
        ({"mean_ma": "", "sd_ma": "", "current_means": "", "n_captured": "", "capture_definition": ""}, False),
        ({"overlaps": "mine_ap"}, False),
        ({"not_pooled": "known already"}, False),
        ({"study": "mine"}, False),  # two arms of one study, by intention
        ({"mean_ma": "79"}, True),
    ],
)
def test_the_same_study_under_another_code(found, changes, duplicate):
    told = found(BASE | KELLY, BASE | KELLY | {"arm": "second", "study": "theirs"} | changes)
    assert (("error", "duplicate-study", 3, "arm") in told) is duplicate


def test_an_outcome_is_the_same_statistic_in_the_same_kind_of_arm(found):
    numbers = {"pmid": "123", **OUTCOME}
    second = {"arm": "second", "study": "theirs"}
    assert ("error", "duplicate-study", 3, "arm") in found(BASE | numbers, BASE | numbers | second)
    for other in ({"paced": "no"}, {"outcome": "pain"}):
        told = found(BASE | numbers, BASE | numbers | second | other)
        assert list(told) == [("warning", "possible-duplicate", 3, "arm")]


DEATH, PAIN, BURNS = OUTCOME, OUTCOME | {"outcome": "pain"}, OUTCOME | {"outcome": "burns"}
REPORT = {"arm": "second", "study": "theirs"}


@pytest.mark.parametrize(
    ("first", "second", "warned"),
    [
        # the citation of BASE in other case and with other spaces
        ({}, {"citation": "AUTHOR  a. title. journal2020; 1:1-2"}, True),
        # an author whose short citation is the code of the study
        ({"citation": "of the group"}, {"citation": "Of the  Group"}, True),
        ({}, {"citation": "Author A. Another title. Journal 2020;1:3-4"}, False),
        ({"doi": "10.1000/a"}, {"citation": "Writer B. Title. Journal 2021", "doi": "10.1000/A"}, True),
        ({"pmid": "123"}, {"citation": "Writer B. Title. Journal 2021", "pmid": "123"}, True),
        ({"pmid": "123"}, {"citation": "Writer B. Title. Journal 2021", "pmid": "124"}, False),
        ({}, {"study": "mine"}, False),
        ({}, {"overlaps": "mine_ap"}, False),
        ({}, {"not_pooled": "the same people"}, False),
    ],
)
def test_two_reports_of_one_study_in_a_file(found, first, second, warned):
    told = found(BASE | DEATH | first, BASE | REPORT | PAIN | second)
    assert (("warning", "possible-duplicate", 3, "arm") in told) is warned
    assert not [key for key in told if key[0] == "error"]
    if warned:
        assert "overlaps" in told["warning", "possible-duplicate", 3, "arm"]


def test_a_pair_of_reports_is_told_once(found):
    rows = [BASE | DEATH, BASE | OTHER | PAIN, BASE | REPORT | BURNS, BASE | REPORT | BURNS | {"arm": "third"} | OTHER]
    rows[3] |= {"arm": "third", "study": "theirs"}
    told = [key for key in found(*rows) if key[1] == "possible-duplicate"]
    assert len(told) == 1
    # one overlap declared, and nothing that the others report is the same
    rows[2] |= {"overlaps": "mine_ap"}
    assert not [key for key in found(*rows) if key[1] == "possible-duplicate"]


def test_files_that_may_hold_the_same_study(tmp_path):
    """Beside the published table a study without numbers of its own may be there already: a warning, no error."""
    from capstat.synthesis.evidence_file import published_evidence

    file = tmp_path / "mine.csv"
    clinton = {"arm": "c85", "study": "c85", "citation": "Clinton JE, Ruiz E. J Emerg Med 1985", "year": "1985"}
    file.write_text(text(BASE | clinton | {"n": "37", "n_captured": "8", "capture_definition": "pulse"}))
    joined = join_evidence([published_evidence(), read_evidence(file)])
    (warning,) = [f for f in joined.findings if f.rule == "possible-duplicate"]
    assert warning.sentence().startswith(
        'mine.csv, row 2, column arm: "c85" may be the study of "clinton1985" (published_arms.csv, row '
    )
    file.write_text(
        text(BASE | clinton | {"n": "37", "n_captured": "8", "capture_definition": "pulse", "overlaps": "clinton1985"})
    )
    joined = join_evidence([published_evidence(), read_evidence(file)])
    assert not [f for f in joined.findings if f.rule == "possible-duplicate"]
