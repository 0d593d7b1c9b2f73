"""Figures are there where there is something to show, count what they claim, and are the same each time."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from capstat import AnalysisOptions, analyse_study, study_from_frames
from capstat.analysis import suppress_small_groups
from capstat.report.figures import figures_of_capture
from capstat.report.figures.icons import IconCounts, icon_counts, icon_words
from capstat.results import Estimate

QUICK = AnalysisOptions(replicates=100)
CLOSER = {"quantiles", "icons", "never_captured", "standardised", "overlap", "balance", "robust", "forest", "modifier"}


def share(value=None, identified=None, lower=0.0, upper=1.0):
    return Estimate(
        "share captured at 80 mA", value, lower, upper, 0.95, "proportion", "score", 50, "method",
        reason="" if value is not None else "only bounded", identified=identified,
    )  # fmt: skip


def frame(n, placements=("AP",), step=10.0, seed=1):
    rng = np.random.default_rng(seed)
    upper = np.ceil(np.exp(rng.normal(np.log(90), 0.35, n)) / step) * step
    captured = upper <= 140
    return pd.DataFrame(
        {
            "patient_id": [f"P{i}" for i in range(n)],
            "placement": [placements[i % len(placements)] for i in range(n)],
            "highest_no_capture_ma": np.where(captured, upper - step, 140.0),
            "lowest_capture_ma": np.where(captured, upper, np.nan),
            "max_output_ma": 140,
        }
    )


def names(capture):
    ending = f"_{capture.capture.name}"
    return {picture.name.removesuffix(ending): picture for picture in figures_of_capture(capture)}


@pytest.fixture(scope="module")
def registry(registry_analysis):
    return registry_analysis


@pytest.fixture(scope="module")
def leading(registry):
    return names(registry.captures[0])


def test_registry_has_every_figure_and_each_is_told_in_words(leading):
    assert leading.keys() == {"capture_curve", "model_fit", "placement"} | CLOSER
    for picture in leading.values():
        assert picture.svg.startswith(b"<?xml")
        assert picture.png.startswith(b"\x89PNG")
        assert len(picture.caption) > 80
        assert len(picture.alternative) > 40


def test_only_the_leading_definition_is_looked_at_closely(registry):
    for capture in registry.captures[1:]:
        found = names(capture)
        assert not CLOSER & found.keys()
        assert "model_fit" in found


def test_captions_and_words_carry_the_numbers(registry, leading):
    capture = registry.captures[0]
    for group in capture.groups[1:]:
        assert group.models.best.name in leading["model_fit"].alternative
        assert f"p = {group.detail.fit_check.p_value:.2f}" in leading["model_fit"].alternative
        at_80 = next(s for s in group.summary.capture_probabilities if s.quantity.endswith(" at 80 mA"))
        told = icon_words(at_80).replace("\n", " ")
        assert f"{group.summary.label} at 80 mA: {told}." in leading["icons"].alternative
        assert told.startswith(f"{round(100 * at_80.value)} of 100 (")
    assert "different patients" in leading["icons"].caption
    assert "if every one had anterior-posterior pads and" in leading["standardised"].caption
    assert "lognormal 3 % (" in leading["never_captured"].alternative
    assert not capture.groups[0].detail.never_captured[0].follow_up.sufficient
    assert "do not clearly reach beyond" in leading["never_captured"].caption


def test_no_warning_about_follow_up_where_it_is_sufficient(registry):
    capture = registry.captures[0]
    group = capture.groups[0]
    reached = tuple(
        dataclasses.replace(never, follow_up=dataclasses.replace(never.follow_up, sufficient=True))
        for never in group.detail.never_captured
    )
    detail = dataclasses.replace(group.detail, never_captured=reached)
    changed = dataclasses.replace(capture, groups=(dataclasses.replace(group, detail=detail), *capture.groups[1:]))
    assert "do not clearly reach" not in names(changed)["never_captured"].caption


def test_repeated_drawing_gives_the_same_bytes(registry, leading):
    for name, picture in names(registry.captures[0]).items():
        assert picture == leading[name], name


def test_one_patient_has_a_curve_and_nothing_else():
    (capture,) = analyse_study(study_from_frames(frame(1)), QUICK).captures
    assert names(capture).keys() == {"capture_curve"}


@pytest.fixture(scope="module")
def uneven():
    """25 patients with one placement and 8 with another, on a grid of 20 mA; wanted also between two settings."""
    options = dataclasses.replace(QUICK, currents_ma=(60.0, 80.0, 90.0))
    return analyse_study(study_from_frames(frame(33, ("AP", "AP", "AP", "AL"), step=20.0)), options)


def test_a_small_placement_has_no_row_of_icons(uneven):
    (capture,) = uneven.captures
    found = names(capture)
    assert "anterior-posterior at" in found["icons"].alternative
    assert "anterior-lateral at" not in found["icons"].alternative
    assert "scaled up to 100" in found["icons"].caption
    assert "different patients" not in found["icons"].caption
    assert "cannot tell one model from another" in found["model_fit"].caption
    assert "standardised" not in found


def test_few_patients_get_no_icons(uneven):
    (capture,) = uneven.captures
    small = [group for group in capture.groups if group.counts.patients < 10]
    assert len(small) == 1
    assert "icons" not in names(dataclasses.replace(capture, groups=tuple(small), comparison=None))


def test_suppressed_groups_are_in_no_figure(uneven):
    (capture,) = suppress_small_groups(uneven, 10).captures
    pictures = figures_of_capture(capture)
    assert pictures
    for picture in pictures:
        assert "anterior-lateral" not in picture.caption + picture.alternative


def test_shares_that_are_only_bounded_have_icons_of_their_own(uneven):
    (capture,) = uneven.captures
    assert "Half-filled diamond" in names(capture)["icons"].caption
    group = next(g for g in capture.groups if g.summary.label == "anterior-posterior")
    known = tuple(s for s in group.summary.capture_probabilities if s.value is not None)
    assert 0 < len(known) < len(group.summary.capture_probabilities)
    group = dataclasses.replace(group, summary=dataclasses.replace(group.summary, capture_probabilities=known))
    alone = dataclasses.replace(capture, groups=(group,), comparison=None)
    assert "Half-filled" not in names(alone)["icons"].caption


def test_no_icons_without_wanted_currents(uneven):
    (capture,) = uneven.captures
    group = capture.groups[0]
    group = dataclasses.replace(group, summary=dataclasses.replace(group.summary, capture_probabilities=()))
    assert "icons" not in names(dataclasses.replace(capture, groups=(group,), comparison=None))


@pytest.mark.parametrize(
    ("estimate", "counts"),
    [
        (share(0.54), (54, 0, 46)),
        (share(0.0), (0, 0, 100)),
        (share(1.0), (100, 0, 0)),
        (share(1 - 1e-14), (100, 0, 0)),
        (share(0.998), (99, 0, 1)),
        (share(0.001), (1, 0, 99)),
        (share(identified=(0.483, 0.601)), (48, 12, 40)),
        (share(identified=(0.535, 0.538)), (53, 1, 46)),
        (share(identified=(0.9, 1.0)), (90, 10, 0)),
        (share(), (0, 100, 0)),
    ],
)
def test_icons_by_hand(estimate, counts):
    assert icon_counts(estimate) == IconCounts(*counts)


@given(st.floats(0, 1), st.floats(0, 1))
def test_icons_add_up_and_match_the_estimate(first, second):
    low, high = sorted((first, second))
    known = icon_counts(share(low))
    assert known.captured + known.not_captured == 100
    assert known.unknown == 0
    assert abs(known.captured - 100 * low) <= 1
    if high - low > 1e-9:
        bounded = icon_counts(share(identified=(low, high)))
        assert bounded.captured + bounded.unknown + bounded.not_captured == 100
        assert bounded.unknown > 0
        assert min(bounded.captured, bounded.not_captured) >= 0
        assert abs(bounded.captured - 100 * low) <= 1
        assert abs(bounded.not_captured - 100 * (1 - high)) <= 1


def test_words_under_icons():
    assert icon_words(share(0.54, lower=0.481, upper=0.604)) == "54 of 100\n(48 to 60)"
    assert icon_words(share(identified=(0.48, 0.6), lower=0.41, upper=0.7)) == "48 to 60 of 100\n(41 to 70)"
    # the number is inside its own limits although 99.8 % is not shown as all
    assert icon_words(share(0.998, lower=0.996, upper=1.0)) == "99 of 100\n(99 to 100)"
    assert icon_words(share(0.54, lower=None, upper=None)) == "54 of 100"
