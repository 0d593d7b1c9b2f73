"""Drift of thresholds and what margins are worth, as tables."""

from __future__ import annotations

from typing import TYPE_CHECKING

from capstat.protocol.margins import USUAL_MARGINS
from capstat.report.confirmation_words import full_sentences
from capstat.report.ramp_words import bare, group_words, margin_words
from capstat.report.table import Table, estimates_frame
from capstat.report.wording import counted, p_text

if TYPE_CHECKING:
    from capstat.analysis.ramp_analysis import RampGroup, RampPart
    from capstat.analysis.ramp_margins import DriftAnalysis, PolicyMargins
    from capstat.analysis.ramp_question import RampQuestion
    from capstat.results import Estimate

# p-value below which a shared trend is spoken of
TREND_P = 0.05

__all__ = ["assumed_words", "left_out_words", "margin_tables", "trend_words"]

THRESHOLDS_ALONE = "Limits carry the uncertainty of the thresholds alone, not that of the drift, which is assumed."
# repeated checks over less than this are probably minutes entered for seconds
SHORT_MINUTES = 5.0
NONE_PUBLISHED = (
    "ASSUMED drift: this study has no repeated threshold checks that tell how thresholds change within a patient, and no "
    "published variability of repeated checks was found. Each assumption is a random walk whose change over 30 minutes has "
    "that standard deviation."
)


def assumed_words(sd: float | None) -> str:
    """Return which drift a row rests on."""
    return "as estimated" if sd is None else f"assumed {100 * sd:g} %"


def margin_tables(
    part: RampPart, groups: list[RampGroup], names: dict[str, str], question: RampQuestion, ending: str
) -> list[Table]:
    """Drift where it was estimated, margins after the first policy, and the margin of every policy."""
    tables = [_drift_table(part.drift, ending)] if part.drift.fits else []
    with_margins = [group for group in groups if group.margins]
    if with_margins and question.minutes:
        tables += [_usual_table(with_margins[0], question, ending), _own_table(with_margins, names, question, ending)]
    return tables


def trend_words(drift: DriftAnalysis) -> str:
    """Warn where thresholds moved in one direction; empty otherwise."""
    trend = drift.trend
    if trend is None or trend.p_value >= TREND_P:
        return ""
    return (
        f" The last check was surely higher than the first in {trend.higher} and surely lower in {trend.lower} of {trend.patients} patients "
        f"({p_text(trend.p_value)}): a trend shared by all counts as change here, and margins come out too large."
    )


def left_out_words(drift: DriftAnalysis) -> str:
    """What was left out of the repeated checks, and why; empty without any."""
    out = drift.checks.left_out
    counts = (
        (out.no_interval, "attempts without a usable threshold"),
        (out.no_placement, "attempts without a known placement"),
        (out.no_time, "attempts without a time"),
        (out.out_of_order_patients, "patients whose times contradict the order of their attempts"),
        (out.repeated_time, "attempts at the same time as another"),
        (out.other_placement, "attempts with a placement checked less often"),
        (out.single_check_patients, "patients with a single check"),
    )
    told = ", ".join(f"{count} {words}" for count, words in counts if count)
    return f"Left out: {told}." if told else ""


def _spacing_words(drift: DriftAnalysis) -> str:
    """How far checks lie apart, and a warning where minutes were probably written for seconds."""
    checks = drift.checks
    apart = [
        b - a
        for a, b, one, other in zip(
            checks.minutes, checks.minutes[1:], checks.patient, checks.patient[1:], strict=False
        )
        if one == other
    ]
    if not apart:
        return ""
    last = max(checks.minutes)
    words = f"Checks of a patient lie {min(apart):.2g} to {max(apart):.2g} minutes apart, the last one {last:.3g} minutes after the first"
    if last < SHORT_MINUTES:
        return f"{words}: if these are minutes, times were not entered in seconds (pacing_start_s), and all of this is wrong."
    return f"{words}; what is said of longer times is extrapolated."


def _drift_table(drift: DriftAnalysis, ending: str) -> Table:
    rows, estimates = [], []
    for fit in drift.fits:
        half_life = fit.half_life_minutes
        told = (fit.typical_change(10.0), fit.typical_change(30.0), fit.typical_change(60.0))
        rows.append(
            (fit.model.value, f"{fit.aic - drift.fits[0].aic:.1f}", *map(bare, told),
             "\u2013" if half_life is None else bare(half_life))
        )  # fmt: skip
        estimates += [(fit.model.value, e) for e in (*told, *((half_life,) if half_life else ()))]
    for change in drift.elapsed:
        label = f"without a model of time, {change.from_minutes:g} to {change.to_minutes:g} minutes"
        estimates += [(label, change.percent)]
    if drift.needed is not None:
        estimates.append((drift.fits[0].model.value, drift.needed))
    notes = [
        (
            f"From {counted(len(drift.checks), 'threshold check')} of {counted(drift.checks.n_patients, 'patient')}, each known up "
            "to the step of its ramp. Typical change: one standard deviation upwards of the change since the first check. "
            "Random walk: changes add up. Mean-reverting: thresholds return to a level of the patient's own."
        ),
        _spacing_words(drift),
        left_out_words(drift),
        trend_words(drift).strip(),
        *drift.reasons,
        *(note for fit in drift.fits for note in fit.notes),
    ]
    return Table(
        f"ramp_drift{ending}", "How thresholds change within a patient",
        ("model", "AIC above the best", "typical change in 10 minutes, %", "30 minutes, %", "60 minutes, %", "half-life of a deviation, minutes"),
        tuple(rows), estimates_frame(estimates), full_sentences(filter(None, notes)),
    )  # fmt: skip


