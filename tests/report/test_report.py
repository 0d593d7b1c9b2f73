"""The page and its files: complete, escaped, repeatable, and readable by the people it is for."""

from __future__ import annotations

import dataclasses
import html.parser
import json
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from capstat import AnalysisOptions, analyse_study, read_study, study_from_frames, write_report
from capstat.report import wording
from capstat.report.sentences import cautions_for, summary_sentences
from capstat.report.table import parts
from capstat.results import Estimate

QUICK = AnalysisOptions(replicates=100)
SECTIONS = [
    "The data, and what is wrong with them",
    "Thresholds",
    "Placement",
    "Limits and cautions",
    "How this report was made",
]


class Page(html.parser.HTMLParser):
    """Text and tags of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data):
        self.words.append(data)

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", " ".join(self.words))


@pytest.fixture(scope="module")
def crossover(tmp_path_factory, shipped):
    study = read_study(shipped / "crossover")
    analysis = analyse_study(study, QUICK)
    return study, analysis, write_report(analysis, study.findings, tmp_path_factory.mktemp("out") / "report")


def tiny(**columns):
    frame = {
        "patient_id": [f"P{i}" for i in range(6)],
        "placement": ["anterior-posterior", "anterior-lateral"] * 3,
        "highest_no_capture_ma": [60, 80, 65, 140, np.nan, 90],
        "lowest_capture_ma": [65, 90, 70, np.nan, 40, 100],
        "max_output_ma": 140,
    }
    return study_from_frames(pd.DataFrame(frame | columns))


def test_sections_in_order_and_nothing_from_outside(crossover):
    page = Page(crossover[2].page.read_text(encoding="utf-8"))
    positions = [page.text.index(title) for title in SECTIONS]
    assert positions == sorted(positions)
    for tag, attributes in page.tags:
        assert tag not in ("script", "link", "iframe", "object")
        for name in ("src", "href"):
            assert (attributes.get(name) or "data:").startswith("data:")
    assert all(attributes.get("alt") for tag, attributes in page.tags if tag == "img")


def test_cautions_and_label_are_on_the_page(crossover):
    text = Page(crossover[2].page.read_text(encoding="utf-8")).text
    for caution in wording.CAUTIONS:
        assert caution in text
    assert "SYNTHETIC DATA" in text
    study = tiny()
    assert not analyse_study(study, QUICK).facts.synthetic


def test_tables_and_figures_lie_beside_the_page(crossover):
    files = crossover[2]
    tables = sorted(files.folder.glob("tables/*.csv"))
    assert len(tables) == files.tables
    assert len(list(files.folder.glob("figures/*.png"))) == files.figures
    assert len(list(files.folder.glob("figures/*.svg"))) == files.figures
    for path in files.folder.glob("figures/*.png"):
        assert path.read_bytes().startswith(b"\x89PNG")
    page = files.page.read_text(encoding="utf-8")
    for path in tables:
        assert f"tables/{path.name}" in page
    currents = pd.read_csv(files.folder / "tables" / "capture_currents_mechanical.csv")
    estimate = crossover[1].captures[0].groups[0].summary.capture_currents[0]
    assert currents.loc[0, "value"] == estimate.value
    assert currents.loc[0, "unit"] == "mA"


def test_provenance_is_complete(crossover):
    study, analysis, files = crossover
    provenance = json.loads((files.folder / "provenance.json").read_text(encoding="utf-8"))
    assert provenance["input fingerprint (SHA-256)"] == study.fingerprint
    assert provenance["seed"] == str(analysis.options.seed)
    assert provenance["input files"] == "attempts.csv, steps.csv, patients.csv"
    assert {"capstat", "numpy", "bootstrap replicates", "confidence level"} <= provenance.keys()


def test_same_input_and_seed_same_bytes(tmp_path):
    for name in ("a", "b"):
        study = tiny()
        write_report(analyse_study(study, QUICK), study.findings, tmp_path / name)
    files = sorted(p.relative_to(tmp_path / "a") for p in (tmp_path / "a").rglob("*") if p.is_file())
    assert len(files) > 8
    for name in files:
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes(), name


def test_text_from_the_data_is_escaped(tmp_path):
    """A file name and a warning's cell are the texts that reach the page."""
    source = tmp_path / "<img src=x onerror=alert(1)>.csv"
    source.write_text(
        "patient_id,placement,highest_no_capture_ma,lowest_capture_ma,max_output_ma,step_ma\n"
        "P1,AP,60,65,140,5\nP2,AL,70,75,140,5\nP3,AP,50,55,140,50\n",
        encoding="utf-8",
    )
    study = read_study(source)
    files = write_report(analyse_study(study, QUICK), study.findings, tmp_path / "out")
    text = files.page.read_text(encoding="utf-8")
    assert "<img src=x" not in text
    assert "&lt;img src=x onerror=alert(1)&gt;.csv" in text


