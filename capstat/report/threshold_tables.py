"""Tables on how thresholds are distributed, beyond the capture currents and shares themselves."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from capstat.report.table import Table, estimate_cells, level_text, small
from capstat.report.wording import interval_text, p_text, percent, plain_name, value_text

if TYPE_CHECKING:
    from capstat.analysis import CaptureAnalysis, CovariateAnalysis, GroupAnalysis
    from capstat.distributions import FollowUp, NeverCaptured
    from capstat.results import Estimate

__all__ = ["threshold_tables"]


def threshold_tables(capture: CaptureAnalysis, suppress_below: int) -> list[Table]:
    """Tables of one definition of capture; the checks and what hangs on them only under the leading one."""
    name = capture.capture.name
    tables = [_families_table(capture.groups, name)]
    detailed = [group for group in capture.groups if group.detail is not None]
    if detailed:
        tables.append(_restricted_table(detailed, name))
        tables += [t for t in (_never_table(detailed, name, suppress_below), _tolerance_table(detailed, name)) if t]
        tables.append(_shortcuts_table(detailed, name, suppress_below))
    if capture.covariates is not None:
        tables.append(_covariates_table(capture.covariates, name, suppress_below))
    return tables


def _families_table(groups: tuple[GroupAnalysis, ...], name: str) -> Table:
    rows, records = [], []
    for group in groups:
        label, check = group.summary.label, None if group.detail is None else group.detail.fit_check
        for k, row in enumerate(group.models.families.rows):
            fits = check.p_value if check is not None and k == 0 else None
            shown = (
                (row.name, f"{row.aic:.1f}", f"{row.difference:.1f}", _weight(row.weight), p_text(fits))
                if row.aic is not None and row.difference is not None
                else (row.name, "no fit", "", "", "")
            )
            rows.append((label, *shown))
            records.append(
                {
                    "group": label, "model": row.name, "aic": row.aic, "difference": row.difference,
                    "weight": row.weight, "fit_test_p": fits, "reason": row.reason,
                }
            )  # fmt: skip
    checked = [g.detail.fit_check for g in groups if g.detail is not None and g.detail.fit_check is not None]
    notes = [
        (
            "AIC: smaller is better; differences below about 2 say little. Weight: what each model counts for in the averaged "
            "capture currents. Models with a share never captured allow for patients whom no current captures."
        )
    ]
    if checked:
        notes.append(
            f"Test of fit: {checked[0].method}, {checked[0].simulated.size} simulated studies, seed {checked[0].seed}; a small p "
            f"speaks against the model, a large one does not prove it, the less so as the model was picked as the best of several. {checked[0].notes[0].capitalize()}."
        )
    untested = {g.detail.not_checked for g in groups if g.detail is not None and g.detail.not_checked}
    notes += [f"No test of fit in some group: {reason.rstrip('.')}." for reason in sorted(untested)]
    return Table(
        f"families_{name}", f"Which shape fits the thresholds ({name} capture)",
        ("group", "model", "AIC", "difference", "weight", "test of fit"), tuple(rows), pd.DataFrame(records), tuple(notes),
    )  # fmt: skip


def _weight(weight: float) -> str:
    return f"{percent(weight)} %" if weight >= 0.0005 or weight == 0 else "under 0.1 %"


def _restricted_table(groups: list[GroupAnalysis], name: str) -> Table:
    estimates = [(g.summary.label, g.summary.restricted_mean) for g in groups]
    cells, frame = estimate_cells(estimates)
    rows = []
    for (label, e), (_, shown, limits) in zip(estimates, cells, strict=True):
        between = f"between {e.identified[0]:.1f} and {e.identified[1]:.1f} mA" if e.identified else shown
        rows.append((label, e.quantity, shown if e.value is not None else between, limits))
    return Table(
        f"mean_threshold_{name}", f"Mean threshold up to a highest current ({name} capture)",
        ("group", "quantity", "mean", level_text(estimates[0][1])), tuple(rows), frame,
        (("The current an average patient would have used up to that maximum: the area above the capture curve. Patients "
         "without capture count with the maximum and nothing more is made up. Where in a step a threshold lies is not known, "
         "so the mean is known up to bounds; the interval holds both with their sampling error."),),
    )  # fmt: skip


def _reach_words(reached: FollowUp, suppress_below: int) -> str:
    if reached.last_capture_ma is None:
        return "nobody was captured"
    told = (
        "seems to reach beyond the thresholds" if reached.sufficient else "does not clearly reach beyond the thresholds"
    )
    beyond = small(reached.n_beyond, suppress_below) + (" attempt" if reached.n_beyond == 1 else " attempts")
    return (
        f"last capture at {reached.last_capture_ma:g} mA, {beyond} without capture followed further, up to "
        f"{reached.highest_tested_ma:g} mA: {told} (Maller and Zhou's alpha {reached.alpha:.2g})"
    )


def _never_table(groups: list[GroupAnalysis], name: str, suppress_below: int) -> Table | None:
    found: list[tuple[str, NeverCaptured]] = [
        (g.summary.label, never) for g in groups if g.detail is not None for never in g.detail.never_captured
    ]
    if not found:
        return None
    cells, frame = estimate_cells((label, never.share) for label, never in found)
    frame = frame.assign(
        family=[never.family.name for _, never in found], boundary_p=[never.p_value for _, never in found]
    )
    rows = tuple(
        (label, never.family.name, shown, limits, p_text(never.p_value) if never.follow_up.sufficient else "no plateau")
        for (label, never), (_, shown, limits) in zip(found, cells, strict=True)
    )
    reach = {label: _reach_words(never.follow_up, suppress_below) for label, never in found}
    notes = [
        (
            "Share of patients whom no current would capture, as far as a model can tell it from those who need more than the "
            "device gives. Only a flat stretch of the capture curve below the maximum separates the two; where the families "
            "disagree or follow-up does not reach, believe none of them. Limits from the profile likelihood; the test compares "
            "with a share of 0 and is shown only where a plateau was seen. A share above the one not captured at the highest current is chance, not truth."
        ),
        *(f"{label[0].upper()}{label[1:]}: {words}." for label, words in reach.items()),
    ]
    return Table(
        f"never_captured_{name}", f"Share never captured at any current ({name} capture)",
        ("group", "family", "share", level_text(found[0][1].share), "against 0"), rows, frame, tuple(notes),
    )  # fmt: skip


def _share_words(estimate: Estimate) -> str:
    return estimate.quantity.replace("current that captures ", "").replace(" of patients", "")


def _tolerance_table(groups: list[GroupAnalysis], name: str) -> Table | None:
    rows: list[tuple[str, str, str, Estimate]] = [
        (g.summary.label, f"{tolerance:g} %", _share_words(e), e)
        for g in groups
        if g.detail is not None
        for tolerance, estimates in g.detail.tolerances
        for e in estimates
    ]
    if not rows:
        return None
    cells, frame = estimate_cells((label, e) for label, _, _, e in rows)
    shown = tuple((a, b, c, r[1], r[2]) for (a, b, c, _), r in zip(rows, cells, strict=True))
    return Table(
        f"tolerance_{name}", f"If the device's output is off by up to a tolerance ({name} capture)",
        ("group", "tolerance", "share", "current", level_text(rows[0][3])), shown,
        frame.assign(tolerance=[tolerance for _, tolerance, _, _ in rows]),
        (("Sensitivity analysis: each interval widened by the tolerance on both sides, families averaged. If all settings are "
         "off by one common factor instead, every capture current is off by that factor. Wider intervals do not make the "
         "estimates more cautious: part of the spread between patients is then put down to the device. Only families with two parameters are averaged here, so the line at 0 % may differ a little "
         "from the table above."),),
    )  # fmt: skip


def _shortcuts_table(groups: list[GroupAnalysis], name: str, suppress_below: int) -> Table:
    rows, records = [], []
    for group in groups:
        if group.detail is None:
            continue
        label, mean = group.summary.label, group.summary.restricted_mean
        truth = f"{mean.identified[0]:.1f} to {mean.identified[1]:.1f} mA" if mean.identified else "not estimable"
        rows.append((label, f"none ({mean.quantity})", truth, interval_text(mean), "", ""))
        half = group.summary.capture_currents[0] if group.summary.capture_currents else None
        for words, found in (
            ("maximum + 1 mA for non-capture", group.detail.shortcuts.maximum_plus_one),
            ("attempts without capture dropped", group.detail.shortcuts.dropped),
        ):
            few = 0 < group.counts.right < suppress_below
            share = None if few else found.affected.value
            shown = "not shown" if few else "" if share is None else f"{percent(share)} %"
            rows.append(
                (
                    label,
                    words,
                    value_text(found.mean),
                    interval_text(found.mean),
                    value_text(found.standard_deviation),
                    shown,
                )
            )
            records.append(
                {
                    "group": label, "shortcut": words, "mean_ma": found.mean.value, "mean_lower_ma": found.mean.lower,
                    "mean_upper_ma": found.mean.upper, "sd_ma": found.standard_deviation.value,
                    "median_ma": found.median.value, "share_affected": share,
                    "median_without_shortcut_ma": None if half is None else half.value,
                    "why_it_misleads": "; ".join(found.mean.notes),
                }
            )  # fmt: skip
    return Table(
        f"shortcuts_{name}", f"What two common shortcuts would have said ({name} capture)",
        ("group", "shortcut", "mean", "limits", "SD", "attempts affected"), tuple(rows), pd.DataFrame(records),
        (("Not to be used. Both take the first current that captured as the threshold itself, which is too high by up to a "
         'step; one then gives attempts without capture the value "maximum + 1 mA", the other leaves out the patients who '
         "need most. Their intervals ignore both."),),
    )  # fmt: skip


def _covariates_table(covariates: CovariateAnalysis, name: str, suppress_below: int) -> Table:
    cells, frame = estimate_cells(("", e) for e in covariates.ratios)
    rows = tuple(
        (_covariate_words(e), shown, limits, p_text(e.p_value))
        for e, (_, shown, limits) in zip(covariates.ratios, cells, strict=True)
    )
    share = (
        ", with a share never captured, the same for everybody, because AIC favours it"
        if covariates.never_captured
        else ""
    )
    about = (
        f"One regression with these covariates together, chosen beforehand (lognormal{share}, complete cases). Each ratio is for "
        "patients alike in the others; it is an association."
    )
    notes = [about]
    lost = covariates.n_total - covariates.n_complete
    if lost >= max(suppress_below, 1):
        notes.append(
            f"{covariates.n_complete} of {covariates.n_total} attempts have all of them recorded and a placement that occurs at least ten times; the others are left out."
        )
    notes += [
        f"Straight line against a bend (natural spline) in {plain_name(test.name)}: {p_text(test.p_value)}."
        for test in covariates.bends
        if test.p_value is not None
    ]
    if covariates.standardised is not None:
        ratio = covariates.standardised.median_ratio
        notes.append(
            "Standardised over all patients (everybody with one placement against everybody with the other), the ratio of "
            f"median currents is {value_text(ratio)} ({level_text(ratio)} {interval_text(ratio)})."
        )
    return Table(
        f"covariates_{name}", f"What goes with a higher threshold ({name} capture)",
        ("", "ratio of thresholds", level_text(covariates.ratios[0]), "p"), rows, frame, tuple(notes),
    )  # fmt: skip


def _covariate_words(estimate: Estimate) -> str:
    words = estimate.quantity.removeprefix("ratio of capture thresholds, ")
    head, _, rest = words.partition(": ")
    if not rest:
        return head.replace("_", " ")
    return f"{plain_name(head)}: {rest}"
