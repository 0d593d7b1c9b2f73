"""Figures of time and outcome draw what the results hold, stay on the page, and are left out where there is nothing."""

from __future__ import annotations

import io
import itertools
import re
from dataclasses import replace

import matplotlib as mpl
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text

from capstat import AnalysisOptions, read_study
from capstat.analysis.outcome_analysis import analyse_outcomes
from capstat.analysis.outcome_question import OutcomeQuestion
from capstat.attempts import study_from_frames
from capstat.outcomes.states import STATES, StateOccupation
from capstat.outcomes.time_standardised import StandardisedCapture
from capstat.report.figures import (
    outcome_capture,
    outcome_immortal,
    outcome_kept,
    outcome_proportional,
    outcome_risks,
    outcome_states,
)
from capstat.report.figures.canvas import Picture
from capstat.report.figures.outcome_marks import MOST_GROUPS, draw_limits, end_of_axis, points_axis, ratio_axis
from capstat.report.figures.outcomes import figures_of_outcomes
from capstat.report.wording import p_text
from capstat.results import Curve, Estimate
from capstat.thresholds import MECHANICAL_CAPTURE

MODULES = {
    "time_to_capture": outcome_capture,
    "hazards_over_time": outcome_proportional,
    "patients_over_time": outcome_states,
    "capture_kept": outcome_kept,
    "after_capture": outcome_immortal,
    "outcomes": outcome_risks,
}
PAIR = ("anterior-posterior", "anterior-lateral")


def some_patients(study, count):
    """The first patients of a study, as a study."""
    chosen = study.patients["patient_id"].iloc[:count]
    attempts = study.attempts[study.attempts["patient_id"].isin(chosen)]
    place = {row: k for k, row in enumerate(attempts.index)}

    def part(frame):
        kept = frame[frame["attempt_row"].isin(place)]
        return kept.assign(attempt_row=kept["attempt_row"].map(place)).reset_index(drop=True)

    patients = study.patients[study.patients["patient_id"].isin(chosen)].reset_index(drop=True)
    return study_from_frames(
        attempts.reset_index(drop=True), part(study.steps), patients, periods=part(study.periods)
    )  # fmt: skip


@pytest.fixture(scope="module")
def found(shipped):
    study = some_patients(read_study(shipped / "registry"), 60)
    question = OutcomeQuestion(declared="survived_to_discharge", replicates=100)
    return analyse_outcomes(study, AnalysisOptions(), question, MECHANICAL_CAPTURE, pair=PAIR)


def without_bytes(_figure, name, caption, alternative):
    return Picture(name, caption, alternative, b"", b"")


def drawn(found, *names):
    """The named pictures, all without a name, with their figures; without their bytes, which take most of the time."""
    kept = {}

    def keep(figure, name, caption, alternative):
        kept[name] = figure
        return without_bytes(figure, name, caption, alternative)

    with pytest.MonkeyPatch.context() as patch:
        for module in MODULES.values():
            patch.setattr(module, "render", keep)
        if names:
            made = [getattr(MODULES[name], f"{name}_picture")(found) for name in names]
        else:
            made = figures_of_outcomes(found)
    pictures = [picture for picture in made if picture is not None]
    assert [picture.name for picture in pictures] == list(kept)
    return {picture.name: (picture, kept[picture.name]) for picture in pictures}


@pytest.fixture(scope="module")
def pictures(found):
    return drawn(found)


def words_of(figure):
    """Visible words with their boxes in pixels."""
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    renderer = canvas.get_renderer()
    texts = [*figure.texts, *([figure._suptitle] if figure._suptitle else [])]
    for axis in figure.axes:
        if not axis.get_visible():
            continue
        texts += [axis.title, *axis.texts, axis.xaxis.label, axis.yaxis.label]
        for side in (axis.xaxis, axis.yaxis):
            low, high = sorted(side.get_view_interval())
            texts += [tick.label1 for tick in side.get_major_ticks() if low <= tick.get_loc() <= high]
    for legend in figure.legends:
        texts += legend.get_texts()
    shown = dict.fromkeys(text for text in texts if text.get_visible() and text.get_text().strip())
    # of an annotation the words alone, without the line to its point
    return [(text, Text.get_window_extent(text, renderer)) for text in shown]


