"""Signs of capture as tables: against a reference, between reviewers, and without a reference."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pandas as pd

from capstat.report.confirmation_words import both, full_sentences, notes_by_label, reference_words
from capstat.report.table import Table, estimates_frame, level_text, small
from capstat.report.wording import counted, p_text, percent, ratio_text

if TYPE_CHECKING:
    from capstat.analysis import LatentAnalysis, ReferenceAnalysis, SignAnalysis
    from capstat.capture import Agreement, SignAccuracy
    from capstat.results import Estimate

__all__ = ["sign_tables"]


def sign_tables(signs: SignAnalysis, suppress_below: int) -> list[Table]:
    """Every table about signs."""
    tables: list[Table] = []
    for found in signs.references:
        if found.signs:
            tables.append(_accuracy_table(found, suppress_below))
        if found.verification:
            tables.append(_verification_table(found))
        if found.continuous:
            tables.append(_continuous_table(found))
    if signs.agreement is not None:
        tables.append(_agreement_table(signs.agreement, suppress_below))
    if signs.latent is not None:
        tables.append(_latent_table(signs.latent))
        if signs.latent.dependence:
            tables.append(_dependence_table(signs.latent))
    return tables


def _estimates(sign: SignAccuracy) -> tuple[Estimate, ...]:
    a = sign.accuracy
    return (
        a.sensitivity, a.specificity, a.positive_predictive_value, a.negative_predictive_value,
        a.positive_likelihood_ratio, a.negative_likelihood_ratio, a.prevalence,
    )  # fmt: skip


def _counts(sign: SignAccuracy, suppress_below: int) -> tuple[str, ...]:
    t = sign.accuracy.table
    cells = (t.true_positive, t.false_negative, t.false_positive, t.true_negative)
    return tuple(small(count, suppress_below) for count in cells)


def _accuracy_table(found: ReferenceAnalysis, suppress_below: int) -> Table:
    rows = []
    for sign in found.signs:
        a = sign.accuracy
        hit, missed, alarm, quiet = _counts(sign, suppress_below)
        rows.append(
            (
                sign.label, f"{sign.n_steps} ({sign.n_patients})", f"{hit} / {missed}", f"{alarm} / {quiet}",
                both(a.sensitivity), both(a.specificity), both(a.positive_predictive_value),
                both(a.positive_likelihood_ratio), both(a.negative_likelihood_ratio),
            )
        )  # fmt: skip
    notes = notes_by_label((sign.label, sign.notes) for sign in found.signs)
    reference = reference_words(found.reference)
    level = level_text(found.signs[0].accuracy.sensitivity)
    return Table(
        f"signs_{found.reference}",
        f"Signs of capture against {reference}",
        (
            "sign", "settings (patients)", "with capture: seen / not seen", "without: seen / not seen",
            f"sensitivity ({level})", f"specificity ({level})", f"capture where seen ({level})",
            f"likelihood ratio seen ({level})", f"likelihood ratio not seen ({level})",
        ),
        tuple(rows),
        estimates_frame((sign.label, e) for sign in found.signs for e in _estimates(sign)),
        (
            (f"Sensitivity: of settings that {reference} shows to capture, how many have the sign. Specificity: of those "
            "without capture, how many do not. Limits allow for several settings of a patient. How often capture is present "
            "where a sign is seen depends on how often it was present among the settings looked at."),
            ("Predictive values and likelihood ratios here are those of the judged settings; where the next table corrects, use it."),
            ("Signs were looked for at some settings only; where that is after capture had been claimed, the shares speak of "
            "such settings."),
            *notes,
        ),
    )  # fmt: skip


def _verification_table(found: ReferenceAnalysis) -> Table:
    rows, estimates = [], []
    for label, v in found.verification:
        rows.append(
            (
                label, both(v.verified_present), both(v.verified_absent), both(v.uncorrected_sensitivity),
                both(v.sensitivity), both(v.uncorrected_specificity), both(v.specificity),
                " / ".join("\u2013" if ratio is None else ratio_text(ratio) for ratio in v.likelihood_ratios),
            )
        )  # fmt: skip
        told = (v.verified_present, v.verified_absent, v.sensitivity, v.specificity)
        estimates += [(label, e) for e in told]
        estimates += [
            (label, replace(e, quantity=f"{e.quantity}, not corrected"))
            for e in (v.uncorrected_sensitivity, v.uncorrected_specificity)
        ]
    return Table(
        f"verification_{found.reference}",
        f"Signs of capture: settings that {reference_words(found.reference)} did not judge",
        (
            "sign", "reference recorded where sign seen", "where not seen", "sensitivity as counted", "corrected",
            "specificity as counted", "corrected", "likelihood ratio seen / not seen, corrected",
        ),
        tuple(rows),
        estimates_frame(estimates),
        (
            ("Verification bias: where the reference is recorded more often after some findings than after others, counted shares "
            "are wrong. The correction uses every setting at which the sign was looked for, and what the other signs and the "
            "reading of the screen say there."),
            *notes_by_label((label, v.notes) for label, v in found.verification),
        ),
    )  # fmt: skip


def _continuous_table(found: ReferenceAnalysis) -> Table:
    rows, estimates = [], []
    for sign in found.continuous:
        b = sign.best
        rows.append(
            (sign.label, f"{sign.n_steps} ({sign.n_patients})", both(sign.area), both(b.cut), both(b.sensitivity),
             both(b.specificity))
        )  # fmt: skip
        estimates += [
            (sign.label, e)
            for e in (sign.area, b.cut, b.sensitivity, b.specificity, b.apparent_sensitivity, b.apparent_specificity)
        ]
    notes = notes_by_label((sign.label, sign.notes) for sign in found.continuous)
    return Table(
        f"numbers_{found.reference}",
        f"Measured signs against {reference_words(found.reference)}",
        ("sign", "settings (patients)", "area under the curve", "best cut, at least", "sensitivity there", "specificity"),
        tuple(rows),
        estimates_frame(estimates),
        (
            ("Area: how often a setting with capture has the higher value than one without. The best cut is the one with the "
            "largest sum of sensitivity and specificity in these data; both are corrected for having been chosen there, not for "
            "which settings the reference judged."),
            *notes,
        ),
    )  # fmt: skip


def _agreement_table(found: Agreement, suppress_below: int) -> Table:
    cells = [small(c, suppress_below) for c in (found.both_yes, found.first_only, found.second_only, found.both_no)]
    estimates = (found.kappa, found.observed, found.positive, found.negative)
    return Table(
        "agreement",
        "Do two reviewers of a strip agree?",
        ("settings (patients)", "both yes", "first only", "second only", "both no", "kappa", "agreement", "on capture",
         "on no capture"),
        ((f"{found.n_steps} ({found.n_patients})", *cells, *map(both, estimates)),),
        estimates_frame(("first against second reviewer", e) for e in estimates),
        (
            ("Kappa is agreement beyond chance, 1 when complete. A reference that reviewers do not agree on makes every sign look "
            "worse than it is."),
            *full_sentences(found.notes),
        ),
    )  # fmt: skip


def _latent_table(latent: LatentAnalysis) -> Table:
    model = latent.model
    labels = dict(zip(model.names, latent.labels, strict=True))
    rows = [
        (labels[name], both(se), both(sp))
        for name, se, sp in zip(model.names, model.sensitivity, model.specificity, strict=True)
    ]
    estimates = [(labels[n], e) for n, e in zip(model.names, model.sensitivity, strict=True)]
    estimates += [(labels[n], e) for n, e in zip(model.names, model.specificity, strict=True)]
    groups = [group or "all settings" for group in model.groups]
    estimates += list(zip(groups, model.prevalence, strict=True))
    captured = "; ".join(f"{group}: {both(e)}" for group, e in zip(groups, model.prevalence, strict=True))
    fit = f"Fit: {p_text(model.fit.p_value)}." if model.fit.p_value is not None else ""
    return Table(
        "signs_without_reference",
        f"Signs held against each other, without a reference ({counted(model.rows, 'setting')})",
        ("sign", "sensitivity", "specificity"),
        tuple(rows),
        estimates_frame([*estimates, ("fit", model.fit)]),
        (
            f"Settings with capture: {captured}.",
            f"{model.identified.rstrip('.')}. {fit}".strip(),
            (
                "Two latent classes: the answers of the signs are taken to be independent of each other once it is given whether "
                "there was capture. Two signs that are misled by the same thing (two pulses by one twitching chest) break that, and "
                "then both look better than they are."
            ),
            *full_sentences(model.notes),
        ),
    )


def _dependence_table(latent: LatentAnalysis) -> Table:
    labels = dict(zip(latent.model.names, latent.labels, strict=True))
    kept = latent.labels
    rows, frame = [], []
    for point in latent.dependence:
        pairs = [
            f"{percent(se)} % / {percent(sp)} %" for se, sp in zip(point.sensitivity, point.specificity, strict=True)
        ]
        rows.append((f"{point.correlation:g}", f"{percent(point.prevalence)} %", *pairs, f"{point.misfit:.1f}"))
        frame += [
            {"correlation": point.correlation, "sign": name, "sensitivity": se, "specificity": sp,
             "settings_with_capture": point.prevalence, "misfit": point.misfit}
            for name, se, sp in zip(kept, point.sensitivity, point.specificity, strict=True)
        ]  # fmt: skip
    first, second = (labels[name] for name in latent.pair)
    return Table(
        "signs_dependence",
        f"What if {first} and {second} are misled together?",
        ("assumed correlation", "settings with capture", *(f"{name}: sensitivity / specificity" for name in kept), "misfit"),
        tuple(rows),
        pd.DataFrame(frame),
        (
            (f"Correlation of {first} and {second} among settings with the same truth, assumed. The rows show how much of the "
            "answer rests on the assumption; a misfit above about 4 speaks against it."),
        ),
    )  # fmt: skip
