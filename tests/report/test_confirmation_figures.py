"""Figures of confirmation draw what the results hold, stay inside the page, and are left out where there is nothing."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.patches import Rectangle

from capstat import AnalysisOptions, read_study, study_from_frames
from capstat.analysis import ConfirmationQuestion, analyse_confirmation
from capstat.analysis.suppress_confirmation import suppress_confirmation
from capstat.capture import compare_before_after, false_capture_chart, read_claims
from capstat.report.figures import (
    claimed_captures,
    corrected,
    false_capture,
    figures_of_confirmation,
    latent,
    measured_signs,
    misjudgement,
    signs,
)  # fmt: skip
from capstat.report.figures import false_capture_chart as chart_module
from capstat.report.figures.canvas import COLOURS, MARKERS, Picture
from capstat.report.figures.cells import DARKEST, LIGHTEST
from capstat.report.figures.icons import icon_counts
from capstat.report.wording import milliampere, percent, ratio_text

MODULES = (claimed_captures, corrected, false_capture, chart_module, latent, measured_signs, misjudgement, signs)
ALWAYS = {
    "claimed_captures", "false_capture_groups", "false_capture_chart", "signs_ultrasound", "roc_ultrasound",
    "signs_adjudicated_capture", "roc_adjudicated_capture", "latent_dependence", "corrected_curve",
    "misjudgement_surface", "misjudgement_ratio",
}  # fmt: skip
CHANGE = 13


@pytest.fixture(scope="module")
def claims(shipped):
    return read_claims(read_study(shipped / "registry"), "electrical_capture", "adjudicated_capture")


@pytest.fixture(scope="module")
def found(registry_analysis, claims):
    """The registry with a stated change."""
    confirmation = registry_analysis.confirmation
    false = replace(
        confirmation.false_capture,
        chart=false_capture_chart(claims, baseline_until=CHANGE),
        before_after=compare_before_after(claims, CHANGE, 0.95),
    )
    return replace(confirmation, false_capture=false)


@pytest.fixture(scope="module")
def drawn(found):
    """Every picture with its figure, by name."""
    kept = {}
    with pytest.MonkeyPatch.context() as patch:
        for module in MODULES:
            patch.setattr(module, "render", keeping(module.render, kept))
        pictures = figures_of_confirmation(found)
    assert [picture.name for picture in pictures] == list(kept)
    return {picture.name: (picture, kept[picture.name]) for picture in pictures}


def keeping(render, kept):
    def keep(figure, name, caption, alternative):
        kept[name] = figure
        return render(figure, name, caption, alternative)

    return keep


def figure_of(monkeypatch, module, draw, *results):
    """The figure that a function draws, with its words."""
    kept = {}
    monkeypatch.setattr(module, "render", keeping(module.render, kept))
    picture = draw(*results)
    return picture, kept[picture.name]


@pytest.fixture
def names(monkeypatch):
    """Names of the pictures of an analysis, which are laid out but not turned into bytes."""
    for module in MODULES:
        monkeypatch.setattr(
            module, "render", lambda _, name, caption, alternative: Picture(name, caption, alternative, b"", b"")
        )

    def found(analysis):
        return [picture.name for picture in figures_of_confirmation(analysis)]

    return found


def points(axis, marker):
    """All drawn points with a marker, as (x, y) rows."""
    lines = [line for line in axis.get_lines() if line.get_marker() == marker]
    return np.concatenate([np.empty((0, 2)), *(np.column_stack(line.get_data()) for line in lines)])


def test_the_registry_has_every_figure_once_and_each_is_told_in_words(drawn):
    assert drawn.keys() == ALWAYS
    for picture, _ in drawn.values():
        assert picture.svg.startswith(b"<?xml")
        assert picture.png.startswith(b"\x89PNG")
        assert len(picture.caption) > 150
        assert len(picture.alternative) > 60
        for word in (" effect", "nan", "None", "_capture", "causes"):
            assert word not in f" {picture.caption} {picture.alternative}"


def test_no_text_leaves_the_page(drawn):
    for name, (_, figure) in drawn.items():
        figure.set_dpi(160)  # as it was saved: letters are not equally wide at all sizes
        renderer = FigureCanvasAgg(figure).get_renderer()
        figure.draw_without_rendering()
        boxes = [part.get_window_extent(renderer) for part in (*figure.texts, *figure.legends)]
        boxes += [axis.get_tightbbox(renderer) for axis in figure.axes if axis.get_visible()]
        for box in boxes:
            assert box.x0 > 3, name
            assert box.y0 > -1, name
            assert box.x1 < figure.bbox.x1 + 1, name
            assert box.y1 < figure.bbox.y1 + 1, name


def test_repeated_drawing_gives_the_same_bytes(found, drawn):
    for picture in figures_of_confirmation(found):
        assert picture == drawn[picture.name][0], picture.name


def test_icons_are_the_rounded_shares(found, drawn):
    picture, figure = drawn["claimed_captures"]
    axes = [axis for axis in figure.axes if axis.get_visible()]
    assert len(axes) == 8
    # 21 of 141 judged claims are false: 85 of 100 are upheld
    assert (len(points(axes[0], "o")), len(points(axes[0], "s"))) == (85, 15)
    assert "electrical capture claimed (141 settings): 85 of 100 (78 to 90)" in picture.alternative
    strip = next(r for r in found.signs.references if r.reference == "adjudicated_capture")
    shown = {sign.label: sign.accuracy.positive_predictive_value for sign in strip.signs}
    for axis in axes[1:]:
        label = axis.get_title().replace("\n", " ").split(" seen")[0]
        counts = icon_counts(shown[label])
        assert (len(points(axis, "o")), len(points(axis, "s"))) == (counts.captured, counts.not_captured), label
        assert len(points(axis, "o")) + len(points(axis, "s")) == 100


def test_signs_seen_in_few_patients_have_no_icons(monkeypatch, found):
    strip = next(r for r in found.signs.references if r.reference == "adjudicated_capture")
    rare = [
        replace(s, accuracy=replace(
            s.accuracy, positive_predictive_value=replace(s.accuracy.positive_predictive_value, n=9)))
        for s in strip.signs[1:]
    ]  # fmt: skip
    picture, figure = figure_of(
        monkeypatch, claimed_captures, claimed_captures.claimed_captures_picture, found.false_capture,
        replace(strip, signs=(strip.signs[0], *rare)),
    )  # fmt: skip
    assert sum(axis.get_visible() for axis in figure.axes) == 2
    assert "fewer than 10 patients" in picture.caption
    few = replace(found.false_capture.audit, share=replace(found.false_capture.audit.share, n=9))
    assert claimed_captures.claimed_captures_picture(replace(found.false_capture, audit=few), strip) is None


def test_the_forest_of_false_captures_shows_counts_and_shares(found, drawn):
    _, figure = drawn["false_capture_groups"]
    (axis,) = figure.axes
    audit = found.false_capture.audit
    np.testing.assert_allclose(points(axis, "D"), [[100 * 21 / 141, 0]])
    labels = [label.get_text() for label in axis.get_yticklabels()]
    several = [g for g in audit.groups if g.grouping != "setting"]
    assert len(several) < len(audit.groups)
    for group in several:
        counts = f"{group.false} of {group.judged}" if group.judged else "none judged"
        assert f"{group.label} ({counts})" in labels
    at = {labels[round(-y)]: x for x, y in points(axis, "s")}
    assert at["30 kg/m² and above (13 of 34)"] == pytest.approx(100 * 13 / 34)
    assert at["anterior-posterior (6 of 85)"] == pytest.approx(100 * 6 / 85)
    assert len(at) == sum(group.judged > 0 for group in several)


def test_the_chart_draws_the_months_the_limits_and_the_change(found, drawn):
    picture, figure = drawn["false_capture_chart"]
    chart = found.false_capture.chart
    top, bottom = figure.axes
    lines = {line.get_label(): line for line in top.get_lines()}
    np.testing.assert_array_equal(
        np.column_stack(lines["share of a month"].get_data()), np.column_stack((chart.month, 100 * chart.share))
    )
    np.testing.assert_array_equal(lines["action limits (0.27 %)"].get_ydata(), 100 * chart.action_upper)
    np.testing.assert_array_equal(lines["warning limits (5 %)"].get_ydata(), 100 * chart.warning_upper)
    assert lines["median"].get_ydata()[0] == 100 * chart.median
    assert "beyond the action limits" not in lines
    assert [line.get_xdata()[0] for line in bottom.get_lines()] == [CHANGE - 0.5]
    heights = [bar.get_height() for bar in bottom.patches]
    assert heights == [*chart.judged, *chart.false]
    assert chart.verdict in picture.caption
    assert f"month {CHANGE}" in picture.caption


def test_without_a_stated_change_there_is_no_line_for_it(monkeypatch, found):
    result = replace(found.false_capture, before_after=None)
    picture, figure = figure_of(monkeypatch, chart_module, chart_module.false_capture_chart_picture, result)
    assert not figure.axes[1].get_lines()
    assert "stated change" not in picture.caption


def test_a_month_beyond_the_limits_is_marked(monkeypatch, found):
    chart = found.false_capture.chart
    chart = replace(chart, action_upper=np.where(chart.month == 1, 0.3, chart.action_upper))
    _, figure = figure_of(
        monkeypatch, chart_module, chart_module.false_capture_chart_picture, replace(found.false_capture, chart=chart)
    )
    np.testing.assert_allclose(points(figure.axes[0], "D"), [[1, 40.0]])


def test_lower_limits_are_drawn_where_there_are_any(monkeypatch, found):
    chart = found.false_capture.chart
    low = replace(chart, warning_lower=np.full(chart.month.size, 0.05), action_lower=np.full(chart.month.size, 0.02))
    result = replace(found.false_capture, chart=low)
    picture, figure = figure_of(monkeypatch, chart_module, chart_module.false_capture_chart_picture, result)
    drawn = [line.get_ydata() for line in figure.axes[0].get_lines()]
    assert any(np.array_equal(y, 100 * low.warning_lower) for y in drawn)
    assert any(np.array_equal(y, 100 * low.action_lower) for y in drawn)
    assert "no lower limits" not in picture.caption


def test_the_chart_of_gaps_draws_the_gaps(monkeypatch, found):
    chart = replace(found.false_capture.chart, chosen="g-chart")
    picture, figure = figure_of(
        monkeypatch, chart_module, chart_module.false_capture_chart_picture, replace(found.false_capture, chart=chart)
    )
    (axis,) = figure.axes
    gaps = chart.gaps
    np.testing.assert_array_equal(points(axis, "o")[:, 1], gaps.gap)
    np.testing.assert_array_equal(points(axis, "^"), [[gaps.gap.size + 1, gaps.since_last]])
    level = {line.get_label(): line.get_ydata()[0] for line in axis.get_lines()}
    assert level["action limits (0.27 %)"] == gaps.action[1]
    assert level["warning limits (5 %)"] == gaps.warning[1]
    assert level["median expected"] == gaps.centre
    (change,) = [line.get_xdata()[0] for line in axis.get_lines() if line.get_linestyle() == ":"]
    before = int((gaps.month < CHANGE).sum())
    assert before < change < before + 1
    assert "(g-chart)" in picture.alternative


def test_signs_stand_as_counted_and_as_corrected(found, drawn):
    for reference in found.signs.references:
        _, figure = drawn[f"signs_{reference.reference}"]
        corrections = dict(reference.verification)
        for axis, share in zip(figure.axes, ("sensitivity", "specificity"), strict=True):
            counted = [100 * getattr(sign.accuracy, share).value for sign in reference.signs]
            np.testing.assert_allclose(points(axis, "o")[:, 0], counted)
            corrected_values = [100 * getattr(corrections[sign.label], share).value for sign in reference.signs]
            np.testing.assert_allclose(points(axis, "s")[:, 0], corrected_values)
            # the corrected one is the lower of the two in its row
            assert (points(axis, "s")[:, 1] < points(axis, "o")[:, 1]).all()
        label = figure.axes[0].get_yticklabels()[0].get_text()
        sign = reference.signs[0]
        assert label == f"{sign.label}\n{sign.n_steps} settings, {sign.n_patients} patients"


def test_only_a_strip_is_said_to_miss_ejection(drawn):
    for kind in ("signs", "roc"):
        assert "not that it ejected" in drawn[f"{kind}_adjudicated_capture"][0].caption
        assert "not that it ejected" not in drawn[f"{kind}_ultrasound"][0].caption


def test_without_verification_there_is_nothing_corrected(monkeypatch, found):
    plain = replace(found.signs.references[0], verification=())
    picture, figure = figure_of(monkeypatch, signs, signs.signs_picture, plain)
    assert not any(len(points(axis, "s")) for axis in figure.axes)
    assert not figure.legends
    assert "corrected" not in picture.caption + picture.alternative


def test_curves_of_measured_signs_and_their_cuts(found, drawn):
    for reference in found.signs.references:
        picture, figure = drawn[f"roc_{reference.reference}"]
        (axis,) = figure.axes
        curves = [line for line in axis.get_lines() if len(line.get_xdata()) > 2]
        legend = " ".join(text.get_text().replace("\n", " ") for text in figure.legends[0].get_texts())
        for k, (sign, line) in enumerate(zip(reference.continuous, curves, strict=True)):
            np.testing.assert_array_equal(line.get_xdata(), 100 * (1 - sign.curve.specificity))
            np.testing.assert_array_equal(line.get_ydata(), 100 * sign.curve.sensitivity)
            ((x, y),) = points(axis, MARKERS[k])
            # the marked cut lies on the curve
            at = np.flatnonzero(sign.curve.cut >= sign.best.cut.value)[-1]
            assert (x, y) == pytest.approx((100 * (1 - sign.curve.specificity[at]), 100 * sign.curve.sensitivity[at]))
            assert f"at least {sign.best.cut.value:g} mmHg" in legend
            assert f"area {sign.area.value:.2f} ({sign.area.lower:.2f} to {sign.area.upper:.2f})" in legend
            assert sign.label in picture.alternative


def test_corrected_curves_are_those_of_the_results(found, drawn):
    picture, figure = drawn["corrected_curve"]
    groups = [group for group in found.corrected.groups if group.result is not None]
    assert len(groups) == 3
    for axis, group in zip(figure.axes, groups, strict=False):
        for curve, marker in ((group.result.as_claimed.curve, "o"), (group.result.corrected.curve, "s")):
            known = np.isclose(curve.lower, curve.upper)
            expected = np.column_stack((curve.x[known], 100 * curve.lower[known]))
            np.testing.assert_array_equal(points(axis, marker), expected)
        assert axis.get_title().startswith(group.label)
        assert f"{group.n_ramps} ramps, {group.n_reviewed} judged" in picture.alternative


def cells_of(axis):
    """Texts by (row, column), positions of hatched and framed cells, and of rings."""
    texts = {(round(t.get_position()[1]), round(t.get_position()[0])): t.get_text() for t in axis.texts}
    boxes = [patch for patch in axis.patches if isinstance(patch, Rectangle)]

    def places(chosen):
        return {(round(p.get_y() + p.get_height() / 2), round(p.get_x() + p.get_width() / 2)) for p in chosen}

    hatched = places(p for p in boxes if p.get_hatch())
    framed = places(p for p in boxes if to_rgb(p.get_edgecolor()) == to_rgb(COLOURS[1]))
    return texts, hatched, framed, {(round(y), round(x)) for x, y in points(axis, "o")}


def test_the_surface_shows_every_point(found, drawn):
    _, figure = drawn["misjudgement_surface"]
    surface, errors = found.corrected.surface, found.corrected.overall.result.errors
    rows = sorted({p.sensitivity for p in surface}, reverse=True)
    columns = sorted({p.specificity for p in surface}, reverse=True)
    assert len(figure.axes) == 2
    for k, axis in enumerate(figure.axes):
        texts, hatched, framed, _ = cells_of(axis)
        assert len(texts) == len(surface)
        for point in surface:
            at = rows.index(point.sensitivity), columns.index(point.specificity)
            current = point.currents_ma[k]
            assert texts[at] == ("\u2013" if current is None else milliampere(current[1]))
            assert (at in hatched) == (point.log_likelihood < -3)
        (frame,) = framed
        distance = [abs(s - errors.sensitivity) for s in rows], [abs(s - errors.specificity) for s in columns]
        assert frame == (int(np.argmin(distance[0])), int(np.argmin(distance[1])))
        assert [label.get_text() for label in axis.get_xticklabels()] == [percent(s) for s in columns]


def test_the_framed_number_is_told_apart_from_the_corrected_curve(found, drawn):
    caption = drawn["misjudgement_surface"][0].caption
    assert "changes with the current and it also uses the reference" in caption
    overall = found.corrected.overall
    constant = replace(overall.result, errors=replace(overall.result.errors, odds_ratio_per_10_ma=1.0))
    groups = (replace(overall, result=constant), *found.corrected.groups[1:])
    picture = misjudgement.misjudgement_surface_picture(replace(found.corrected, groups=groups, reference=""))
    assert "its errors need not be in the table." in picture.caption
    assert "current and it" not in picture.caption


def test_a_pair_without_an_estimate_is_a_plain_dash(monkeypatch, found):
    surface = found.corrected.surface
    gone = replace(surface[0], currents_ma=(None,) * 3, log_likelihood=None, reason="no estimate")
    _, figure = figure_of(
        monkeypatch, misjudgement, misjudgement.misjudgement_surface_picture,
        replace(found.corrected, surface=(gone, *surface[1:])),
    )  # fmt: skip
    texts, hatched, _, _ = cells_of(figure.axes[0])
    assert texts[0, 0] == "\u2013"
    assert (0, 0) not in hatched


def test_ratios_are_ringed_where_the_interval_includes_one(found, drawn):
    picture, figure = drawn["misjudgement_ratio"]
    (axis,) = figure.axes
    texts, hatched, framed, rings = cells_of(axis)
    grid = found.corrected.differential.grid
    values = sorted({point.specificity_first for point in grid}, reverse=True)
    assert framed == {(k, k) for k in range(len(values))}
    expected_rings = set()
    for point in grid:
        at = values.index(point.specificity_first), values.index(point.specificity_minus)
        assert texts[at] == ratio_text(point.ratio.value)
        assert (at in hatched) == (point.log_likelihood < -3)
        if point.ratio.lower <= 1 <= point.ratio.upper:
            expected_rings.add(at)
    assert rings == expected_rings
    assert expected_rings
    assert "Ring: the 95 % confidence interval includes 1" in picture.caption


def test_without_rings_the_caption_says_so(found):
    differential = found.corrected.differential
    kept = tuple(p for p in differential.grid if not p.ratio.lower <= 1 <= p.ratio.upper)
    picture = misjudgement.misjudgement_ratio_picture(replace(differential, grid=kept))
    assert "In no cell" in picture.caption
    none = tuple(replace(p, ratio=None, log_likelihood=None, reason="none") for p in differential.grid)
    assert misjudgement.misjudgement_ratio_picture(replace(differential, grid=none)) is None


@pytest.mark.parametrize("grey", [LIGHTEST, DARKEST])
def test_black_text_can_be_read_on_every_grey(grey):
    # contrast of 7 : 1, level AAA of the Web Content Accessibility Guidelines 2.1 (from memory)
    luminance = ((grey + 0.055) / 1.055) ** 2.4
    assert (luminance + 0.05) / 0.05 >= 7


def test_assumed_dependence_is_drawn_hollow_where_it_fits_badly(found, drawn):
    picture, figure = drawn["latent_dependence"]
    result = found.signs.latent
    x = [point.correlation for point in result.dependence]
    bad = {point.correlation for point in result.dependence if point.misfit > 4}
    assert bad
    assert bad < set(x)
    left, right = figure.axes
    for k, _ in enumerate(result.labels):
        for axis, share in ((left, "sensitivity"), (right, "specificity")):
            lines = [line for line in axis.get_lines() if line.get_marker() == MARKERS[k]]
            hollow = {at for line in lines if line.get_markerfacecolor() == "white" for at in line.get_xdata()}
            assert hollow == bad
            expected = [(p.correlation, 100 * getattr(p, share)[k]) for p in result.dependence]
            np.testing.assert_allclose(sorted(map(tuple, points(axis, MARKERS[k]))), expected)
    expected = [(p.correlation, 100 * p.prevalence) for p in result.dependence]
    np.testing.assert_allclose(sorted(map(tuple, points(left, "v"))), expected)
    assert not len(points(right, "v"))
    assert all(label in picture.alternative for label in result.labels)


def test_missing_parts_take_only_their_own_pictures(found, names):
    false = found.false_capture
    corrected_part = found.corrected
    nothing = replace(
        corrected_part,
        groups=tuple(replace(g, result=None, reason="none") for g in corrected_part.groups),
        surface=(), differential=None,
    )  # fmt: skip
    for changed, gone in (
        (replace(found, false_capture=None), {"claimed_captures", "false_capture_groups", "false_capture_chart"}),
        (replace(found, false_capture=replace(false, chart=None)), {"false_capture_chart"}),
        (replace(found, false_capture=replace(false, audit=replace(false.audit, groups=(), tests=()))),
         {"false_capture_groups"}),
        (replace(found, corrected=None), {"corrected_curve", "misjudgement_surface", "misjudgement_ratio"}),
        (replace(found, corrected=nothing), {"corrected_curve", "misjudgement_surface", "misjudgement_ratio"}),
        (replace(found, signs=replace(found.signs, references=(), latent=None)),
         {n for n in ALWAYS if n.startswith(("signs_", "roc_", "latent"))}),
    ):  # fmt: skip
        assert set(names(changed)) == ALWAYS - gone


def test_claims_alone_have_one_array(monkeypatch, found):
    picture, figure = figure_of(
        monkeypatch, claimed_captures, claimed_captures.claimed_captures_picture, found.false_capture, None
    )
    assert sum(axis.get_visible() for axis in figure.axes) == 1
    assert "Other arrays" not in picture.caption


def test_suppressed_results_are_not_drawn(found, names):
    # months and single measured values are small groups; 2 of 47 claims below 25 kg/m² are false
    assert set(names(found)) - set(names(suppress_confirmation(found, 3))) == {
        "false_capture_chart", "roc_ultrasound", "roc_adjudicated_capture",
    }  # fmt: skip
    (groups,) = (
        p for p in figures_of_confirmation(suppress_confirmation(found, 3)) if p.name == "false_capture_groups"
    )
    assert "body mass index" not in groups.alternative
    assert "anterior-posterior: 6 of 85" in groups.alternative


def small_study(ramps=12, *, reference=True, seed=3):
    """Few ramps to 120 mA, one in each patient, thresholds and signs known to the test only."""
    rng = np.random.default_rng(seed)
    true = np.exp(rng.normal(np.log(80), 0.25, ramps))
    steps = []
    for i, current in itertools.product(range(ramps), range(40, 121, 10)):
        captured = bool(current >= true[i])
        steps.append(
            {"patient_id": f"P{i}", "attempt_id": f"A{i}", "current_ma": current,
             "electrical_capture": bool(rng.random() < (0.97 if captured else 0.06)),
             "femoral_pulse": bool(rng.random() < (0.9 if captured else 0.2)),
             **({"adjudicated_capture": captured} if reference else {})}
        )  # fmt: skip
    attempts = [
        {"patient_id": f"P{i}", "attempt_id": f"A{i}", "placement": ("anterior-posterior", "anterior-lateral")[i % 2],
         "max_output_ma": 120, "study_month": 1 + i // 3}
        for i in range(ramps)
    ]  # fmt: skip
    return study_from_frames(pd.DataFrame(attempts), pd.DataFrame(steps))


@pytest.mark.parametrize("ramps", [1, 2, 12])
@pytest.mark.parametrize("reference", [True, False])
def test_small_studies_have_fewer_pictures(names, ramps, reference):
    options = AnalysisOptions(replicates=100, confirmation=ConfirmationQuestion(replicates=100, change_month=3))
    analysis = analyse_confirmation(small_study(ramps, reference=reference), options)
    found = names(analysis)
    assert len(found) == len(set(found))
    assert "claimed_captures" not in found or ramps == 12
    if ramps == 12 and reference:
        assert {"claimed_captures", "false_capture_chart", "signs_adjudicated_capture"} <= set(found)
    if not reference:
        assert not any(name.startswith(("claimed", "false_capture", "signs_", "roc_")) for name in found)