def assert_tidy(pictures):
    """All words are on the page, and none touch."""
    for name, (_, figure) in pictures.items():
        texts = words_of(figure)
        for text, box in texts:
            inside = box.x0 > -1 and box.y0 > -1 and box.x1 < figure.bbox.width + 1 and box.y1 < figure.bbox.height + 1
            assert inside, (name, text.get_text())
        for (one, a), (other, b) in itertools.combinations(texts, 2):
            apart = a.x1 < b.x0 + 1 or b.x1 < a.x0 + 1 or a.y1 < b.y0 + 1 or b.y1 < a.y0 + 1
            assert apart, (name, one.get_text(), other.get_text())


def assert_readable(pictures):
    for name, (picture, _) in pictures.items():
        for words in (picture.caption, picture.alternative):
            assert not re.search(r"\bnan\b|None|\binf\b|  |\.\.|_", words), (name, words)
            assert not re.search(r"\beffect|because of|leads to|improve", words), (name, words)
            assert words.endswith("."), name
        assert len(picture.alternative) > 60, name


def lines_at(axis, label):
    return next(line for line in axis.get_lines() if line.get_label() == label)


def step_value(line, x):
    xs, ys = line.get_data()
    return ys[np.searchsorted(xs, x, side="right") - 1]


# what there is


def test_all_six_pictures_in_order(pictures):
    assert list(pictures) == list(MODULES)
    assert_readable(pictures)


def test_nothing_leaves_the_page_and_no_words_touch(pictures):
    assert_tidy(pictures)


def test_repeated_drawing_gives_the_same_bytes_as_wide_as_the_page(found, pictures):
    # the others are drawn with the same means
    for name in ("patients_over_time", "after_capture"):
        make = getattr(MODULES[name], f"{name}_picture")
        one, two = make(found), make(found)
        assert one == two, name
        assert (one.caption, one.alternative) == (pictures[name][0].caption, pictures[name][0].alternative)
        assert one.svg.startswith(b"<?xml")
        assert mpl.image.imread(io.BytesIO(one.png)).shape[1] == 1184


def test_without_any_part_there_is_no_picture(found):
    bare = replace(
        found, waits=(), regression=None, standardised=None, kept=None, states=None, immortal=None, outcomes=()
    )
    assert figures_of_outcomes(bare) == ()


def test_every_caption_says_what_it_rests_on(found, pictures):
    for name in ("time_to_capture", "outcomes", "capture_kept"):
        assert "Groups as they came about: a difference is an association" in pictures[name][0].caption, name
    randomised = drawn(replace(found, randomised=True), "time_to_capture", "capture_kept", "after_capture", "outcomes")
    for name in ("time_to_capture", "outcomes"):
        assert "The compared groups were drawn by lot." in randomised[name][0].caption
    # who is captured is never drawn by lot
    assert "Who was captured was not drawn by lot" in randomised["after_capture"][0].caption
    assert "who was captured was not drawn by lot" in randomised["capture_kept"][0].caption


# time to capture


def test_curves_pass_through_the_shares_told(found, pictures):
    figure = pictures["time_to_capture"][1]
    for group in found.waits[-1].groups:
        line = lines_at(figure.axes[0], group.label)
        for minute, share in zip(found.question.minutes, group.captured_by, strict=True):
            assert step_value(line, minute) == pytest.approx(share.value)
    for group in found.waits[-2].groups:
        share = group.captured_by[0]
        assert step_value(lines_at(figure.axes[1], group.label), 1.0) == pytest.approx(share.value)


