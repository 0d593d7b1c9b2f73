"""Figures beside the published studies draw what they are given, stay on the page, and no words touch."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_hex
from matplotlib.text import Text

from capstat.report.figures import forest, funnel, literature_prior, published_ranges, reconstruction
from capstat.report.figures.canvas import Picture
from capstat.report.figures.forest import ForestPlot, ForestRow, fitted, forest_picture, log_ticks, readable, text_width
from capstat.report.figures.funnel import FunnelContour, FunnelPlot, FunnelPoint, funnel_picture
from capstat.report.figures.literature_prior import DensityLine, PriorPlot, prior_picture
from capstat.report.figures.published_ranges import (
    LocalShare,
    LocalThreshold,
    PublishedShares,
    RangeBar,
    RangesPlot,
    StudyMark,
    ranges_picture,
)
from capstat.report.figures.reconstruction import (
    PossibleData,
    ReconstructedPlacement,
    Variant,
    possible_data_picture,
    reconstruction_picture,
    variants_picture,
)
from capstat.results import UsageError

MODULES = (forest, funnel, literature_prior, published_ranges, reconstruction)

# all numbers are invented
ROWS = (
    ForestRow(label="Back and front", kind="heading"),
    ForestRow(label="First 1990", detail="30", value=81, lower=72, upper=91, weight=40, text="81 (72 to 91)"),
    ForestRow(
        label="Second, volunteers with large pads and a long name, 1992", detail="29", value=80, lower=74, upper=86,
        weight=80, text="80 (74 to 86)",
    ),
    ForestRow(label="Third", detail="3", value=60, lower=2, upper=3000, weight=1, text="60 (2 to 3000)"),
    ForestRow(label="Common effect", kind="common", value=79, lower=75, upper=83, text="79 (75 to 83)"),
    ForestRow(label="Random effects", kind="random", value=78, lower=68, upper=89, text="78 (68 to 89)"),
    ForestRow(label="Prediction interval", kind="prediction", lower=50, upper=121, text="50 to 121"),
    ForestRow(label="registry", kind="local", detail="564", value=92, lower=91.5, upper=92.5, text="92 (91.5 to 92.5)"),
    ForestRow(label="Fourth", kind="excluded", detail="4", text="applied current is not a threshold " * 3),
)  # fmt: skip
FOREST = ForestPlot(
    name="forest", title="Median thresholds", caption="Invented.", alternative="Forest.", rows=ROWS, axis="log",
    x_label="median capture threshold", unit="mA", null=100, note="A note below.",
)  # fmt: skip


def drawn(make, *arguments, **named):
    """The picture without its bytes, and its figure."""
    kept = []

    def without_bytes(figure, name, caption, alternative):
        kept.append(figure)
        return Picture(name, caption, alternative, b"", b"")

    with pytest.MonkeyPatch.context() as patch:
        for module in MODULES:
            patch.setattr(module, "render", without_bytes)
        picture = make(*arguments, **named)
    return picture, kept[0]


def words_of(figure):
    """Visible texts with their places in pixels; of an annotation the words without the line to its point."""
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    renderer = canvas.get_renderer()
    # ticks outside the limits have labels that are not drawn
    unseen = {
        id(tick.label1)
        for axis in figure.axes
        for side in (axis.xaxis, axis.yaxis)
        for tick in side.get_major_ticks()
        if not min(side.get_view_interval()) <= tick.get_loc() <= max(side.get_view_interval())
    }
    shown = [
        text
        for text in figure.findobj(Text)
        if text.get_visible() and text.get_text().strip() and id(text) not in unseen
    ]
    return [(text.get_text(), Text.get_window_extent(text, renderer)) for text in shown]


def assert_tidy(figure):
    texts = words_of(figure)
    assert len(texts) > 4
    width, height = figure.bbox.width, figure.bbox.height
    for words, box in texts:
        assert box.x0 > -1, words
        assert box.y0 > -1, words
        assert box.x1 < width + 1, words
        assert box.y1 < height + 1, words
    for (one, a), (other, b) in itertools.combinations(texts, 2):
        apart = a.x1 < b.x0 + 1 or b.x1 < a.x0 + 1 or a.y1 < b.y0 + 1.5 or b.y1 < a.y0 + 1.5
        assert apart, (one, other)


def text_of(figure):
    return [words.replace("\n", " ") for words, _ in words_of(figure)]


def lines_at(axis, marker):
    return [tuple(xy) for line in axis.lines if line.get_marker() == marker for xy in line.get_xydata()]


def segments(axis):
    return [
        tuple(np.round(segment[:, 0], 6))
        for collection in axis.collections
        if hasattr(collection, "get_segments")
        for segment in collection.get_segments()
    ]


# forest


def test_forest_is_tidy_and_says_how_to_read_it():
    picture, figure = drawn(forest_picture, FOREST)
    assert_tidy(figure)
    assert picture.caption.startswith("Invented. Squares: studies, area by weight")
    for words in (
        "the local study", "filled with random effects, open with a common effect", "95 % prediction interval",
        "Vertical line: no difference.", "Arrow: a limit lies beyond", "Italic: not pooled",
    ):  # fmt: skip
        assert words in picture.caption
    assert picture.alternative == "Forest."
    plain = replace(FOREST, rows=ROWS[1:3], null=None, level=0.9)
    caption = drawn(forest_picture, plain)[0].caption
    assert caption == "Invented. Squares: studies, area by weight down to a smallest size; lines: 90 % limits."


def test_forest_marks_are_where_the_numbers_are():
    _, figure = drawn(forest_picture, FOREST)
    (axis,) = figure.axes
    low, high = axis.get_xlim()
    squares = [c for c in axis.collections if len(c.get_offsets()) and not hasattr(c, "get_segments")]
    assert [c.get_offsets()[0][0] for c in squares if c.get_sizes().size] == [81, 80, 60]
    areas = [float(c.get_sizes()[0]) for c in squares if c.get_sizes().size]
    assert areas[0] / areas[1] == pytest.approx(40 / 80)
    assert areas[2] == forest.SMALLEST_AREA
    reach = segments(axis)
    assert (72, 91) in reach
    assert (74, 86) in reach
    # a study with hardly any information does not stretch the axis
    assert (round(low, 6), round(high, 6)) in reach
    assert 20 < low < 60
    assert 121 < high < 400
    arrows = {marker: [x for x, _ in lines_at(axis, marker)] for marker in "<>"}
    assert arrows == {"<": [low], ">": [high]}
    assert [x for x, _ in lines_at(axis, "o")][-1] == 92
    diamonds = [
        patch.get_xy()[:4, 0].tolist()
        for patch in axis.patches
        if hasattr(patch, "get_xy") and np.ndim(patch.get_xy()) == 2
    ]
    assert diamonds == [[75, 79, 83, 79], [68, 78, 89, 78]]
    bars = [(p.get_x(), p.get_x() + p.get_width()) for p in axis.patches if hasattr(p, "get_width")]
    assert bars == [(50, 121)]


def test_local_study_is_told_by_word_marker_and_band():
    _, figure = drawn(forest_picture, FOREST)
    assert "Local: registry" in text_of(figure)
    (axis,) = figure.axes
    local = [line for line in axis.lines if line.get_markerfacecolor() == "white"]
    assert [line.get_marker() for line in local] == ["o"]
    assert len(figure.artists) + len([p for p in figure.get_children() if type(p).__name__ == "Rectangle"]) >= 2
    named = replace(FOREST, rows=(replace(ROWS[7], label="our local registry"),))
    assert "our local registry" in text_of(drawn(forest_picture, named)[1])
    # limits narrower than the marker have their own ends
    assert (91.5, 91.5) in segments(axis)
    assert (92.5, 92.5) in segments(axis)


def test_excluded_studies_have_their_reason_and_no_mark():
    without = drawn(forest_picture, replace(FOREST, rows=ROWS[:-1]))[1]
    _, figure = drawn(forest_picture, FOREST)
    assert [w for w in text_of(figure) if w.startswith("applied current")] == [
        ("applied current is not a threshold " * 3).strip()
    ]
    assert len(figure.axes[0].lines) == len(without.axes[0].lines)
    assert len(figure.axes[0].collections) == len(without.axes[0].collections)


@pytest.mark.parametrize(("lower", "upper", "left", "right"), [
    (50.0, None, 0, 1), (None, 70.0, 1, 0), (50.0, math.inf, 0, 1), (0.0, 70.0, 1, 0), (None, None, 0, 0), (50.0, 70.0, 0, 0),
])  # fmt: skip
def test_unbounded_limits_are_arrows(lower, upper, left, right):
    rows = (ROWS[1], ForestRow(label="one", value=60, lower=lower, upper=upper))
    picture, figure = drawn(forest_picture, replace(FOREST, rows=rows))
    (axis,) = figure.axes
    assert (len(lines_at(axis, "<")), len(lines_at(axis, ">"))) == (left, right)
    assert ("Arrow" in picture.caption) == bool(left + right)


def test_shares_have_an_even_axis_from_0_to_100():
    rows = (
        ForestRow(label="all captured", detail="9/9", value=100, lower=66, upper=100, weight=1, text="100 (66 to 100)"),
        ForestRow(label="none captured", detail="0/4", value=0, lower=0, upper=60, weight=1, text="0 (0 to 60)"),
    )
    picture, figure = drawn(forest_picture, replace(FOREST, rows=rows, axis="percent", null=None, unit="%"))
    assert_tidy(figure)
    (axis,) = figure.axes
    assert axis.get_xscale() == "linear"
    assert axis.get_xticks().tolist() == [0, 20, 40, 60, 80, 100]
    assert "Arrow" not in picture.caption


def test_the_marked_line_has_its_words_above():
    marked = replace(FOREST, reference=(74.0, "as published, 74"))
    picture, figure = drawn(forest_picture, marked)
    assert_tidy(figure)
    assert "as published, 74" in text_of(figure)
    assert "Dashed line: as published, 74." in picture.caption
    assert (74, 74) in segments(figure.axes[0])


def test_a_long_forest_fits_a_page_and_says_what_is_not_drawn():
    studies = tuple(
        replace(ROWS[2], label=f"A study with a name that is far too long for its column, number {k}", weight=float(k))
        for k in range(60)
    )
    picture, figure = drawn(forest_picture, replace(FOREST, rows=(*studies, *ROWS[4:], ROWS[-1])))
    assert_tidy(figure)
    assert figure.get_size_inches()[1] <= forest.TALLEST + 0.5
    assert "26 of 66 rows are not drawn" in picture.caption
    words = text_of(figure)
    # the two excluded first, then the 24 lightest; pooled values never
    assert not any(w.startswith("applied") for w in words)
    assert "Random effects" in words
    assert sum(w.startswith("A study with a name") for w in words) == 36
    forty = (*(replace(ROWS[1], weight=1.0) for _ in range(39)), ROWS[5])
    assert "not drawn" not in drawn(forest_picture, replace(FOREST, rows=forty))[0].caption


@pytest.mark.parametrize(("row", "axis", "words"), [
    ({"value": 0.0}, "log", "log axis"), ({"value": math.inf}, "linear", "finite"), ({"value": math.nan}, "linear", "finite"),
    ({"value": 101.0}, "percent", "percentage"), ({"value": 1.0, "lower": math.nan}, "log", "not a number"),
])  # fmt: skip
def test_what_cannot_be_drawn_is_refused_by_name(row, axis, words):
    with pytest.raises(UsageError, match=f"Forest, odd one: .*{words}"):
        replace(FOREST, rows=(ForestRow(label="odd one", **row),), axis=axis, null=None)


def test_labels_are_never_read_as_formulas_and_unknown_letters_are_no_error():
    rows = (ForestRow(label="a $x^2 study_1 \u6f22\u5b57\ttab", value=1.0, lower=0.5, upper=2, text="$1$"),)
    _, figure = drawn(forest_picture, replace(FOREST, rows=rows))
    assert "a $x^2 study_1 ?? tab" in text_of(figure)
    assert readable("78\u00a0mA  \n x") == "78\u00a0mA x"


limit = st.none() | st.floats(0.01, 1e4)
kinds = st.sampled_from(
    ["study", "local", "published", "reconstructed", "common", "random", "prediction", "heading", "excluded"]
)


@st.composite
def forest_rows(draw):
    ends = sorted(draw(st.lists(st.floats(0.01, 5000), min_size=3, max_size=3)))
    return ForestRow(
        label=draw(st.text(max_size=60)), kind=draw(kinds), detail=draw(st.text(max_size=14)), value=ends[1],
        lower=draw(st.sampled_from([None, ends[0]])), upper=draw(st.sampled_from([None, ends[2], math.inf])),
        weight=draw(st.none() | st.floats(0, 10)), text=draw(st.text("0123456789 ().to", max_size=40)),
    )  # fmt: skip


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(forest_rows(), max_size=8), st.sampled_from(["log", "linear"]), st.text(max_size=200))
def test_any_forest_is_tidy(rows, axis, title):
    _, figure = drawn(forest_picture, replace(FOREST, rows=tuple(rows), axis=axis, title=title, null=1.0))
    assert_tidy(figure)


@given(st.text(max_size=120), st.floats(0.3, 3), st.integers(1, 4))
def test_fitted_lines_are_no_wider_than_told(words, width, lines):
    found = fitted(words, width, lines)
    assert len(found) <= lines
    assert all(text_width(line) <= width for line in found)
    if found and not any("\u2026" in line for line in found):
        assert " ".join(found).split() == readable(words).split()


@given(st.floats(1e-3, 1e3), st.floats(1.3, 1e5))
def test_log_ticks_are_few_and_inside(low, ratio):
    ticks = log_ticks(low, low * ratio)
    assert 2 <= len(ticks) <= 8
    assert all(low <= tick <= low * ratio for tick in ticks)
    assert ticks == sorted(set(ticks))


# funnel


def contours(centre, deepest):
    se = np.linspace(0, deepest, 40)
    # normal quantiles of 90, 95 and 99 %
    return tuple(
        FunnelContour(level=level, se=se, lower=centre - z * se, upper=centre + z * se)
        for level, z in ((0.99, 2.5758), (0.9, 1.6449), (0.95, 1.96))
    )


def funnel_of(estimates, errors, **named):
    points = tuple(
        FunnelPoint(label=f"Study {k}, a longer name {1980 + k}", estimate=float(x), se=float(s), local=k == 1)
        for k, (x, s) in enumerate(zip(estimates, errors, strict=True))
    )
    return FunnelPlot(
        name="funnel", title="Funnel", caption="Invented.", alternative="Funnel.", points=points,
        contours=contours(0.0, 1.3 * max(errors)), centre=0.0, centre_words="no difference", axis="log",
        x_label="ratio of thresholds", **named,
    )  # fmt: skip


def test_funnel_draws_points_and_contours_with_precise_studies_on_top():
    plot = funnel_of([-0.3, 0.1, -0.2], [0.05, 0.2, 0.3])
    picture, figure = drawn(funnel_picture, plot)
    assert_tidy(figure)
    (axis,) = figure.axes
    assert axis.get_ylim()[0] > 0.3
    assert axis.get_ylim()[1] == 0
    assert lines_at(axis, "o") + lines_at(axis, "D") == [(-0.3, 0.05), (-0.2, 0.3), (0.1, 0.2)]
    drawn_lines = [line.get_xdata() for line in axis.lines if len(line.get_xdata()) == 40]
    for contour in plot.contours:
        for side in (contour.lower, contour.upper):
            assert any(np.array_equal(side, x) for x in drawn_lines)
    words = text_of(figure)
    assert {"90 %", "95 %", "99 %"} <= set(words)
    assert any(w.startswith("local: Study 1") for w in words)
    # ticks of a log axis are ratios
    assert "1" in words
    assert "Contours: 90, 95, 99 % limits around no difference" in picture.caption
    assert "With 3 of the 10 studies" in picture.caption


@pytest.mark.parametrize(
    ("count", "warned", "named"), [(9, True, True), (10, False, True), (12, False, True), (13, False, False)]
)
def test_funnel_warns_under_ten_and_names_up_to_twelve(count, warned, named):
    rng = np.random.default_rng(7)
    picture, figure = drawn(funnel_picture, funnel_of(rng.normal(0, 0.3, count), rng.uniform(0.02, 0.4, count)))
    assert_tidy(figure)
    assert ("cannot be told from chance" in picture.caption) == warned
    assert sum("Study" in w for w in text_of(figure)) == (count if named else 1)
    assert ("not named" in picture.caption) == (not named)


def test_funnel_names_studies_that_lie_on_one_another():
    _, figure = drawn(funnel_picture, funnel_of([-0.3] * 6, [0.1] * 6))
    assert_tidy(figure)
    (together,) = [w for w in text_of(figure) if "Study 0" in w]
    assert all(f"Study {k}" in together for k in range(6))


def test_funnel_without_contours():
    picture, figure = drawn(funnel_picture, replace(funnel_of([1.0, 2.0], [0.1, 0.2]), contours=(), axis="linear"))
    assert_tidy(figure)
    assert "Contours" not in picture.caption


# prior


def normal_density(x, mean, sd):
    return np.exp(-0.5 * ((x - mean) / sd) ** 2) / sd / np.sqrt(2 * np.pi)


ROLES = ("prior", "downweighted", "local", "posterior")


def prior_of(means, sds, axis="log", **named):
    x = np.linspace(3.0, 6.0, 700)
    lines = tuple(
        DensityLine(
            label=f"{role}, its own words",
            role=role,
            x=np.exp(x) if axis == "log" else x,
            density=normal_density(x, m, s),
        )
        for role, m, s in zip(ROLES, means, sds, strict=True)
    )
    return PriorPlot(
        name="prior", title="Together", caption="Invented.", alternative="Densities.", lines=lines, axis=axis,
        x_label="threshold, mA", **named,
    )  # fmt: skip


@pytest.mark.parametrize("means", [(4.3, 4.3, 4.5, 4.45), (4.3, 4.3, 4.3, 4.3), (4.0, 4.0, 5.2, 5.1)])
@pytest.mark.parametrize("axis", ["log", "linear"])
def test_densities_are_drawn_and_named_on_their_lines(means, axis):
    plot = prior_of(means, (0.06, 0.12, 0.08, 0.066), axis, null=4.4 if axis == "linear" else 90.0)
    picture, figure = drawn(prior_picture, plot)
    assert_tidy(figure)
    (axes,) = figure.axes
    curves = [line for line in axes.lines if len(line.get_xdata()) == 700]
    for line, curve in zip(plot.lines, curves, strict=True):
        assert np.array_equal(curve.get_xdata(), line.x)
        assert np.array_equal(curve.get_ydata(), line.density)
    # told apart without colour
    assert len({curve.get_linestyle() for curve in curves}) == 4
    for line, curve in zip(plot.lines, curves, strict=True):
        (name,) = [text for text in axes.texts if text.get_text() == line.label]
        x, y = name.xy
        assert y == pytest.approx(np.interp(x, line.x, line.density), rel=0.02)
        assert to_hex(name.get_color()) == to_hex(curve.get_color())
    assert "Dotted" in picture.caption
    assert "assumed, not estimated" in picture.caption


def test_shares_stay_between_0_and_100():
    x = np.linspace(0.5, 99.5, 500)
    line = DensityLine(label="local", role="local", x=x, density=normal_density(x, 97, 3))
    _, figure = drawn(prior_picture, replace(prior_of((4, 4, 4, 4), (1, 1, 1, 1)), lines=(line,), axis="percent"))
    assert_tidy(figure)
    assert figure.axes[0].get_xlim()[1] <= 100


# ranges

RANGES = RangesPlot(
    name="ranges", title="Beside published ranges", caption="Invented.", alternative="Ranges.",
    bars=(
        RangeBar(label="Published: lowest to highest", kind="extremes", lower=30, upper=110, text="3 studies"),
        RangeBar(label="Published: means and medians", kind="centres", lower=42, upper=81, text="4 studies, 77 patients",
                 marks=(StudyMark(value=81, n=40), StudyMark(value=55, n=20), StudyMark(value=42, n=1), StudyMark(value=60))),
        RangeBar(label="40 to 80 mA", kind="trade", lower=40, upper=80),
    ),
    thresholds=(
        LocalThreshold(label="anterior-posterior", median=78, lower=75, upper=81, tenth=52, ninetieth=118, text="78 mA (75 to 81)"),
        LocalThreshold(label="anterior-lateral", median=None, lower=120, upper=None, tenth=None, ninetieth=None, text="120 mA or more"),
    ),
    maximum_ma=140,
    shares=(
        PublishedShares(label="Published, emergency", marks=(StudyMark(value=93, n=91), StudyMark(value=52, n=105))),
        LocalShare(label="electrical capture", percent=88, lower=85, upper=91, text="88 % (85 to 91)"),
    ),
)  # fmt: skip


def test_ranges_are_drawn_where_they_are():
    picture, figure = drawn(ranges_picture, RANGES)
    assert_tidy(figure)
    top, bottom = figure.axes
    spans = [(p.get_x(), p.get_x() + p.get_width(), bool(p.get_hatch())) for p in top.patches]
    assert spans[:3] == [(30, 110, False), (42, 81, False), (40, 80, True)]
    assert spans[3][:2] == (75, 81)
    assert spans[4][:2] == (120, top.get_xlim()[1])
    assert (52, 118) in segments(top)
    assert [x for x, _ in lines_at(top, ">")] == [top.get_xlim()[1]]
    assert [x for x, _ in lines_at(top, "<")] == [0]
    marks = {
        float(c.get_offsets()[0][0]): float(c.get_sizes()[0]) for c in top.collections if not hasattr(c, "get_segments")
    }
    assert set(marks) == {81, 55, 42, 60}
    assert marks[55] / marks[81] == pytest.approx(0.5)
    assert marks[42] == published_ranges.SMALLEST_AREA
    shown = [float(c.get_offsets()[0][0]) for c in bottom.collections if not hasattr(c, "get_segments")]
    assert sorted(shown) == [52, 93]
    words = text_of(figure)
    assert any("common practice, no source" in w for w in words)
    assert "Local: anterior-lateral" in words
    assert "highest output here, 140 mA" in words
    for told in (
        "common practice, no source",
        "Crosses: ",
        "Arrow: not known",
        "no norm",
        "local share with 95 % limits",
    ):
        assert told in picture.caption


def test_ranges_without_shares_or_without_thresholds():
    picture, figure = drawn(ranges_picture, replace(RANGES, shares=(), maximum_ma=None))
    assert_tidy(figure)
    assert len(figure.axes) == 1
    assert "highest output" not in " ".join(text_of(figure))
    assert "local share" not in picture.caption
    _, figure = drawn(ranges_picture, replace(RANGES, bars=(), thresholds=()))
    assert len(figure.axes) == 1
    assert figure.axes[0].get_xlim() == (-2, 102)


# reconstruction

PLACEMENTS = (
    ReconstructedPlacement(
        label="anterior-posterior, 13 patients", recorded_mean=93, put_in="nothing put in", median=90, lower=80, upper=101,
        recorded_text="93", text="90 (80 to 101)",
    ),
    ReconstructedPlacement(
        label="anterior-lateral, 13 patients", recorded_mean=126, put_in="141 mA put in for 5 to 7 of 13", median=133,
        lower=118, upper=None, recorded_text="126", text="133 (118 or more)",
    ),
)  # fmt: skip
VARIANTS = (
    Variant(
        label="all together", value=0.67, lower=0.55, upper=0.79, text="0.67 (0.55 to 0.79)", detail="13", headline=True
    ),
    Variant(
        label="settings on a grid of 1 mA, thresholds normal in mA, 7 values put in",
        value=0.64,
        lower=None,
        upper=0.77,
        text="0.64 (up to 0.77)",
    ),
)
DATA = PossibleData(
    first_label="anterior-posterior", second_label="anterior-lateral", first_ma=np.array([95.0, 80.0, 120.0]),
    second_ma=np.array([141.0, 110.0, 141.0]), first_put_in=np.zeros(3, bool), second_put_in=np.array([True, False, True]),
    maximum_ma=140,
)  # fmt: skip


def recorded():
    return reconstruction_picture(PLACEMENTS, "recorded", "Recorded", "Invented.", "Means.", maximum_ma=140)


def variants():
    return variants_picture(
        VARIANTS, "variants", "Ratio", "Invented.", "Ratios.", published=(0.74, "ratio of means, 0.74"), x_label="ratio"
    )


def possible():
    return possible_data_picture(DATA, "possible", "Pairs", "Invented.", "Pairs.")


def test_recorded_means_and_reconstructed_medians():
    picture, figure = drawn(recorded)
    assert_tidy(figure)
    (axis,) = figure.axes
    assert [x for x, _ in lines_at(axis, "o")] == [90, 133]
    squares = [float(c.get_offsets()[0][0]) for c in axis.collections if not hasattr(c, "get_segments")]
    assert squares == [93, 126]
    assert (140, 140) in segments(axis)
    assert "recorded mean, 141 mA put in for 5 to 7 of 13" in text_of(figure)
    for told in (
        "Open squares: as published.",
        "Filled circles: reconstructed",
        "Dashed line: highest output, 140 mA.",
    ):
        assert told in picture.caption


def test_variants_stand_beside_the_published_reading():
    picture, figure = drawn(variants)
    assert_tidy(figure)
    (axis,) = figure.axes
    assert [x for x, _ in lines_at(axis, "o")] == [0.67, 0.64]
    assert (0.74, 0.74) in segments(axis)
    assert (1, 1) in segments(axis)
    assert "random effects" not in picture.caption
    bold = {t.get_text() for t in figure.texts if t.get_fontweight() == "bold"}
    assert bold == {"all together", "0.67 (0.55 to 0.79)"}


def test_one_possible_data_set_is_called_so_and_hollow_where_values_were_put_in():
    picture, figure = drawn(possible)
    assert_tidy(figure)
    assert "one of many possible data sets, not data" in text_of(figure)
    assert "One of many possible data sets, not data" in picture.caption
    (axis,) = figure.axes
    hollow = [x for line in axis.lines if line.get_markerfacecolor() == "white" for x in line.get_xdata()]
    assert hollow == [141, 141]
    assert sorted(x for x, _ in lines_at(axis, "o")) == [80, 95, 120]
    assert segments(axis)[:3] == [(80, 110), (95, 141), (120, 141)]


# bytes


@pytest.mark.parametrize("make", [
    lambda: forest_picture(FOREST),
    lambda: funnel_picture(funnel_of([-0.3, 0.1, -0.2], [0.05, 0.2, 0.3])),
    lambda: prior_picture(prior_of((4.3, 4.3, 4.5, 4.45), (0.06, 0.12, 0.08, 0.066))),
    lambda: ranges_picture(RANGES),
    recorded, variants, possible,
], ids=["forest", "funnel", "prior", "ranges", "recorded", "variants", "possible"])  # fmt: skip
def test_the_same_input_gives_the_same_bytes(make):
    first, second = make(), make()
    assert first == second
    assert first.svg.startswith(b"<?xml")
    assert first.png.startswith(b"\x89PNG")