def test_small_groups_are_suppressed_on_request(tmp_path):
    study = tiny()
    files = write_report(analyse_study(study, QUICK), study.findings, tmp_path / "out", suppress_below=5)
    text = Page(files.page.read_text(encoding="utf-8")).text
    assert "<5" in text
    counts = pd.read_csv(files.folder / "tables" / "censoring.csv", dtype=str)
    numbers = counts.iloc[:, 2:].to_numpy().ravel()
    assert not {"1", "2", "3", "4"} & set(numbers)
    assert set(counts["group"]) == {"all placements"}
    assert not list(files.folder.glob("figures/placement*"))
    hidden = write_report(analyse_study(study, QUICK), study.findings, tmp_path / "none", suppress_below=10)
    assert "suppressed as requested" in hidden.page.read_text(encoding="utf-8")


def canary(rng_seed):
    """40 patients with one placement, and 3 with another whose values change with the seed."""
    rng = np.random.default_rng(rng_seed)
    upper = np.r_[np.arange(40) % 12 * 5 + 50.0, rng.integers(9, 27, 3) * 5.0]
    frame = pd.DataFrame(
        {
            "patient_id": [f"P{i}" for i in range(43)], "placement": ["AP"] * 40 + ["AL"] * 3, "max_output_ma": 140,
            "highest_no_capture_ma": upper - 5, "lowest_capture_ma": upper,
        }
    )  # fmt: skip
    return study_from_frames(frame)


def test_nothing_in_a_suppressed_report_depends_on_the_small_group(tmp_path):
    """The canary: other values in a group of three change no byte of any table, figure or sentence."""
    pages = []
    for seed in (1, 2):
        study = canary(seed)
        folder = tmp_path / str(seed)
        write_report(analyse_study(study, QUICK), study.findings, folder, suppress_below=5)
        (folder / "provenance.json").unlink()
        text = (folder / "report.html").read_text(encoding="utf-8").replace(study.fingerprint, "")
        (folder / "report.html").write_text(text, encoding="utf-8")
        pages.append(
            {p.relative_to(folder): p.read_bytes() for p in folder.rglob("*.*") if p.is_file() and p.name[0] != "."}
        )
    assert pages[0].keys() == pages[1].keys()
    for name, data in pages[0].items():
        assert data == pages[1][name], name
    text = Page(pages[0][Path("report.html")].decode("utf-8")).text
    assert "too small to be shown" in text
    assert "with anterior-lateral pads" not in text
    # and without suppression they do matter
    plain = [
        write_report(analyse_study(canary(s), QUICK), (), tmp_path / f"plain{s}").page.read_bytes() for s in (1, 2)
    ]
    assert plain[0] != plain[1]


def test_small_cells_of_pairs_are_suppressed(tmp_path, shipped):
    study = read_study(shipped / "crossover")
    files = write_report(analyse_study(study, QUICK), study.findings, tmp_path / "out", suppress_below=5)
    text = Page(files.page.read_text(encoding="utf-8")).text
    assert "McNemar" not in text
    assert "of the attempts file" not in text
    assert not list(files.folder.glob("tables/paired_capture*"))
    assert not list(files.folder.glob("figures/paired*"))
    assert "less current than anterior-lateral pads in the same patient" in text