def test_a_curve_without_any_time_is_left_empty(found):
    empty = np.empty(0)
    nothing = Curve("nobody observed", empty, empty, empty, empty, empty, 0.95, "by hand")
    wait = found.waits[-1]
    groups = tuple(
        replace(group, capture=nothing, competing=tuple(nothing for _ in group.competing)) for group in wait.groups
    )
    figure = drawn(replace(found, waits=(replace(wait, groups=groups),)), "time_to_capture")["time_to_capture"][1]
    assert figure.axes[0].get_xlim() == (0, max(found.question.minutes))
    assert all(line.get_xdata().size == 0 for line in figure.axes[0].get_lines())


def test_a_hidden_end_leaves_the_dashes_of_the_others(found):
    names = ("own rhythm returned", "given up")
    x = np.array([0.0, 3.0])
    curve = {name: Curve(name, x, x / 60, x / 60, x / 60, x / 60, 0.95, "by hand") for name in names}
    one, two = found.waits[-1].groups
    groups = (
        replace(one, competing=tuple(curve.values()), competing_by=tuple((name, ()) for name in names)),
        # as suppression leaves it: the first end hidden in this group
        replace(two, competing=(curve["given up"],), competing_by=(("given up", ()),), counts=two.counts[1:]),
    )
    pictures = drawn(replace(found, waits=(replace(found.waits[-1], groups=groups),)), "time_to_capture")
    picture, figure = pictures["time_to_capture"]
    dashes = [line._dash_pattern[1] for line in figure.axes[-1].get_lines()]
    assert len(dashes) == 3
    assert dashes[0] is None
    # patterns are scaled by the width of the line, 2.2 and 1.1
    np.testing.assert_allclose(np.array(dashes[1]) / 2.2, np.array(dashes[2]) / 1.1)
    assert "Ends that few patients had are left out." in picture.caption


def test_standardised_curves_are_dotted_and_assumed(found):
    x = np.array([0.0, 2.0, 5.0])
    curves = tuple(
        Curve(name, x, y, y, y, y, 0.95, "by hand") for name, y in zip(PAIR, x * [[0.1], [0.2]], strict=True)
    )
    standardised = StandardisedCapture(*PAIR, curves, (), (), 55, 50, 3, 200, 0, (), ())
    pictures = drawn(replace(found, standardised=standardised), "time_to_capture")
    picture, figure = pictures["time_to_capture"]
    ends = [line.get_ydata()[-1] for line in figure.axes[0].get_lines() if line.get_zorder() == 5]
    assert ends == pytest.approx([50, 100])
    assert "covariates of 55 complete patients" in picture.caption
    assert "(assumed)" in picture.caption
    assert [t.get_text() for t in figure.legends[0].get_texts()][2] == "anterior-posterior, standardised"
    assert_tidy(pictures)
    # without two groups there is nothing to put beside it
    alone = replace(found, standardised=standardised, waits=(replace(found.waits[-1], groups=()),))
    assert "Dotted" not in drawn(alone, "time_to_capture")["time_to_capture"][0].caption


def test_one_group_and_one_wait(found):
    alone = replace(found.waits[-1], groups=())
    one = drawn(
        replace(found, waits=(alone,), kept=replace(found.kept, groups=()), first="", minus=""),
        "time_to_capture",
        "capture_kept",
    )
    picture, figure = one["time_to_capture"]
    assert [line.get_label() for line in figure.axes[0].get_lines()] == ["all"]
    assert "association" not in picture.caption
    assert "all: " in one["capture_kept"][0].alternative
    assert_tidy(one)


def test_interval_times_are_an_area(found, pictures):
    untouched = pictures

    def widened(group):
        curve = group.capture
        upper = np.minimum(curve.upper + 0.1, 1.0)
        band = np.maximum(curve.band_upper, upper)
        return replace(group, capture=replace(curve, upper=upper, band_upper=band))

    wait = found.waits[-1]
    pictures = drawn(replace(found, waits=(replace(wait, groups=tuple(map(widened, wait.groups))),)), "time_to_capture")
    picture, figure = pictures["time_to_capture"]
    assert "times are known as intervals only" in picture.caption
    assert "times are intervals: the curve lies in here" in [t.get_text() for t in figure.legends[0].get_texts()]
    assert "known as intervals" not in untouched["time_to_capture"][0].caption
    assert_tidy(pictures)


