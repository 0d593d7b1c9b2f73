"""What the report says of a comparison: tables, sentences and figures say what the estimates say, and claim no more."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from capstat import AnalysisOptions, analyse_study, read_study, study_from_frames
from capstat.analysis import DecisionQuestion, suppress_small_groups
from capstat.placement import Claim
from capstat.report.placement_detail_text import detail_sentences, detail_tables
from capstat.report.placement_sentences import comparison_text, ratios_sentence, same_patient_sentence
from capstat.report.placement_tables import placement_tables
from capstat.report.wording import listed

QUICK = AnalysisOptions(replicates=100)


@pytest.fixture(scope="module")
def registry(shipped):
    options = replace(QUICK, question=DecisionQuestion(Claim.NON_INFERIORITY, 1.1, at_least_ma=10.0))
    return analyse_study(read_study(shipped / "registry"), options).captures[0]


@pytest.fixture(scope="module")
def crossover(shipped):
    return analyse_study(read_study(shipped / "crossover"), QUICK).captures[0]


def tables(capture, suppress_below=1):
    name = capture.capture.name
    found = placement_tables(capture.comparison, name, suppress_below)
    found += detail_tables(capture.placement_detail, name, suppress_below)
    return {table.name.removesuffix(f"_{name}"): table for table in found}


def test_a_registry_has_every_table_between_patients(registry):
    assert set(tables(registry)) == {
        "placement", "placement_difference", "placement_families", "placement_score_tests", "placement_contrasts",
        "placement_practice", "adjustment_sets", "balance", "adjusted_shares", "e_values", "interactions", "forest",
        "imputed", "tipping",
    }  # fmt: skip


def test_a_crossover_has_every_table_within_patients(crossover):
    assert set(tables(crossover)) == {
        "placement", "placement_difference", "placement_within", "paired_capture", "paired_tests", "placement_contrasts",
        "placement_practice",
    }  # fmt: skip


@pytest.mark.parametrize("which", ["registry", "crossover"])
def test_cells_fit_their_heads_and_csv_holds_the_estimates(which, request):
    capture = request.getfixturevalue(which)
    for table in tables(capture).values():
        assert table.rows
        assert all(len(row) == len(table.columns) for row in table.rows), table.name
        assert not any("nan" in cell.lower().split() for row in table.rows for cell in row), table.name
    assert tables(capture)["placement"].frame["value"].iloc[0] == capture.comparison.ratio.value


def test_the_published_practice_stands_beside_its_like(registry, crossover):
    """Paired: the difference at the median; between patients nothing adjusted for on either line."""
    paired = tables(crossover)["placement_practice"].frame
    assert paired["value"].iloc[0] == crossover.comparison.difference_at_median.value
    assert paired["value"].iloc[1] == crossover.comparison.shortcut.difference.value
    between = tables(registry)["placement_practice"]
    assert between.frame["quantity"].iloc[0] == registry.comparison.contrasts.restricted_mean_difference.quantity
    assert between.rows[0][2].startswith("between −")


def test_observational_words_claim_no_effect(registry):
    text = " ".join(
        (*comparison_text(registry.comparison), *(s for _, part in detail_sentences(registry.placement_detail, registry.comparison).sections() for s in part))
    )  # fmt: skip
    assert "association" in text
    assert "effect of the placement" not in text
    assert "in patients alike in age, sex, body mass index, cardiac arrest and consciousness" in text
    assert "risk ratios of at least" in text


def test_more_than_one_ratio_is_explained(registry, crossover):
    sentence = ratios_sentence(registry.comparison)
    detail = registry.comparison.unpaired_ratio
    assert f"with nothing held alike it is {detail.unadjusted.value:.2f}" in sentence
    assert f"it is {detail.ratio.value:.2f}, the main analysis" in sentence
    assert ratios_sentence(crossover.comparison) == ""


def test_the_same_patient_in_words(registry, crossover):
    less = crossover.comparison.paired_ratio.probability_less
    assert f"in {100 * less.value:.0f} of 100" in same_patient_sentence(crossover.comparison)
    assert same_patient_sentence(registry.comparison) == ""


def test_decisions_name_margin_and_prior(registry):
    superiority, other, posterior = detail_sentences(registry.placement_detail, registry.comparison).decisions
    assert superiority.startswith("Superiority, read from the ratio (95 % confidence interval 0.78 to 0.87)")
    assert "go with less current than anterior-lateral pads is shown" in superiority
    assert "at most 10 % more current" in other
    assert other.endswith("an association, not an effect).")
    assert "at least 10 mA less" in posterior
    assert "prior: " in posterior


def test_no_subgroup_without_its_test(registry):
    forest = tables(registry)["forest"]
    assert forest.frame["interaction_p"].notna().all()
    assert {row[0] for row in forest.rows} == {"body mass index", "sex", "cardiac arrest"}
    words = " ".join(detail_sentences(registry.placement_detail, registry.comparison).forest)
    assert "Tests of interaction" in words
    assert "Subgroups mislead" in words


def test_small_counts_are_not_shown(registry_analysis):
    capture = suppress_small_groups(registry_analysis, 40).captures[0]
    detail = capture.placement_detail
    assert detail.forest is None  # 36 patients of low body mass index had anterior-lateral pads
    assert any("withheld" in sentence for sentence in detail_sentences(detail, capture.comparison).decisions)
    assert detail.imputed is None  # 36 attempts lack it
    assert detail.observational.overlap is None
    assert "Effective sizes" not in " ".join(tables(capture, 40)["balance"].notes)


def test_small_cells_of_pairs_take_the_tests_with_them(shipped):
    analysis = analyse_study(read_study(shipped / "crossover"), QUICK)
    capture = suppress_small_groups(analysis, 5).captures[0]
    assert capture.comparison.paired_tests is None
    assert "paired_tests" not in tables(capture)
    assert capture.comparison.shortcut is not None
    assert suppress_small_groups(analysis, 14).captures[0].comparison.shortcut is None


def test_a_randomised_parallel_study_has_no_propensity_score():
    rng = np.random.default_rng(3)
    n = 60
    upper = np.ceil(np.exp(rng.normal(np.log(80), 0.25, n)) / 5) * 5
    frame = pd.DataFrame(
        {
            "patient_id": [f"P{i:02d}" for i in range(n)], "placement": rng.permutation(["AP", "AL"] * (n // 2)),
            "highest_no_capture_ma": upper - 5, "lowest_capture_ma": upper, "max_output_ma": 200,
            "assignment": "randomised", "age_years": rng.integers(40, 80, n),
        }
    )  # fmt: skip
    capture = analyse_study(study_from_frames(frame), QUICK).captures[0]
    assert capture.placement_detail.observational is None
    assert "decided by chance" in " ".join(comparison_text(capture.comparison))
    assert "not an effect" not in " ".join(detail_sentences(capture.placement_detail, capture.comparison).decisions)


@pytest.mark.parametrize(("words", "text"), [(["a"], "a"), (["a", "b"], "a and b"), (["a", "b", "c"], "a, b and c")])
def test_lists_in_words(words, text):
    assert listed(words) == text