def test_identifiers_never_reach_the_report(tmp_path):
    study = tiny(patient_id=[f"SECRET-{i}" for i in range(6)])
    files = write_report(analyse_study(study, QUICK), study.findings, tmp_path / "out")
    for path in files.folder.rglob("*"):
        if path.is_file():
            assert b"SECRET" not in path.read_bytes(), path


def test_a_strangers_folder_is_refused_and_left_alone(tmp_path):
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "thesis.txt").write_text("do not delete", encoding="utf-8")
    study = tiny()
    with pytest.raises(FileExistsError, match="did not write"):
        write_report(analyse_study(study, QUICK), study.findings, tmp_path / "mine")
    assert [p.name for p in tmp_path.iterdir()] == ["mine"]
    assert (tmp_path / "mine" / "thesis.txt").read_text(encoding="utf-8") == "do not delete"


def test_nothing_half_written_is_left(tmp_path, monkeypatch):
    study = tiny()
    analysis = analyse_study(study, QUICK)
    monkeypatch.setattr("capstat.report.write._page", lambda context: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        write_report(analysis, study.findings, tmp_path / "out")
    assert list(tmp_path.iterdir()) == []


def test_summary_is_three_to_eight_sentences_a_committee_can_read(crossover):
    sentences = summary_sentences(crossover[1])
    assert 3 <= len(sentences) <= 8
    text = " ".join(sentences)
    assert "less current than anterior-lateral pads in the same patient" in text
    assert "decided by chance" in text
    assert "mA" in text
    assert "95 % confidence interval" in text
    assert "Nobody knows what a higher current would have done" in text
    assert "Had everybody been taken to the highest current tried, an estimated" in text


def test_summary_of_observational_data_claims_no_effect(registry_analysis):
    sentences = summary_sentences(registry_analysis)
    assert 3 <= len(sentences) <= 8
    text = " ".join(sentences)
    assert "this is an association" in text
    assert "went with about" in text
    assert "needed" not in text


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({"highest_no_capture_ma": 140, "lowest_capture_ma": np.nan}, "All thresholds|No attempt captured"),
        ({"placement": "anterior-posterior"}, "no attempt with anterior-lateral placement"),
    ],
)
def test_honest_answers_for_poor_data(tmp_path, columns, words):
    study = tiny(**columns)
    analysis = analyse_study(study, QUICK)
    files = write_report(analysis, study.findings, tmp_path / "out")
    text = Page(files.page.read_text(encoding="utf-8")).text
    reasons = " ".join(g.models.families.rows[0].reason for c in analysis.captures for g in c.groups) + text
    assert re.search(words, reasons)
    assert "nan" not in re.findall(r"[a-z]+", text.lower())


def test_one_patient(tmp_path):
    study = study_from_frames(
        pd.DataFrame(
            {
                "patient_id": ["P"],
                "placement": ["AP"],
                "highest_no_capture_ma": [60],
                "lowest_capture_ma": [65],
                "max_output_ma": [140],
            }
        )
    )
    files = write_report(analyse_study(study, QUICK), study.findings, tmp_path / "out")
    assert "1 patients" in files.page.read_text(encoding="utf-8") or "1 patient" in files.page.read_text(
        encoding="utf-8"
    )


def estimate(**changes):
    base = {
        "quantity": "q", "value": 80.0, "lower": 70.0, "upper": 90.0, "level": 0.95, "unit": "mA", "scale": "log", "n": 9,
        "method": "m",
    }  # fmt: skip
    return Estimate(**(base | changes))