def test_of_five_groups_the_four_largest_are_drawn(found):
    def five(groups, name, size):
        base = groups[0]
        labels = [*PAIR, "lateral to back", "sternal", "elsewhere"]
        return tuple(replace(base, **{name: label, size: 50 - (k == 2) * 49}) for k, label in enumerate(labels))

    waits = tuple(replace(wait, groups=five(wait.groups, "label", "n")) for wait in found.waits)
    kept = replace(found.kept, groups=five(found.kept.groups, "name", "n_captured"))
    pictures = drawn(replace(found, waits=waits, kept=kept), "time_to_capture", "capture_kept")
    for name in ("time_to_capture", "capture_kept"):
        picture, figure = pictures[name]
        assert f"the {MOST_GROUPS} groups with most patients, of 5" in picture.caption
        labels = " ".join(text.get_text() for text in figure.legends[0].get_texts())
        assert "elsewhere" in labels
        assert "lateral to back" not in labels
    assert_tidy(pictures)


# hazards


def test_hazards_show_the_compared_group_first_with_its_p_value(found, pictures):
    picture, figure = pictures["hazards_over_time"]
    check = found.regression.proportionality
    assert "anterior-posterior against anterior-lateral" in figure.axes[0].get_title()
    assert sum(axis.get_visible() for axis in figure.axes) == min(len(check.terms), 4)
    smooth = figure.axes[0].get_lines()[2]
    np.testing.assert_allclose(smooth.get_ydata(), check.smooth[:, 0])
    assert p_text(check.terms[0].p_value) in figure.axes[0].get_title().replace("\n", " ")
    assert f"{check.minutes.size} captures" in picture.caption


def test_nothing_adjusted_after_capture(found):
    pictures = drawn(replace(found, immortal=replace(found.immortal, confounders=())), "after_capture")
    assert "Nothing is adjusted for." in pictures["after_capture"][0].caption


def test_no_hazards_without_a_test(found):
    check = replace(found.regression.proportionality, terms=(), reason="nobody was captured")
    assert "hazards_over_time" not in drawn(
        replace(found, regression=replace(found.regression, proportionality=check)), "hazards_over_time"
    )


# states, by hand


def hand_states(n=40):
    times = np.array([0.0, 5.0, 20.0])
    probability = np.zeros((len(STATES), 3))
    probability[0] = [1.0, 0.25, 0.0]
    probability[1] = [0.0, 0.50, 0.50]
    probability[2] = [0.0, 0.25, 0.0]
    probability[3] = [0.0, 0.0, 0.48]
    probability[4] = [0.0, 0.0, 0.02]
    at_risk = np.array([[n, 10, 0], [0, 20, 20], [0, 10, 0]])
    return StateOccupation(
        STATES, times, probability, probability, probability, np.array([0.0, 15.0, 30.0]), at_risk, 30.0, 0.95, n,
        "the first pulse", "by hand", (),
    )  # fmt: skip


def test_bands_of_states_by_hand(found):
    pictures = drawn(replace(found, states=hand_states()), "patients_over_time")
    picture, figure = pictures["patients_over_time"]
    axis = figure.axes[0]
    # from the bottom: captured, capture lost, not captured, dead, handed over, alive
    for collection, (low, high) in zip(
        axis.collections, [(0, 50), (50, 75), (75, 100), (100, 100), (100, 100), (100, 100)], strict=True
    ):
        corners = collection.get_paths()[0].vertices
        heights = corners[np.isclose(corners[:, 0], 10.0), 1]
        assert heights.size >= 2
        assert (heights.min(), heights.max()) == pytest.approx((low, high))
    words = [text.get_text() for text in axis.texts]
    assert {"captured", "capture lost", "paced, not captured", "ended, alive"} <= set(words)
    assert not any("handed over" in text for text in words)
    assert "Too few to see: handed over, still paced." in picture.caption
    assert (
        "10 minutes after the first pulse, of 100 paced patients: 25 paced, not captured; 50 captured"
        in picture.caption
    )
    assert "There are only 40" in picture.caption
    assert "15\n40" in [tick.get_text() for tick in axis.get_xticklabels()]
    assert_tidy(pictures)


