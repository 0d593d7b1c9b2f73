"""What ramp policies would do, as tables."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from capstat.report.confirmation_words import full_sentences
from capstat.report.ramp_margin_tables import margin_tables
from capstat.report.ramp_words import (
    NOT_A_RECOMMENDATION,
    bare,
    errors_words,
    group_words,
    numbered,
    order_words,
    steps_words,
    time_words,
)
from capstat.report.table import Table, estimates_frame, level_text
from capstat.report.wording import bounds_text, counted, listed, milliampere, percent

if TYPE_CHECKING:
    from capstat.analysis.ramp_analysis import RampAnalysis, RampGroup, RampPart
    from capstat.analysis.ramp_as_read import PoliciesAsRead
    from capstat.protocol import RampPolicy
    from capstat.protocol.compare_policies import Choice, PolicyComparison
    from capstat.protocol.consequences import PolicyConsequences
    from capstat.protocol.reposition import RepositionCurve
    from capstat.results import Curve

__all__ = ["as_read_table", "ramp_tables", "tables_of_part"]

# currents without capture that the table of other pads shows
SHOWN_MA = (60.0, 80.0, 100.0, 120.0)
# what stands in the table without a model
WITHOUT_MODEL = ("not_captured", "without_output_s", "pulses_above_discomfort")
DIFFERENT_PATIENTS = (
    (
        "the two placements were used in different patients, and nothing is adjusted for: a difference between going on and moving may "
        "lie in the patients and not in the pads"
    ),
    "no patients had both placements by design, so how alike a patient's two thresholds are is assumed, not observed",
)
# fewer patients than this: the shape of the model does the talking
FEW = 20


def ramp_tables(found: RampAnalysis) -> list[Table]:
    """Every table about ramp policies."""
    tables = [table for part in found.parts for table in tables_of_part(part, found)]
    return tables if found.as_read is None else [*tables, as_read_table(found.as_read)]


def as_read_table(found: PoliciesAsRead) -> Table:
    """Policies where capture is judged as in the study."""
    names = numbered([c.policy for c in found.policies])
    rows = [
        (
            names[c.policy.name],
            *map(bare, (c.stopped_at_false_capture, c.left_at_false_capture, c.missed, c.not_captured)),
        )
        for c in found.policies
    ]
    how = "as given" if found.given else "as estimated from what was reviewed"
    return Table(
        "ramp_as_read", f"If {found.claim} capture were judged as in this study",
        ("policy", "stops at a false capture, %", "left there after the margin, %", "gives up although it captured, %",
         "not captured at the end, %"),
        tuple(rows), estimates_frame((c.policy.name, e) for c in found.policies for e in c.estimates),
        (
            (
                f"Errors of judgement {how} ({errors_words(found.errors)}); {found.claim} thresholds that allow for them "
                f"({found.model_name}, {found.n_patients} patients, all placements). Pads are not moved."
            ),
            ("Each judgement of a setting is wrong by chance, independently of the others. Limits carry the uncertainty of the "
             "thresholds, not that of the errors."),
        ),
    )  # fmt: skip


def tables_of_part(part: RampPart, found: RampAnalysis) -> list[Table]:
    """Tables of the policies that look for one kind of capture; names end with it but for the leading one."""
    question = found.question
    ending = "" if part is found.parts[0] else f"_{part.capture.name}"
    groups = [group for group in part.groups if group.laws is not None]
    names = numbered(part.policies)
    tables = [_policies_table(part, ending)]
    if groups:
        tables.append(_consequences_table(groups, part, question.by, ending))
        if any(group.misjudged for group in groups):
            tables.append(_misjudged_table(groups, names, question.by, ending))
        if len(part.policies) > 1:
            tables.append(_comparison_table(groups, names, question.by, ending))
        tables += margin_tables(part, groups, names, question, ending)
    counted_only = [group for group in part.groups if group.without_model]
    if counted_only:
        tables.append(_without_model_table(counted_only, names, question.by, ending))
    if part.reposition.curves:
        tables.append(_reposition_table(part, ending))
    return tables


def _maximum_words(policy: RampPolicy) -> str:
    move = policy.at_maximum
    if move is None:
        return "stop"
    return f"pads to {move.placement} ({move.seconds:g} s), again from {milliampere(move.start_ma)} mA"


def _policies_table(part: RampPart, ending: str) -> Table:
    names = numbered(part.policies)
    rows = [
        (names[p.name], order_words(p), steps_words(p), time_words(p), p.margin.words, _maximum_words(p))
        for p in part.policies
    ]
    columns = ("policy", "order", "steps", "time at each setting", "after capture", "no capture at the maximum")
    return Table(
        f"ramp_policies{ending}", f"Ramp policies ({part.capture.name} capture)", columns, tuple(rows),
        pd.DataFrame(rows, columns=list(columns)),
        ("A setting lasts its time; the one that is kept lasts until capture was seen for as long as wanted, where that is longer.",),
    )  # fmt: skip


def _listed(groups: list[RampGroup], by: str) -> list[tuple[str, PolicyConsequences]]:
    return [(group_words(group.label, by), policy) for group in groups for policy in group.policies]


def _consequences_table(groups: list[RampGroup], part: RampPart, by: str, ending: str) -> Table:
    rows, names = [], numbered(part.policies)
    for label, c in _listed(groups, by):
        half, most = c.time_to_capture
        final, high = c.final_ma
        rows.append(
            (label, names[c.policy.name], *map(bare, (c.not_captured, half, most, c.without_output_s, c.pulses_above_discomfort, final,
             high, c.excess_ma)))
        )  # fmt: skip
    first = groups[0].policies[0]
    limit = f"{milliampere(first.discomfort_ma)} mA"
    notes = [
        (
            f"{level_text(first.not_captured)}: percentiles of bootstrap draws in which the model is chosen anew; those of the share not "
            "captured are at least as wide as those of a counted share, and where a policy goes beyond the highest current tried they reach "
            "to the bounds that hold without a model. Times run from the first pulse to the first setting that captures, of all patients. Without output: time of the search "
            "in which pulses do not capture; patients who are never captured count up to its end, so that a policy that gives up "
            f"sooner looks better here. Pulses above {limit}: those of the search alone; not everybody finds the same current "
            "uncomfortable. Left on: the current after the margin, of those in whom the search found capture. Above the "
            "threshold: mean of those captured; a dash: not worked out where the pads are moved. Judgements of capture are taken to "
            "be right here."
        ),
        *(_basis(g, by) for g in groups),
        *full_sentences(note for g in groups for note in g.notes),
        NOT_A_RECOMMENDATION,
    ]
    return Table(
        f"ramp_consequences{ending}", f"What each policy would do ({part.capture.name} capture)",
        ("thresholds of", "policy", "not captured, %", "half captured after, s", "nine in ten after, s", "without output during the search, s",
         f"pulses above {limit}", "left on, mA: half at or below", "nine in ten", "mA above the threshold"),
        tuple(rows),
        estimates_frame((f"{label}; {c.policy.name}", e) for label, c in _listed(groups, by) for e in c.estimates),
        tuple(notes),
    )  # fmt: skip


def _basis(group: RampGroup, by: str) -> str:
    """What the numbers of a group rest on."""
    laws = group.laws
    assert laws is not None  # noqa: S101 groups without laws have no table
    few = (
        " So few patients do not show the shape of the distribution: the model does the talking."
        if group.n_patients < FEW
        else ""
    )
    return (
        f"{group_words(group.label, by).capitalize()}: {counted(group.n_patients, 'patient')}, model: {laws.model_name}, "
        f"{laws.model.draws} draws; the highest current tried is {milliampere(group.highest_tried_ma)} mA, and beyond it the model "
        f"speaks alone.{few}"
    )


def _without_model_table(groups: list[RampGroup], names: dict[str, str], by: str, ending: str) -> Table:
    rows, estimates = [], []
    for group in groups:
        label = group_words(group.label, by)
        models = {c.policy.name: c for c in group.policies if c.policy.at_maximum is None}
        for plain in group.without_model:
            name = plain.policy.name
            c = models.get(name)
            pairs = ((None if c is None else getattr(c, what), getattr(plain, what)) for what in WITHOUT_MODEL)
            cells = ("\u2013" if e is None else bounds_text(e) for pair in pairs for e in pair)
            rows.append((label, names[name], *cells))
            estimates += [(f"{label}; {name}", e) for e in plain.estimates]
    frame = estimates_frame(estimates)
    return Table(
        f"ramp_without_model{ending}", "The same without a model",
        ("thresholds of", "policy", "not captured: model", "no model", "time without output: model", "no model",
         "pulses above discomfort: model", "no model"),
        tuple(rows), frame.drop(columns=["lower", "upper", "level"]),
        (
            ("Without a model the thresholds inside a step of the study's ramps, and beyond its highest current, are not known: "
             "where a policy tries other currents, two bounds are given. Far apart from the model's number, the model is in "
             "doubt. A dash: no model fits, or the pads are moved, which needs a model; the number without one is for stopping at the "
             "maximum. Without limits: those of few patients, counted, stand under Thresholds."),
        ),
    )  # fmt: skip


def _misjudged_table(groups: list[RampGroup], names: dict[str, str], by: str, ending: str) -> Table:
    rows, estimates = [], []
    for group in groups:
        label = group_words(group.label, by)
        for right, c in zip(group.policies, group.misjudged, strict=True):
            rows.append(
                (label, names[c.policy.name], *map(bare, (c.stopped_at_false_capture, c.left_at_false_capture, c.missed,
                 c.not_captured, right.not_captured)))
            )  # fmt: skip
            estimates += [(f"{label}; {c.policy.name}", e) for e in c.estimates]
    return Table(
        f"ramp_misjudged{ending}", "If capture were misjudged as stated",
        ("thresholds of", "policy", "stops at a false capture, %", "left there after the margin, %",
         "gives up although it captured, %", "not captured at the end, %", "the same if never misjudged, %"),
        tuple(rows), estimates_frame(estimates),
        (
            ("Each judgement of a setting is wrong by chance, independently of the others. An artefact that misleads at every "
             "setting of a patient is worse than this."),
        ),
    )  # fmt: skip


def _comparison_table(groups: list[RampGroup], names: dict[str, str], by: str, ending: str) -> Table:
    rows, estimates = [], []
    choices: tuple[Choice, ...] = ()
    for group in groups:
        comparison = group.comparison
        if comparison is None:
            continue
        choices = comparison.choices
        label = group_words(group.label, by)
        for k, c in enumerate(comparison.policies):
            rows.append((label, names[c.policy.name], _dominated(comparison, k, names), *_choice_cells(comparison, k)))
            for choice in comparison.choices:
                estimates += [(f"{label}; {c.policy.name}", e) for e in (choice.costs[k], choice.regret[k])]
    weights = "; ".join(
        f"{w.name}: {w.per_second_without_output:g} for a second without output, {w.per_pulse_above_discomfort:g} for a pulse "
        f"above the level of discomfort, {w.per_patient_not_captured:g} for a patient who is not captured"
        for w in (choice.weights for choice in choices)
    )
    factor = groups[0].comparison.factor if groups[0].comparison else 1.0
    columns = ["thresholds of", "policy", "as good or better in all, and better in one"]
    for choice in choices:
        name = choice.weights.name
        columns += [f"{name}: cost, s", "lowest in", f"extra cost if {100 * (factor - 1):.0f} % higher, s"]
    return Table(
        f"ramp_comparison{ending}", "Policies beside each other", tuple(columns), tuple(rows), estimates_frame(estimates),
        (
            ("Third column: policies that are at least as good in time without output during the search, pulses above the level of "
             "discomfort and share not captured, and better in one; with the share of draws in which some policy is. False capture, "
             "margin and loss of capture are not among the three: a policy that waits to confirm capture can only look worse."),
            (f"Costs are means in seconds without output, under weights that are for illustration ({weights}). Whoever uses them "
             "must state their own. Lowest in: share of the draws in which the policy costs least. Regret: what it would cost more "
             f"than the best policy if all thresholds were {100 * (factor - 1):.0f} % higher than believed."),
            "Judgements of capture are taken to be right here, whatever errors were stated.",
            *full_sentences(note for group in groups for note in group.notes),
            NOT_A_RECOMMENDATION,
        ),
    )  # fmt: skip


def _dominated(comparison: PolicyComparison, k: int, names: dict[str, str]) -> str:
    """Numbers of the policies that dominate one, and how often some policy does."""
    by = [names[name].split(":")[0] for name in comparison.dominated_by[k]]
    share = f" ({percent(comparison.share_dominated[k])} % of draws)" if comparison.share_dominated else ""
    return (f"{listed(by)}{share}" if by else f"none{share}") if by or share else "none"


def _choice_cells(comparison: PolicyComparison, k: int) -> tuple[str, ...]:
    cells: list[str] = []
    for choice in comparison.choices:
        best = (
            f"{percent(choice.share_best[k])} %" if choice.share_best else ("lowest" if choice.best == k else "\u2013")
        )
        cells += [bare(choice.costs[k]), best, bare(choice.regret[k])]
    return tuple(cells)


def _at(curve: Curve, current: float) -> str:
    """Share at a current with limits; a dash where the curve does not hold it."""
    where = [k for k, x in enumerate(curve.x) if abs(x - current) < 1e-6]
    if not where:
        return "\u2013"
    k = where[0]
    return f"{percent(curve.lower[k])} ({percent(curve.band_lower[k])} to {percent(curve.band_upper[k])})"


def _reposition_table(part: RampPart, ending: str) -> Table:
    """What is shown of an estimated correlation, or of each assumed one; the CSV file holds everything."""
    rows, records = [], []
    notes: list[str] = []
    assumed = part.reposition.curves[0][0].is_assumed
    for curves in part.reposition.curves:
        first = curves[0]
        rows += [
            (
                first.here, first.there, milliampere(current), _at(first.captured_here, current),
                *(_at(c.captured_there, current) for c in curves),
                *(() if assumed else (_at(first.captured_there_at_same, current), *_within(first, current))),
            )
            for current in SHOWN_MA
            if current in first.captured_here.x
        ]  # fmt: skip
        for c in curves:
            records += _records(c, f"assumed {c.correlation:g}" if c.is_assumed else f"estimated {c.correlation:.2f}")
            notes += [note for note in c.notes if not (c.is_assumed and note.startswith("the correlation of"))]
    curves = part.reposition.curves[0]
    within = _within_words(part)
    moving = (
        tuple(f"after moving, if correlation {c.correlation:g}, %" for c in curves)
        if assumed
        else (
            "after moving, %",
            "after moving, at that current, %",
            *((f"going on, within {within}, %", f"moving, within {within}, %") if within else ()),
        )
    )
    return Table(
        f"ramp_reposition{ending}", "No capture so far: more current, or other pads?",
        ("pads now", "moved to", "no capture up to, mA", "captured after going on, %", *moving),
        tuple(rows), pd.DataFrame(records), full_sentences([*(DIFFERENT_PATIENTS if assumed else ()), _timing_words(part), *notes]),
    )  # fmt: skip


def _timing_words(part: RampPart) -> str:
    first = part.reposition.curves[0][0]
    times = first.times
    steps = (
        f", {milliampere(times.timing.step_ma)} mA every {times.timing.dwell_s:g} s, {times.timing.seconds:g} s without pacing while "
        "the pads are moved"
        if times is not None
        else ""
    )
    return f"Steps and highest current are those of '{part.policies[0].name}' ({milliampere(first.highest_here_ma)} mA{steps})"


def _within_words(part: RampPart) -> str:
    times = part.reposition.curves[0][0].times
    return "" if times is None else f"{times.timing.within_s[1]:g} s"


def _within(c: RepositionCurve, current: float) -> tuple[str, ...]:
    if c.times is None:
        return ()
    return _at(c.times.here_within[1], current), _at(c.times.there_within[1], current)


def _records(c: RepositionCurve, kind: str) -> list[dict[str, object]]:
    curves = [c.captured_here, c.captured_there, c.captured_there_at_same, c.difference, c.reached]
    if c.times is not None:
        curves += [*c.times.here_within, *c.times.there_within, *c.times.difference_within]
    return [
        {
            "pads": c.here, "moved_to": c.there, "correlation": kind, "quantity": curve.label, "no_capture_up_to_ma": x,
            "value": value, "lower": low, "upper": high, "level": curve.level, "method": curve.method,
        }
        for curve in curves
        for x, value, low, high in zip(curve.x, curve.lower, curve.band_lower, curve.band_upper, strict=True)
    ]  # fmt: skip