@pytest.mark.parametrize(
    ("given", "text"),
    [
        (estimate(), "80 mA (95 % CI 70 to 90 mA)"),
        (estimate(upper=np.inf), "80 mA (95 % CI 70 mA or more)"),
        (estimate(value=None, reason="too few"), "not estimable (too few; 95 % CI 70 to 90 mA)"),
        (estimate(value=None, lower=None, upper=None, reason="too few"), "not estimable (too few)"),
        (estimate(value=0.815, lower=0.7, upper=1.04, unit="ratio"), "0.81 (95 % CI 0.70 to 1.04)"),
        (estimate(value=0.5, lower=0.004, upper=0.995, unit="proportion"), "50 % (95 % CI 0.4 to 99.5 %)"),
        (
            estimate(value=-0.12, lower=-0.2, upper=0.03, unit="proportion", direction="a minus b"),
            "\u221212 percentage points (95 % CI \u221220 to +3.0 percentage points)",
        ),
        (
            estimate(value=-20.4, lower=-30, upper=-0.2, direction="a minus b"),
            "\u221220 mA (95 % CI \u221230 to 0 mA)",
        ),
        (
            estimate(value=None, lower=0.0, upper=0.5, unit="ratio", reason="r"),
            "not estimable (r; 95 % CI 0.50 or less)",
        ),
    ],
)
def test_estimates_in_words(given, text):
    assert wording.estimate_text(given) == text


def test_everybody_captured_is_said_plainly():
    study = tiny(highest_no_capture_ma=[60, 80, 65, 70, 75, 90], lowest_capture_ma=[65, 85, 70, 75, 80, 95])
    text = " ".join(summary_sentences(analyse_study(study, QUICK)))
    assert "All 6 patients were captured, at 95 mA or less." in text
    assert "had no capture" not in text
    assert "How the placement was decided is not recorded" in text
    assert (
        "Few patients with capture inform this comparison (3 with anterior-posterior pads, 3 with anterior-lateral pads)"
        in text
    )
    assert " mA mA" not in text
    assert ".." not in text


def test_what_was_seen_stands_before_what_is_estimated(registry_analysis):
    """Registry: 49 of 600 had no capture (33 at their maximum, 16 stopped); the estimate at 200 mA is another number."""
    text = " ".join(summary_sentences(registry_analysis))
    assert "49 of 600 patients had no capture (33 at the device maximum, 16 stopped before it)." in text
    assert "an estimated 4 % at 200 mA" in text


def test_one_order_for_everybody_is_no_effect_of_placement(shipped):
    study = read_study(shipped / "crossover")
    order = np.where(study.attempts["placement"] == "anterior-posterior", 1.0, 2.0)
    fixed = dataclasses.replace(study, attempts=study.attempts.assign(attempt_order=order))
    analysis = analyse_study(fixed, QUICK)
    text = " ".join(summary_sentences(analysis))
    assert "in the same order, so an effect of the order cannot be told" in text
    assert "needed" not in text
    assert "read as an effect" not in text
    assert wording.OBSERVATIONAL_CAUTION in cautions_for(analysis)


def test_two_patients_in_each_group_are_not_compared_with_absurd_limits():
    study = study_from_frames(
        pd.DataFrame(
            {
                "patient_id": list("abcd"), "placement": ["AP", "AL", "AL", "AP"], "max_output_ma": 140,
                "highest_no_capture_ma": [60, 90, 140, np.nan], "lowest_capture_ma": [65, 95, np.nan, 40],
            }
        )
    )  # fmt: skip
    analysis = analyse_study(study, QUICK)
    text = " ".join(summary_sentences(analysis))
    assert "There are too few patients to say whether" in text
    assert "2 of 2 patients" in text
    assert not re.search(r"\d{4}", text)
    differences = analysis.captures[0].comparison.difference.at_currents
    assert {wording.interval_text(e) for e in differences} == {wording.NOT_BOUNDED}


def test_the_next_count_goes_where_a_hidden_one_would_follow():
    assert parts([39, 3, 0, 18], 5) == ["39", "<5", "0", "not shown"]
    assert parts([39, 3, 4, 18], 5) == ["39", "<5", "<5", "18"]
    assert parts([39, 1, 2, 18], 5) == ["39", "<5", "<5", "not shown"]
    # two fours are the only two hidden counts that make eight
    assert parts([39, 4, 4, 18], 5) == ["39", "<5", "<5", "not shown"]
    assert parts([39, 3, 18], 1) == ["39", "3", "18"]