def test_bands_differ_in_grey(pictures):
    """Neighbours differ in lightness by 20 of 100 or in hatching (luminance weights of ITU-R BT.709)."""
    looks = list(outcome_states.LOOKS.values())
    grey = [100 * np.dot(mpl.colors.to_rgb(look.face), (0.2126, 0.7152, 0.0722)) for look in looks]
    for (one, a), (other, b) in itertools.combinations(zip(looks, grey, strict=True), 2):
        assert abs(a - b) > 20 or one.hatch != other.hatch, (one, other)


# capture kept


def test_share_of_minutes_is_drawn_and_a_reason_told(found, pictures):
    figure = pictures["capture_kept"][1]
    marks = [line.get_xdata()[0] for line in figure.axes[2].get_lines()]
    assert sorted(marks) == pytest.approx(sorted(group.share_of_minutes.value for group in found.kept.groups))
    lacking = replace(
        found.kept.groups[0].share_of_minutes, value=None, lower=None, upper=None, reason="no paced minutes are known"
    )
    groups = (replace(found.kept.groups[0], share_of_minutes=lacking), found.kept.groups[1])
    picture, other = drawn(replace(found, kept=replace(found.kept, groups=groups)), "capture_kept")["capture_kept"]
    assert "no paced minutes are known" in [text.get_text() for text in other.axes[2].texts]
    assert "no value (no paced minutes are known)" in picture.alternative


def test_nobody_captured_leaves_the_picture_out(found):
    nobody = replace(found.kept.everybody, first_loss=None, mean_losses=None)
    assert "capture_kept" not in drawn(replace(found, kept=replace(found.kept, everybody=nobody)), "capture_kept")


# after capture


def test_the_biased_row_comes_first_and_looks_different(found, pictures):
    picture, figure = pictures["after_capture"]
    rows = found.immortal.rows
    assert rows[0].biased
    marks = [line for line in figure.axes[0].get_lines() if line.get_marker() in ("X", "o")]
    assert marks[0].get_marker() == "X"
    assert marks[0].get_markerfacecolor() == "white"
    assert [line.get_marker() for line in marks].count("X") == 2
    values = [one.value for row in rows for one in (row.hazard_ratio, row.adjusted_hazard_ratio) if one is not None]
    assert [line.get_xdata()[0] for line in marks] == pytest.approx([value for value in values if value is not None])
    assert "BIASED: immortal time" in [text.get_text() for text in figure.texts]
    assert picture.alternative.index("BIASED") < picture.alternative.index("landmark")
    # crude hollow, adjusted filled
    crude, adjusted = marks[2], marks[3]
    assert crude.get_markerfacecolor() == "white"
    assert adjusted.get_markerfacecolor() != "white"


def test_reasons_and_open_limits_after_capture(found):
    rows = list(found.immortal.rows)
    open_above = replace(rows[1].hazard_ratio, upper=np.inf)
    lacking = replace(rows[2].hazard_ratio, value=None, lower=None, upper=None, reason="nobody died after it")
    rows[1] = replace(rows[1], hazard_ratio=open_above, adjusted_hazard_ratio=None)
    rows[2] = replace(rows[2], hazard_ratio=lacking, adjusted_hazard_ratio=lacking)
    pictures = drawn(replace(found, immortal=replace(found.immortal, rows=tuple(rows))), "after_capture")
    picture, figure = pictures["after_capture"]
    assert any(line.get_marker() == ">" for line in figure.axes[0].get_lines())
    # told once, though two estimates lack it
    assert [text.get_text() for text in figure.axes[0].texts].count("nobody died after it") == 1
    assert f"landmark 2 min: hazard ratio {open_above.value:.2f} (from {open_above.lower:.2f})" in picture.alternative
    assert_readable(pictures)
    assert_tidy(pictures)