def _usual_table(group: RampGroup, question: RampQuestion, ending: str) -> Table:
    """Margins after the first policy: by time where drift was estimated, by assumption at the middle time otherwise."""
    first = group.margins[0].policy
    mine = [entry for entry in group.margins if entry.policy.name == first.name]
    times = [f"{time:g} minutes" for time in question.minutes]
    margins = [mine[0].usual[0].margin, *USUAL_MARGINS]
    estimates = _estimates(mine, "")
    if mine[0].assumed_sd is None:
        columns = ("after capture", "left on, mean mA", *(f"lost within {time}, %" for time in times))
        rows = [
            (margin_words(margin), bare(row.mean_final_ma), *map(bare, row.loss))
            for margin, row in zip(margins, mine[0].usual, strict=True)
        ]
        notes = ["Chance that the threshold rises above the current at some time, of those captured."]
        if "mean-reverting" in mine[0].own.loss[0].method:
            notes.append(
                "The mean-reverting model is simulated (4,096 courses, up to 0.8 percentage points of error), from thresholds of all patients; "
                "those of the captured are lower and come back up, so that the chances are somewhat too low."
            )
    else:
        middle = len(question.minutes) // 2
        columns = (
            "after capture", "left on, mean mA",
            *(f"lost within {times[middle]}, %, if change {100 * (entry.assumed_sd or 0):g} %" for entry in mine),
        )  # fmt: skip
        rows = [
            (
                margin_words(margin),
                bare(mine[0].usual[k].mean_final_ma),
                *(bare(entry.usual[k].loss[middle]) for entry in mine),
            )
            for k, margin in enumerate(margins)
        ]
        notes = [NONE_PUBLISHED, THRESHOLDS_ALONE]
    notes.append(
        "Where in its step the threshold lies is allowed for, and so are the rounding of margins to what can be set and the "
        "maximum of the policy. No trial supports any margin; teaching texts differ five-fold (2 to 10 mA; common practice, no source), and 125 % of the threshold "
        "held for 2 minutes in 29 of 30 volunteers (PMID 1443840, abstract seen)."
    )
    return Table(
        f"ramp_margins{ending}", f"What a margin is worth after '{first.name}' ({group_words(group.label, question.by)})",
        columns, tuple(rows), estimates_frame(estimates), tuple(notes),
    )  # fmt: skip


def _estimates(entries: list[PolicyMargins], prefix: str) -> list[tuple[str, Estimate]]:
    return [
        (f"{prefix}{entry.policy.name}; drift {assumed_words(entry.assumed_sd)}", e)
        for entry in entries
        for row in entry.usual
        for e in (row.mean_final_ma, *row.loss)
    ]


def _own_table(groups: list[RampGroup], names: dict[str, str], question: RampQuestion, ending: str) -> Table:
    rows, estimates = [], []
    for group in groups:
        label = group_words(group.label, question.by)
        for entry in group.margins:
            rows.append(
                (label, names[entry.policy.name], assumed_words(entry.assumed_sd), margin_words(entry.policy.margin),
                 *map(bare, entry.own.loss), bare(entry.needed))
            )  # fmt: skip
            estimates += [
                (f"{label}; {entry.policy.name}; drift {assumed_words(entry.assumed_sd)}", e)
                for e in (*entry.own.loss, entry.needed)
            ]
    notes = [
        (
            "Last column: the margin above the current that the search found, in percent of it and before rounding, with which 5 % of "
            "those captured would lose capture within 30 minutes. Another share or time gives another margin. It is smaller than the "
            "margin above the threshold itself, because a search stops above the threshold, and smallest after coarse steps."
        ),
    ]
    if any(entry.assumed_sd is not None for group in groups for entry in group.margins):
        notes += [NONE_PUBLISHED, THRESHOLDS_ALONE]
    notes.append("Of those captured with the first placement; judgements of capture are taken to be right.")
    return Table(
        f"ramp_own_margins{ending}", "The margin of each policy, and the one with which 5 % would be lost",
        ("thresholds of", "policy", "drift in 30 minutes", "its margin",
         *(f"lost within {time:g} minutes, %" for time in question.minutes), "margin with 5 % lost in 30 minutes, %"),
        tuple(rows), estimates_frame(estimates), tuple(notes),
    )  # fmt: skip