def test_shares_are_counts_of_hundred_only_with_enough_patients():
    assert wording.share_of_patients(0.5, 2) == "1 of 2 patients"
    assert wording.share_of_patients(0.5, 20) == "50 % of 20 patients"
    assert wording.share_of_patients(0.567, 300) == "57 of 100 patients"
    assert wording.share_of_patients(0.0025, 400) == "fewer than 1 of 100 patients"
    assert wording.share_of_patients(0.9975, 400) == "more than 99 of 100 patients"
    assert wording.share_of_patients(1.0, 400) == "100 of 100 patients"


def test_provenance_names_every_choice(tmp_path):
    study = tiny()
    options = AnalysisOptions(replicates=100, fractions=(0.5, 0.75), currents_ma=(70.0, 90.0), adjust_for=(), seed=9)
    files = write_report(analyse_study(study, options), study.findings, tmp_path / "out")
    provenance = json.loads((files.folder / "provenance.json").read_text(encoding="utf-8"))
    assert provenance["capture currents for"] == "50 %, 75 %"
    assert provenance["shares captured at"] == "70 mA, 90 mA"
    assert provenance["adjusted for"] == "nothing"
    assert provenance["seed"] == "9"


def test_p_values_are_never_zero():
    assert wording.p_text(1e-12) == "p < 0.001"
    assert wording.p_text(0.0341) == "p = 0.034"
    assert wording.p_text(0.5) == "p = 0.50"
    assert wording.p_text(None) == ""


def test_estimates_are_numbers_or_reasons():
    with pytest.raises(ValueError, match="needs a reason"):
        estimate(value=None)
    with pytest.raises(ValueError, match="is NaN"):
        estimate(lower=float("nan"))


def test_random_small_studies_are_written_without_a_warning(tmp_path):
    """12 studies of 1 to 13 attempts, with everything a small study can lack: a report each time.

    Every fourth has the section on published studies, which hardly hangs on the study and takes the most time.
    """
    rng = np.random.default_rng(5)
    written = 0
    for k in range(12):
        n = int(rng.integers(1, 14))
        lower = rng.integers(3, 13, n) * 10.0
        no_capture, first_setting = rng.random(n) < rng.random(), rng.random(n) < 0.15
        weight = 60.0 + np.arange(n)
        frame = pd.DataFrame(
            {
                "patient_id": [f"P{i}" for i in range(n)], "placement": rng.choice(["AP", "AL", "other"], n),
                "max_output_ma": rng.choice([140.0, 200.0], n),
                "highest_no_capture_ma": np.where(first_setting & ~no_capture, np.nan, lower),
                "lowest_capture_ma": np.where(no_capture, np.nan, np.minimum(lower + rng.choice([5, 10, 20], n), 140)),
                "weight_kg": np.where(rng.random(n) < 0.5, weight, np.nan) if k % 2 else weight,
            }
        )  # fmt: skip
        study = study_from_frames(frame)
        analysis = analyse_study(study, QUICK, literature=k % 4 == 0)
        write_report(analysis, study.findings, tmp_path / str(k), suppress_below=int(rng.choice([1, 3])))
        written += 1
    assert written == 12


def test_a_wide_table_is_folded_and_loses_no_word():
    from capstat.report.table import Table, table_text

    words = "a cell that is far too long for a terminal of ordinary width and has to be folded"
    table = Table("t", "Title", tuple(f"head {k}" for k in range(5)), ((words,) * 5, ("1", "2", "3", "4", "5")), None)
    text = table_text(table)
    assert max(map(len, text.splitlines())) <= 122
    body = " ".join(text.splitlines()[3:]).split()
    assert sorted(body) == sorted([*(words.split() * 5), "1", "2", "3", "4", "5"])