# outcomes


def test_the_declared_outcome_is_first_and_set_apart(found, pictures):
    picture, figure = pictures["outcomes"]
    words = [text.get_text() for text in figure.texts]
    first = next(k for k, text in enumerate(words) if text.startswith("survived to discharge"))
    assert words[first - 1] == "DECLARED BEFOREHAND"
    assert sum(text.startswith("EXPLORATORY") for text in words) == 1
    assert words.index(next(text for text in words if text.startswith("EXPLORATORY"))) > first
    parts = [
        part.difference.value
        for one in found.outcomes
        for part in (one.risks, one.standardised, one.inverse_probability, one.overlap)
        if part.difference.value is not None
    ]
    marks = [line.get_xdata()[0] for line in figure.axes[0].get_lines() if line.get_marker() in outcome_risks.MARKS]
    assert marks == pytest.approx([100 * value for value in parts])
    assert "the rest is exploratory" in picture.caption


def test_none_declared_and_none_adjusted(found):
    def exploratory(one):
        lacking = replace(
            one.standardised.difference, value=None, lower=None, upper=None, reason="no confounders were declared"
        )
        parts = {
            name: replace(getattr(one, name), difference=lacking)
            for name in ("standardised", "inverse_probability", "overlap")
        }
        return replace(one, role="exploratory", confounders=(), **parts)

    pictures = drawn(replace(found, outcomes=tuple(map(exploratory, found.outcomes))), "outcomes")
    picture, figure = pictures["outcomes"]
    words = [text.get_text() for text in figure.texts]
    assert "DECLARED BEFOREHAND" not in words
    assert words.count("no value: no confounders were declared") == len(found.outcomes)
    assert "No outcome was declared beforehand; everything here is exploratory" in picture.caption
    assert "adjustment for" not in picture.caption
    assert_readable(pictures)
    assert_tidy(pictures)


# marks


@settings(max_examples=30)
@given(
    st.floats(-3, 3), st.floats(0, 3), st.floats(0, 3), st.booleans(), st.booleans(), st.sampled_from(["log", "points"])
)  # fmt: skip
def test_limits_stay_inside_and_arrows_mean_open(middle, below, above, open_low, open_high, kind):
    log = kind == "log"
    change = np.exp if log else (lambda x: 20 * x)
    low = (0.0 if log else -np.inf) if open_low else float(change(middle - below))
    high = np.inf if open_high else float(change(middle + above))
    one = Estimate("x", float(change(middle)), low, high, 0.95, "ratio" if log else "points", kind, 9, "by hand")
    axis = Figure().subplots()
    if log:
        ratio_axis(axis, [one])
    else:
        points_axis(axis, [one], 1.0)
    left, right = axis.get_xlim()
    draw_limits(axis, one, 0.0, marker="o", colour="black", hollow=True)
    for line in axis.get_lines():
        assert left <= line.get_xdata()[0] <= right
    ends = np.concatenate([path.vertices[:, 0] for part in axis.collections for path in part.get_paths()])
    assert left <= ends.min() <= ends.max() <= right
    arrows = {line.get_marker() for line in axis.get_lines()} & {"<", ">"}
    assert ("<" in arrows) == (low < left)
    assert (">" in arrows) == (high > right)


@given(st.lists(st.floats(0.01, 100), min_size=1, max_size=8), st.floats(0.5, 20))
def test_the_axis_ends_with_the_rise(times, least):
    x = np.append(0.0, np.unique(times))
    y = np.linspace(0, 0.9, x.size)
    curve = Curve("x", x, y, y, y, y, 0.95, "by hand")
    end = end_of_axis([curve], least)
    assert 0 < end <= x[-1]
    assert end >= min(least, x[-1])
    assert y[np.searchsorted(x, end, side="right") - 1] >= 0.97 * y[-1]
