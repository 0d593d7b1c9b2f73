"""Thresholds under misjudged capture as tables."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from capstat.capture.differential import AGAINST
from capstat.report.confirmation_words import both, notes_by_label
from capstat.report.table import Table, estimates_frame, level_text
from capstat.report.wording import milliampere, percent

if TYPE_CHECKING:
    from capstat.analysis import CorrectedAnalysis, CorrectedGroup
    from capstat.capture import CorrectedCapture, DifferentialMisjudgement
    from capstat.results import Estimate

__all__ = ["corrected_tables"]


def corrected_tables(found: CorrectedAnalysis) -> list[Table]:
    """Every table about corrected thresholds."""
    results = [(group, group.result) for group in found.groups if group.result is not None]
    tables = []
    if results:
        tables += [_errors_table(found, results), _currents_table(found, results)]
    if found.families:
        tables.append(_families_table(found))
    if found.surface:
        tables.append(_surface_table(found))
    if found.differential is not None:
        tables.append(_differential_table(found.differential, found.own_errors))
    return tables


def _errors_table(found: CorrectedAnalysis, results: list[tuple[CorrectedGroup, CorrectedCapture]]) -> Table:
    rows, estimates = [], []
    for group, result in results:
        specificities = "; ".join(
            (f"{current:g} mA: " if len(result.specificities) > 1 else "") + both(e)
            for current, e in result.specificities
        )
        odds = "\u2013" if result.odds_ratio is None else both(result.odds_ratio)
        rows.append(
            (group.label, f"{group.n_ramps} ({group.n_reviewed})", both(result.sensitivity), specificities, odds,
             both(result.shift))
        )  # fmt: skip
        listed = (result.sensitivity, *(e for _, e in result.specificities), result.odds_ratio, result.shift)
        estimates += [(group.label, e) for e in listed if e is not None]
    left_out = {result.left_out for _, result in results}
    notes = [
        (
            "Sensitivity: that a setting which captures is read as capturing. Specificity: that one which does not is not. They "
            "speak of readings up to the first claimed capture of a ramp; what is read after it is read by somebody who believes in "
            "capture. Last column: how much higher the mean threshold (up to the highest current tested) is once errors are allowed "
            "for."
        ),
    ]
    if max(left_out) > 0:
        notes.append(
            f"Up to {max(left_out)} of {results[0][1].corrected.replicates} bootstrap samples, which gave no estimate of the "
            "errors, were left out."
        )
    return Table(
        "judgement_errors", f"How often was the reading of {found.claim} capture right?",
        ("ramps of", "ramps (reviewed)", "sensitivity", "specificity", "odds of a false claim per 10 mA more",
         "corrected minus claimed"),
        tuple(rows), estimates_frame(estimates), tuple(notes),
    )  # fmt: skip


def _currents_table(found: CorrectedAnalysis, results: list[tuple[CorrectedGroup, CorrectedCapture]]) -> Table:
    rows, estimates = [], []
    for group, result in results:
        for k, fraction in enumerate(found.fractions):
            claimed, corrected = result.as_claimed.capture_currents[k], result.corrected.capture_currents[k]
            rows.append((group.label, f"{100 * fraction:g} %", _current(claimed), _current(corrected)))
            estimates += [(f"{group.label}, as claimed", claimed), (f"{group.label}, corrected", corrected)]
    for group, result in results:
        claimed, corrected = result.as_claimed.not_captured, result.corrected.not_captured
        rows.append((group.label, "not captured at the highest current tried", both(claimed), both(corrected)))
        estimates += [(f"{group.label}, as claimed", claimed), (f"{group.label}, corrected", corrected)]
    level = level_text(results[0][1].corrected.capture_currents[0])
    return Table(
        "corrected_currents", f"Currents that capture, as claimed and corrected for misjudged {found.claim} capture",
        ("ramps of", "share captured", f"as claimed ({level})", f"corrected ({level})"),
        tuple(rows), estimates_frame(estimates),
        (
            ("As claimed: every reading believed, each ramp read up to its first claimed capture, so that these numbers may differ "
            "from those under Thresholds, where later settings of a ramp count too. Corrected: the whole sequence of readings, "
            "with their errors, in one likelihood; limits carry the uncertainty of errors that were estimated."),
            *notes_by_label((g.label, (g.reason,) if g.reason else ()) for g in found.groups),
        ),
    )  # fmt: skip


def _current(estimate: Estimate) -> str:
    if estimate.value is None:
        low = "" if not estimate.lower else f" ({milliampere(estimate.lower)} mA or more)"
        return f"not reached{low}"
    return both(estimate)


def _families_table(found: CorrectedAnalysis) -> Table:
    rows, estimates = [], []
    best = found.families[0].regression.aic
    for fit in found.families:
        currents = [fit.fit.capture_current(fraction) for fraction in found.fractions]
        share = 1 - fit.fit.share_capturable
        rows.append(
            (fit.fit.name, f"{fit.regression.aic - best:.1f}", *map(_current, currents),
             f"{percent(share)} %" if fit.fit.never_captured else "\u2013")
        )  # fmt: skip
        estimates += [(fit.fit.name, e) for e in currents]
    shares = [f"{100 * fraction:g} % captured" for fraction in found.fractions]
    return Table(
        "corrected_families", "The same with a family of distributions (all placements)",
        ("family", "AIC above the best", *shares, "never captured"), tuple(rows), estimates_frame(estimates),
        (
            ("Errors of judgement are estimated together with each family (to one that the reference never saw, half a wrong and "
            "half a right judgement are added); a lower AIC fits better."),
        ),
    )  # fmt: skip


def _surface_table(found: CorrectedAnalysis) -> Table:
    frame = pd.DataFrame(
        [
            {
                "sensitivity": point.sensitivity, "specificity": point.specificity, "share": fraction,
                "above_ma": None if current is None else current[0], "up_to_ma": None if current is None else current[1],
                "log_likelihood_below_best": point.log_likelihood, "reason": point.reason,
            }
            for point in found.surface
            for fraction, current in zip(found.fractions, point.currents_ma, strict=True)
        ]
    )  # fmt: skip
    specificities = sorted({point.specificity for point in found.surface}, reverse=True)
    by_pair = {(point.sensitivity, point.specificity): point for point in found.surface}
    rows = []
    for sensitivity in sorted({point.sensitivity for point in found.surface}, reverse=True):
        for k, fraction in enumerate(found.fractions[:2]):
            cells = []
            for specificity in specificities:
                point = by_pair[sensitivity, specificity]
                current = point.currents_ma[k]
                mark = "*" if point.log_likelihood is not None and point.log_likelihood < AGAINST else ""
                cells.append("\u2013" if current is None else f"{milliampere(current[1])}{mark}")
            rows.append((f"{percent(sensitivity)} %", f"{100 * fraction:g} %", *cells))
    return Table(
        "misjudgement_surface", "Current that captures, mA, if readings were so good or so bad",
        ("sensitivity", "share captured", *(f"specificity {percent(s)} %" for s in specificities)), tuple(rows), frame,
        (
            ("From the readings alone, whatever a reference said, with the same specificity at every current. * The readings "
            "themselves speak against this pair (log-likelihood more than 3 below the best pair). A dash: not reached."),
        ),
    )  # fmt: skip


def _differential_table(found: DifferentialMisjudgement, own: Estimate | None) -> Table:
    estimates = [
        ("every reading believed", found.as_claimed),
        ("the same errors in both", found.alike),
        *(() if own is None else (("the errors estimated for each", own),)),
        *(
            (f"specificity {point.specificity_first:g} against {point.specificity_minus:g}", point.ratio)
            for point in found.grid
            if point.ratio is not None
        ),
    ]
    rows = [(label, both(e)) for label, e in estimates[: 2 if own is None else 3]]
    low, high = found.range_of_ratios
    rows.append(
        (
            f"pairs in the stated range ({_range(found)}) that the readings do not speak against",
            f"{low:.2f} to {high:.2f}",
        )
    )
    for tip in found.tipping:
        at = "no loss that was tried" if tip.specificity is None else f"{percent(tip.specificity)} % or less"
        rows.append((f"{tip.what}: specificity with {tip.placement} pads, {percent(tip.other)} % with the other", at))
    return Table(
        "misjudgement_ratio", f"Ratio of thresholds, {found.first} over {found.minus}, under misjudgement",
        ("readings", f"ratio ({level_text(found.alike)})"), tuple(rows), estimates_frame(estimates),
        (
            ("Lognormal thresholds with a common spread, from the readings alone, nothing adjusted for; specificities at 80 mA. Limits "
            "take the errors as known. "
            "One bias at a time: confounding and the choice of the placement are not in it. Every pair is in the CSV file."),
        ),
    )  # fmt: skip


def _range(found: DifferentialMisjudgement) -> str:
    values = [point.specificity_first for point in found.grid]
    return f"{percent(min(values))} to {percent(max(values))} % in either placement"
