"""What the report says of distributions: tables and sentences say what the estimates say, and nothing where there is nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from capstat import AnalysisOptions, analyse_study, study_from_frames
from capstat.analysis import suppress_small_groups
from capstat.report.table import table_text
from capstat.report.tables import tables_of_thresholds
from capstat.report.threshold_sentences import (
    covariate_sentence,
    fit_sentences,
    never_captured_sentences,
    shortcut_sentence,
)

QUICK = AnalysisOptions(replicates=100)


@pytest.fixture(scope="module")
def registry(registry_analysis):
    return registry_analysis


@pytest.fixture(scope="module")
def everybody():
    """Twelve patients, all captured."""
    upper = np.array([50, 55, 60, 60, 65, 65, 70, 70, 75, 80, 90, 95.0])
    frame = pd.DataFrame(
        {
            "patient_id": [f"P{i:02d}" for i in range(12)], "placement": "AP", "highest_no_capture_ma": upper - 5,
            "lowest_capture_ma": upper, "max_output_ma": 140,
        }
    )  # fmt: skip
    return analyse_study(study_from_frames(frame), QUICK)


def tables(analysis, index=0, **others):
    return {table.name.rsplit("_", 1)[0]: table for table in tables_of_thresholds(analysis.captures[index], **others)}


def test_the_leading_definition_has_every_table(registry):
    assert set(tables(registry)) == {
        "capture_currents", "share_captured", "families", "mean_threshold", "never_captured", "tolerance", "shortcuts",
        "covariates",
    }  # fmt: skip
    # the others get the models, not the checks
    assert set(tables(registry, 1)) == {"capture_currents", "share_captured", "families", "covariates"}


def test_cells_and_csv_come_from_the_same_estimates(registry):
    capture = registry.captures[0]
    found = tables(registry)
    for table in found.values():
        assert all(len(row) == len(table.columns) for row in table.rows)
    frame = found["never_captured"].frame
    shares = [never.share.value for group in capture.groups for never in group.detail.never_captured]
    np.testing.assert_array_equal(frame["value"], shares)
    weights = found["families"].frame.groupby("group")["weight"].sum()
    np.testing.assert_allclose(weights, 1)
    assert found["shortcuts"].frame["why_it_misleads"].str.len().min() > 50


def test_sentences_of_the_registry(registry):
    capture = registry.captures[0]
    fits = " ".join(fit_sentences(capture))
    assert "the model with the lowest AIC is lognormal with a share never captured" in fits
    assert "fit about as well, so the average of the models is the better guide" in fits
    assert "The test of fit found no misfit" in fits
    never = never_captured_sentences(capture)
    assert len(never) == len(capture.groups)
    assert "depending on the shape assumed" in never[0]
    assert "rests on the shape of the model" in never[0]
    shortcuts = shortcut_sentence(capture)
    assert '"maximum + 1 mA"' in shortcuts
    assert f"{capture.groups[0].detail.shortcuts.dropped.mean.value:.1f} mA" in shortcuts
    assert "The current for nine in ten, worked out from their mean and SD" in shortcuts
    covariates = covariate_sentence(capture.covariates)
    assert "anterior-posterior relative to anterior-lateral (ratio 0.81)" in covariates
    assert "arrest" in covariates


def test_true_ratios_of_the_registry_are_inside_their_limits(registry):
    """truth.json: placement 0.82, arrest 1.1, 1.08 for 5 units of body mass index; limits of the one regression."""
    limits = {e.quantity: (e.lower, e.upper) for e in registry.captures[0].covariates.ratios}
    (placement,) = (v for k, v in limits.items() if "placement" in k)
    (size,) = (v for k, v in limits.items() if "body mass index" in k)
    assert placement[0] <= 0.82 <= placement[1]
    assert size[0] <= 1.08 <= size[1]


def test_a_model_that_does_not_fit_is_told(registry):
    capture = registry.captures[0]
    group = capture.groups[0]
    poor = replace(group.detail, fit_check=replace(group.detail.fit_check, p_value=0.01))
    sentences = fit_sentences(replace(capture, groups=(replace(group, detail=poor),)))
    assert "The test of fit speaks against it (p = 0.010): use the estimates without assumption" in sentences[0]


def test_everybody_captured(everybody):
    capture = everybody.captures[0]
    assert "up to" in " ".join(never_captured_sentences(capture))
    assert shortcut_sentence(capture) == ""
    assert covariate_sentence(capture.covariates) == ""
    assert "covariates" not in tables(everybody)


def test_small_groups_take_the_regression_with_them(registry):
    size = min(group.counts.patients for group in registry.captures[0].groups)
    hidden = suppress_small_groups(registry, size + 1)
    assert hidden.captures[0].covariates is None
    assert registry.captures[0].covariates is not None


def test_counts_below_the_limit_are_not_in_the_notes(registry):
    text = " ".join(tables(registry, suppress_below=5)["never_captured"].notes)
    assert "<5 attempts without capture followed further" in text


def test_text_table_is_aligned(registry):
    lines = table_text(tables(registry)["mean_threshold"]).splitlines()
    assert lines[0].startswith("Mean threshold up to")
    start = lines[1].index("quantity")
    assert all(line[start - 2 : start] == "  " for line in lines[3:6])


def test_one_attempt_with_a_rare_placement_leaves_the_regression_alone():
    """It once took the whole regression away: one attempt with another placement, not captured, has no finite ratio."""
    rng = np.random.default_rng(3)
    n = 80
    placement = np.array(["AP", "AL"] * (n // 2), dtype=object)
    upper = np.ceil(np.exp(rng.normal(4.3, 0.2, n)) / 5) * 5
    frame = pd.DataFrame(
        {
            "patient_id": [f"P{i:02d}" for i in range(n)], "placement": placement, "highest_no_capture_ma": upper - 5,
            "lowest_capture_ma": upper, "max_output_ma": 200,
        }
    )  # fmt: skip
    odd = frame.iloc[[0]].assign(
        patient_id="Q01", placement="other", highest_no_capture_ma=200, lowest_capture_ma=np.nan
    )
    analysis = analyse_study(study_from_frames(pd.concat([frame, odd], ignore_index=True)), QUICK)
    covariates = analysis.captures[0].covariates
    assert covariates is not None
    assert (covariates.n_complete, covariates.n_total) == (n, n + 1)
