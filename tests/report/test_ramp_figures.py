"""Figures of ramps draw what the results hold, stay inside the page, and are left out where there is nothing."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text

from capstat import AnalysisOptions, read_study
from capstat.analysis.ramp_analysis import analyse_ramps
from capstat.analysis.ramp_question import RampQuestion
from capstat.analysis.study_analysis import capture_definitions_for
from capstat.protocol import Direction, Margin, MarginUnit, RampPolicy
from capstat.protocol.courses import courses_of
from capstat.protocol.policy_file import example_policies
from capstat.report.figures import (
    figures_of_ramps,
    ramp_elapsed,
    ramp_margins,
    ramp_paths,
    ramp_reposition,
    ramp_time,
    ramp_tradeoff,
)  # fmt: skip
from capstat.report.figures.canvas import Picture
from capstat.report.figures.ramp_path import captured_currents, path_of
from capstat.report.wording import percent

MODULES = (ramp_elapsed, ramp_margins, ramp_paths, ramp_reposition, ramp_time, ramp_tradeoff)
ALWAYS = ["ramp_paths", "ramp_tradeoff", "ramp_time", "ramp_loss"]
SLOW = RampPolicy(40, 10, 140, 5, margin=Margin(1, MarginUnit.STEPS), name="slow")


def analysed(folder, policies=(), **choices):
    study = read_study(folder)
    question = RampQuestion(policies, draws=30, **choices)
    return analyse_ramps(study, AnalysisOptions(), question, capture_definitions_for(study)[0])


@pytest.fixture(scope="module")
def registry(shipped):
    return analysed(shipped / "registry")


@pytest.fixture(scope="module")
def checks(shipped):
    return analysed(shipped / "repeated_checks", (SLOW,))


@pytest.fixture(scope="module")
def crossover(shipped):
    return analysed(shipped / "crossover", example_policies()[-2:])


def drawn(found, *, rendered=False):
    """Every picture with its figure, by name; without their bytes unless rendered."""
    kept = {}
    with pytest.MonkeyPatch.context() as patch:
        for module in MODULES:
            patch.setattr(module, "render", keeping(module.render if rendered else without_bytes, kept))
        pictures = figures_of_ramps(found)
    assert [picture.name for picture in pictures] == list(kept)
    return {picture.name: (picture, kept[picture.name]) for picture in pictures}


def keeping(render, kept):
    def keep(figure, name, caption, alternative):
        kept[name] = figure
        return render(figure, name, caption, alternative)

    return keep


def without_bytes(_figure, name, caption, alternative):
    return Picture(name, caption, alternative, b"", b"")


@pytest.fixture(scope="module")
def of_registry(registry):
    return drawn(registry)


@pytest.fixture(scope="module")
def of_checks(checks):
    return drawn(checks, rendered=True)


@pytest.fixture(scope="module")
def of_crossover(crossover):
    return drawn(crossover)


@pytest.fixture(params=["of_registry", "of_checks", "of_crossover"])
def every(request):
    return request.getfixturevalue(request.param)


def visible_texts(figure):
    """Visible texts with words in them, with their places in pixels."""
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    renderer = canvas.get_renderer()
    texts = [*figure.texts, *([figure._suptitle] if figure._suptitle else [])]
    for axis in figure.axes:
        if axis.get_visible():
            texts += [axis.title, axis._left_title, *axis.texts]
            texts += [text for strip in axis.child_axes for text in strip.texts]
            if axis.axison:
                texts += [axis.xaxis.label, axis.yaxis.label]
                for side in (axis.xaxis, axis.yaxis):
                    # ticks outside the limits have labels that are not drawn
                    low, high = sorted(side.get_view_interval())
                    texts += [tick.label1 for tick in side.get_major_ticks() if low <= tick.get_loc() <= high]
    for legend in [*figure.legends, *(axis.get_legend() for axis in figure.axes if axis.get_legend())]:
        texts += [*legend.get_texts(), legend.get_title()]
    shown = dict.fromkeys(text for text in texts if text.get_visible() and text.get_text().strip())
    # of an annotation the words alone, without the line to its point
    return [(text, Text.get_window_extent(text, renderer)) for text in shown]


def test_which_figures_there_are(of_registry, of_checks, of_crossover):
    # the registry has no repeated checks; the study of repeated checks has one placement
    assert list(of_registry) == [*ALWAYS, "ramp_reposition"]
    assert list(of_checks) == [*ALWAYS, "ramp_elapsed"]
    assert list(of_crossover) == [*ALWAYS, "ramp_reposition"]


def test_every_figure_is_told_in_words_and_recommends_nothing(every):
    for name, (picture, _) in every.items():
        assert picture.caption.endswith("Nothing here is a recommendation."), name
        assert len(picture.alternative) > 100
        assert "nan" not in (picture.caption + picture.alternative).lower()
        assert "  " not in picture.caption + picture.alternative
        assert ".." not in picture.caption + picture.alternative


def assert_tidy(name, figure):
    """All words are on the page, and none touch."""
    texts = visible_texts(figure)
    width, height = figure.bbox.width, figure.bbox.height
    for text, box in texts:
        inside = box.x0 > -1 and box.y0 > -1 and box.x1 < width + 1 and box.y1 < height + 1
        assert inside, (name, text.get_text(), box)
    for (one, a), (other, b) in itertools.combinations(texts, 2):
        if "ASSUMED" in (one.get_text(), other.get_text()):
            continue  # a faint word behind the lines
        apart = a.x1 < b.x0 + 1 or b.x1 < a.x0 + 1 or a.y1 < b.y0 + 1 or b.y1 < a.y0 + 1
        assert apart, (name, one.get_text(), other.get_text())


def test_nothing_leaves_the_page_and_no_words_touch(every):
    for name, (_, figure) in every.items():
        assert_tidy(name, figure)


def test_repeated_drawing_gives_the_same_bytes(checks, of_checks):
    for picture in figures_of_ramps(checks):
        assert picture == of_checks[picture.name][0], picture.name
        assert picture.svg.startswith(b"<?xml")
        assert picture.png.startswith(b"\x89PNG")


# paths, by hand


def told(path):
    return path.time_s.tolist(), path.current_ma.tolist(), path.final_ma


def test_a_rising_path_by_hand():
    # 40, 50, 60 capture nobody at 65 mA; 70 does, and one step more is left on
    assert told(path_of(SLOW, 65)) == ([0, 5, 10, 15, 20], [40, 50, 60, 70], 80)
    never = path_of(SLOW, np.inf)
    assert never.final_ma is None
    assert never.current_ma.tolist() == list(range(40, 141, 10))
    assert never.time_s[-1] == 55
    # a threshold at a setting is captured by it
    assert path_of(SLOW, 70).current_ma[-1] == 70
    assert path_of(SLOW, 70.01).current_ma[-1] == 80


def test_a_path_that_steps_down_by_hand():
    down = replace(SLOW, step_ma=20, step_down_ma=5, margin=Margin(0, MarginUnit.MILLIAMPERE))
    # 60 captures, 55 too, 50 does not, 55 again
    assert told(path_of(down, 52)) == ([0, 5, 10, 15, 20, 25], [40, 60, 55, 50, 55], 55)


def test_a_falling_path_by_hand():
    falling = replace(SLOW, start_ma=100, direction=Direction.FALLING, margin=Margin(10, MarginUnit.PERCENT))
    assert told(path_of(falling, 85)) == ([0, 5, 10, 15, 20], [100, 90, 80, 90], 99)
    # the start does not capture: upwards
    assert told(path_of(falling, 115)) == ([0, 5, 10, 15], [100, 110, 120], 132)


def test_a_halving_path_by_hand():
    halving = replace(SLOW, maximum_ma=100, direction=Direction.BISECTING, margin=Margin(5, MarginUnit.MILLIAMPERE))
    # settings 40 to 100 in steps of 10: the middle is 70, then 50, then 60
    assert told(path_of(halving, 58)) == ([0, 5, 10, 15], [70, 50, 60], 65)
    # the last setting tried is not the one that captured
    assert told(path_of(halving, 65)) == ([0, 5, 10, 15], [70, 50, 60], 75)


def test_capture_is_watched_for_the_hold():
    assert told(path_of(replace(SLOW, hold_s=12), 45)) == ([0, 5, 10, 17], [40, 50, 50], 60)
    assert told(path_of(replace(SLOW, hold_s=3), 45)) == ([0, 5, 10], [40, 50], 60)


@given(
    st.sampled_from((*example_policies(), replace(SLOW, hold_s=9.0))),
    st.floats(1, 200) | st.just(float("inf")),
)
def test_paths_agree_with_the_courses_that_results_come_from(policy, threshold):
    path, courses = path_of(policy, threshold), courses_of(policy)
    k = int(np.searchsorted(courses.edges_ma, threshold, side="left"))
    assert courses.cell[k] == k
    assert path.time_s[-1] == pytest.approx(courses.end_s[k])
    assert path.time_s.size == path.current_ma.size + 1
    assert (np.diff(path.time_s) > 0).all()
    if path.final_ma is None:
        assert np.isnan(courses.final_ma[k])
    else:
        assert path.final_ma == courses.final_ma[k]
        assert path.final_ma >= threshold


def test_currents_that_capture_half_and_nine_in_ten(registry, crossover):
    for found, reached in ((registry, (True, True)), (crossover, (True, False))):
        law = found.parts[0].groups[0].laws.model
        currents = captured_currents(law, 140)
        for current, share, there in zip(currents, (0.5, 0.9), reached, strict=True):
            assert np.isfinite(current) == there
            if there:
                at = law.share_captured(np.array([current - 1, current]))[0]
                assert at[0] < share <= at[1]
            else:
                assert law.share_captured(np.array([140.0]))[0, 0] < share


def test_paths_say_what_is_not_reached_and_where_pads_move(of_crossover, of_registry):
    caption = of_crossover["ramp_paths"][0].caption
    assert "no current up to the highest captures 90 %" in caption
    assert "currents that capture 50 %; no current" in caption
    assert "no current up to the highest" not in of_registry["ramp_paths"][0].caption
    figure = of_registry["ramp_paths"][1]
    words = [text.get_text() for axis in figure.axes for text in axis.texts]
    # the first group has the pads where the policy would move them
    assert words.count("stops at the maximum here: no move") == 1
    titles = [axis.get_title(loc="left") for axis in figure.axes if axis.get_title(loc="left")]
    assert [title.split(":")[0] for title in titles] == list("1234567")


# trade-off and time


def test_tradeoff_draws_the_means_hollow_where_dominated(registry, of_registry):
    figure = of_registry["ramp_tradeoff"][1]
    for axis, group in zip(figure.axes, registry.parts[0].groups, strict=True):
        points = {
            (float(line.get_xdata()[0]), float(line.get_ydata()[0])): line.get_markerfacecolor()
            for line in axis.lines
            if line.get_marker() == "o"
        }
        for k, one in enumerate(group.policies):
            place = (one.without_output_s.value, one.pulses_above_discomfort.value)
            assert points[place] == ("white" if group.comparison.dominated_by[k] else "black")
        numbers = ", ".join(text.get_text().split(" (")[0] for text in axis.texts).split(", ")
        assert sorted(numbers) == list("1234567")


def test_tradeoff_bars_are_the_limits(checks, of_checks):
    (axis,) = of_checks["ramp_tradeoff"][1].axes
    (one,) = checks.parts[0].groups[0].policies
    ends = np.concatenate([np.concatenate(bar.get_segments()) for bar in axis.collections])
    assert {round(x, 9) for x in ends[:, 0]} >= {
        round(one.without_output_s.lower, 9),
        round(one.without_output_s.upper, 9),
    }
    pulses = one.pulses_above_discomfort
    assert {round(y, 9) for y in ends[:, 1]} >= {round(pulses.lower, 9), round(pulses.upper, 9)}


def test_tradeoff_notes_the_share_not_captured_where_it_differs(registry, of_registry):
    first, second = of_registry["ramp_tradeoff"][1].axes
    groups = registry.parts[0].groups
    usual = [percent(group.policies[0].not_captured.value) for group in groups]
    assert f"not captured: {usual[0]} % with every policy" in first.get_title()
    assert f"not captured: {usual[1]} % unless noted" in second.get_title()
    moved = percent(groups[1].policies[5].not_captured.value)
    assert [text.get_text() for text in second.texts if "captured" in text.get_text()] == [
        f"6 ({moved} % not captured)"
    ]


def test_time_draws_the_share_captured_to_the_end(registry, of_registry):
    for axis, group in zip(of_registry["ramp_time"][1].axes, registry.parts[0].groups, strict=True):
        for line, one in zip(axis.lines, group.policies, strict=True):
            x, y = line.get_data()
            assert y[0] == 0
            seen = one.curve.x <= x[-1]
            # only a policy that moves the pads goes on beyond the right edge
            assert seen.all() or one.policy.at_maximum is not None
            assert y[-1] == pytest.approx(100 * one.curve.lower[seen][-1])
            for time, share in zip(one.curve.x[seen], one.curve.lower[seen], strict=True):
                # right-continuous: the last height drawn at or before the time
                assert y[x <= time + 1e-9][-1] == pytest.approx(100 * share)
        styles = {(line.get_color(), str(line.get_linestyle())) for line in axis.lines}
        assert len(styles) == len(group.policies)
        numbers = ", ".join(text.get_text() for text in axis.texts if "%" not in text.get_text()).split(", ")
        assert set(numbers) == set("1234567")


# margins, drift and the move


def test_assumed_drift_says_so(registry, of_registry):
    picture, figure = of_registry["ramp_loss"]
    assert "ASSUMED drift: nobody measured it here" in picture.caption
    (legend,) = figure.legends
    assert legend.get_title().get_text().startswith("ASSUMED drift: nobody measured it here")
    assert [text.get_text() for text in legend.get_texts()] == ["2 %", "5 %", "10 %", "15 %", "20 %"]
    laws = registry.parts[0].groups[0].margins[:5]
    for t, axis in enumerate(figure.axes):
        assert "ASSUMED" in [text.get_text() for text in axis.texts]
        for line, law in zip(axis.lines, laws, strict=True):
            assert sorted(line.get_xdata()) == pytest.approx(sorted(100 * row.loss[t].value for row in law.usual))


def test_estimated_drift_has_limits_and_no_warning(checks, of_checks):
    picture, figure = of_checks["ramp_loss"]
    assert "ASSUMED" not in picture.caption + picture.alternative
    assert not figure.legends
    (law,) = checks.parts[0].groups[0].margins
    by_current = sorted(law.usual, key=lambda row: row.mean_final_ma.value)
    for t, axis in enumerate(figure.axes):
        (line,) = axis.lines
        assert line.get_xdata() == pytest.approx([100 * row.loss[t].value for row in by_current])
        bars = [bar.get_segments()[0][:, 0] for bar in axis.collections]
        for bar, row in zip(bars, by_current, strict=True):
            assert bar == pytest.approx([100 * row.loss[t].lower, 100 * row.loss[t].upper])
    labels = [label.get_text() for label in figure.axes[0].get_yticklabels()]
    assert labels[0].startswith("no margin")
    assert [label.split("\n")[0] for label in labels if "*" in label] == ["1 step *"]


def test_change_with_time_draws_bins_and_models(checks, of_checks):
    picture, figure = of_checks["ramp_elapsed"]
    (axis,) = figure.axes
    drift = checks.parts[0].drift
    known = [change for change in drift.elapsed if change.percent.value is not None]
    points = [tuple(line.get_xydata()[0]) for line in axis.lines if line.get_marker() == "o"]
    assert points == [(change.minutes, change.percent.value) for change in known]
    models = [line for line in axis.lines if line.get_marker() == "None"]
    for line, fit in zip(models, drift.fits, strict=True):
        x, y = line.get_data()
        assert np.interp(30, x, y) == pytest.approx(fit.typical_change().value, rel=2e-3)
    assert f"{drift.fits[0].typical_change().value:.1f} %" in picture.alternative
    assert len(known) < len(drift.elapsed)
    assert "No estimate for" in picture.caption


def test_the_move_under_assumed_correlations(registry, of_registry):
    picture, figure = of_registry["ramp_reposition"]
    assert "ASSUMED" in picture.caption
    for axis, curves in zip(figure.axes, registry.parts[0].reposition.curves, strict=True):
        words = [text.get_text() for text in axis.texts]
        assert {"0", "0.3", "0.6", "0.9"} <= set(words)
        marks = sorted(line.get_xdata()[0] for line in axis.lines if line.get_marker() == "D")
        inside = [c.crossing.value for c in curves if c.crossing.value and c.crossing.value <= c.captured_here.x[-1]]
        assert marks == pytest.approx(sorted(inside))
        for curve in curves:
            want = 100 * curve.captured_there.lower
            assert any(np.array_equal(line.get_ydata(), want) for line in axis.lines)
    assert len(inside) == 0
    assert "94" in picture.alternative


def test_crossings_lie_on_both_lines(registry, of_registry):
    axis, curves = of_registry["ramp_reposition"][1].axes[0], registry.parts[0].reposition.curves[0]
    marks = [line.get_xydata()[0] for line in axis.lines if line.get_marker() == "D"]
    assert marks
    for (x, y), curve in zip(marks, curves, strict=False):
        assert y == pytest.approx(100 * np.interp(x, curve.captured_there.x, curve.captured_there.lower), abs=0.5)


def test_the_move_where_both_placements_were_tried(crossover, of_crossover):
    picture = of_crossover["ramp_reposition"][0]
    assert "ASSUMED" not in picture.caption + picture.alternative
    (curve,) = crossover.parts[0].reposition.curves[0]
    assert f"{curve.n_patients} patients with both placements" in picture.caption
    assert f"{curve.correlation:.2f}" in picture.caption


# limits of what is drawn


def test_no_more_than_eight_policies_and_four_groups(registry):
    part = registry.parts[0]
    twice = tuple(replace(policy, name=f"again, {policy.name}") for policy in part.policies)
    groups = tuple(
        replace(group, label=f"place {k}", policies=group.policies * 2, comparison=None, margins=())
        for k, group in enumerate(part.groups * 3)
    )
    more = replace(part, policies=part.policies + twice, groups=groups, reposition=replace(part.reposition, curves=()))
    pictures = drawn(replace(registry, parts=(more,)))
    assert list(pictures) == ALWAYS[:3]
    for name, (picture, figure) in pictures.items():
        assert "Only the first 8 of 14 policies are drawn." in picture.caption
        assert "9 (" not in picture.alternative
        assert "place 4" not in picture.alternative
        assert sum(axis.get_visible() for axis in figure.axes) == (8 if name == "ramp_paths" else 4)
        assert_tidy(name, figure)


def test_nothing_is_drawn_where_there_is_nothing(registry):
    part = registry.parts[0]
    bare = tuple(replace(group, policies=(), margins=(), laws=None, reason="none") for group in part.groups)
    empty = replace(part, groups=bare, reposition=replace(part.reposition, curves=(), reason="none"))
    assert figures_of_ramps(replace(registry, parts=(empty,))) == ()
    # the first group without results: the second is drawn
    second = replace(part, groups=(bare[0], part.groups[1]))
    pictures = drawn(replace(registry, parts=(second,)))
    assert "anterior-lateral pads" in pictures["ramp_paths"][0].alternative
    assert "anterior-posterior pads" not in pictures["ramp_tradeoff"][0].alternative
