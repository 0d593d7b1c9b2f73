"""What hangs on a comparison, in sentences, tables and records for programs."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pandas as pd

from capstat.placement import Claim
from capstat.report.observational_tables import observational_sentences, observational_tables
from capstat.report.placement_sentences import speaks_of_effects, who
from capstat.report.table import Table, word_rows
from capstat.report.wording import (
    confidence_text,
    counted,
    estimate_text,
    listed,
    p_text,
    percent,
    percentage_points,
    plain_name,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from capstat.analysis import PlacementDetail
    from capstat.placement import Decision, PlacementComparison, Posterior
    from capstat.placement.imputation import ImputedRatio
    from capstat.placement.modifiers import SubgroupForest
    from capstat.results import Estimate

__all__ = ["DetailSentences", "adjusted_share_sentence", "detail_record", "detail_sentences", "detail_tables"]

UNITS = {
    "body_mass_index": "kg/m²", "age_years": "years", "weight_kg": "kg", "height_cm": "cm", "chest_circumference_cm": "cm"
}  # fmt: skip
SUBGROUP_CAUTION = (
    "Subgroups mislead: among several, one may look different by chance alone. Read the test of interaction, not whether "
    "one subgroup's interval leaves out 1 and another's does not."
)


@dataclass(frozen=True, slots=True)
class DetailSentences:
    """Sentences by part; a part that was not worked out is empty."""

    decisions: tuple[str, ...] = ()
    observational: tuple[str, ...] = ()
    forest: tuple[str, ...] = ()
    imputed: tuple[str, ...] = ()

    def sections(self) -> tuple[tuple[str, tuple[str, ...]], ...]:
        """Headings and sentences of the parts after the decisions."""
        return (
            ("The placement was chosen: who got which?", self.observational),
            ("For whom?", self.forest),
            ("What if what is missing were known?", self.imputed),
        )


def detail_sentences(detail: PlacementDetail | None, comparison: PlacementComparison | None) -> DetailSentences:
    """Sentences of everything beside the comparison."""
    if detail is None or comparison is None:
        return DetailSentences()
    decisions = [_decision_sentence(decision, comparison) for decision in detail.decisions]
    if detail.posterior is not None:
        decisions.append(_posterior_sentence(detail.posterior, comparison))
    decisions += [reason.rstrip(".") + "." for reason in detail.reasons]
    return DetailSentences(
        tuple(decisions),
        () if detail.observational is None else observational_sentences(detail.observational),
        () if detail.forest is None else _forest_sentences(detail.forest),
        () if detail.imputed is None else _imputed_sentences(detail.imputed),
    )


def adjusted_share_sentence(detail: PlacementDetail | None, comparison: PlacementComparison) -> str:
    """The difference in share captured at the highest common current with confounders allowed for; empty without one."""
    robust = detail.observational.doubly_robust if detail is not None and detail.observational is not None else None
    at = f" {comparison.common_maximum_ma:g} mA"
    found = [e for e in robust.differences if at in e.quantity] if robust is not None else []
    if not found or found[0].value is None or detail is None or detail.observational is None:
        return ""
    names = listed([plain_name(name) for name in detail.observational.confounders])
    return (
        f"Allowing for {names}, the difference at {comparison.common_maximum_ma:g} mA is {percentage_points(found[0].value)} percentage "
        f"points ({confidence_text(found[0])})."
    )


def _decision_sentence(decision: Decision, comparison: PlacementComparison) -> str:
    """One reading of the interval of the ratio, in the words that the design allows."""
    effects = speaks_of_effects(comparison)
    ratio = comparison.ratio
    low, high, margin = ratio.lower or 0.0, math.inf if ratio.upper is None else ratio.upper, decision.margin or 1.0
    one, two = who(comparison, comparison.first), who(comparison, comparison.minus)
    verb = "need" if effects else "go with"
    claim = {
        Claim.SUPERIORITY: f"{one} {verb} less current than {two}",
        Claim.NON_INFERIORITY: f"{one} {verb} at most {100 * (margin - 1):.0f} % more current than {two}",
        Claim.EQUIVALENCE: f"{one} and {two} {verb} the same current, within a factor of {margin:g} either way",
    }[decision.claim]
    outside = {
        Claim.SUPERIORITY: low > 1,
        Claim.NON_INFERIORITY: low > margin,
        Claim.EQUIVALENCE: low > margin or high < 1 / margin,
    }[decision.claim]
    if decision.shown:
        verdict = "shown"
    elif outside:
        verdict = "not so: the whole interval lies on the other side"
    else:
        verdict = "not shown, which is not the same as shown to be false"
    kind = "" if effects else "; an association, not an effect"
    return (
        f"{decision.claim.value.capitalize()}, read from the ratio ({confidence_text(ratio)}): that {claim} is {verdict} (error of at "
        f"most {100 * decision.one_sided_level:g} % on each side{kind})."
    )


def _posterior_sentence(posterior: Posterior, comparison: PlacementComparison) -> str:
    if posterior.probability is None:
        return f"No posterior probability: {posterior.reason.rstrip('.')}."
    share = 100 * posterior.probability
    told = "over 99.9 %" if share > 99.9 else "under 0.1 %" if share < 0.1 else f"{percent(posterior.probability)} %"
    about = comparison.difference_at_median.quantity
    return (
        f"Posterior probability that {posterior.quantity}: {told}. It is about the {about}; prior: {posterior.prior}."
        + ("" if speaks_of_effects(comparison) else " It speaks of an association, not an effect.")
    )


def _forest_sentences(forest: SubgroupForest) -> tuple[str, ...]:
    sentences = []
    if forest.modifiers:
        tests = listed([f"{plain_name(one.modifier)} ({p_text(one.p_value)})" for one in forest.modifiers])
        number = len(forest.modifiers)
        smallest = min(one.p_holm for one in forest.modifiers)
        together = f", the smallest {p_text(smallest)} when all {number} are allowed for (Holm)" if number > 1 else ""
        clear = [one for one in forest.modifiers if one.p_holm < 0.05]
        reading = (
            f" The ratio seems to differ by {listed([plain_name(one.modifier) for one in clear])}."
            if clear
            else " There is no clear sign that the ratio differs between kinds of patients; that is not proof that it is the same."
        )
        sentences.append(f"Does the ratio differ by {tests}? Tests of interaction{together}.{reading}")
        sentences.append(SUBGROUP_CAUTION)
    sentences += [
        f"{plain_name(name).capitalize()}: no test, so no subgroups ({why.rstrip('.')})."
        for name, why in forest.reasons
    ]
    return tuple(sentences)


def _imputed_sentences(imputed: ImputedRatio) -> tuple[str, ...]:
    missing = listed([f"{plain_name(name)} in {count}" for name, count in imputed.missing if count])
    sentences = [
        (
            f"Not recorded: {missing} of {counted(imputed.n_total, 'attempt')}. With the missing values imputed {imputed.imputations} "
            f"times, in agreement with what was seen of each threshold, the ratio is {estimate_text(imputed.ratio)}; from the "
            f"{imputed.n_complete} complete attempts, the main analysis, it is {estimate_text(imputed.complete_case)}. Imputation takes "
            "values to be missing for reasons that the recorded ones explain."
        )
    ]
    tipping = imputed.tipping
    if tipping is not None:
        largest = max(abs(size) for size, _ in tipping.rows)
        name, unit = plain_name(tipping.covariate), UNITS.get(tipping.covariate, "of its unit")
        sentences.append(
            f"If the imputed values of {name} were all wrong by the same amount with {tipping.placement} placement only, "
            + (
                f"the interval would lie otherwise (below, around or above 1) from a shift of {tipping.tipping:+.1f} {unit}."
                if tipping.tipping is not None
                else f"the interval would stay on the same side of 1 up to shifts of {largest:.1f} {unit} (two standard deviations) "
                "either way."
            )
        )
    return tuple(sentences)


def detail_tables(detail: PlacementDetail | None, name: str, suppress_below: int) -> list[Table]:
    """Tables of everything beside the comparison."""
    if detail is None:
        return []
    tables: list[Table] = []
    if detail.observational is not None:
        tables += observational_tables(detail.observational, name, suppress_below)
    if detail.forest is not None and detail.forest.modifiers:
        tables += [_interactions_table(detail.forest, name), _forest_table(detail.forest, name)]
    if detail.imputed is not None:
        tables.append(_imputed_table(detail.imputed, name))
        if detail.imputed.tipping is not None:
            tables.append(_tipping_table(detail.imputed, name))
    return tables


def _interactions_table(forest: SubgroupForest, name: str) -> Table:
    rows = tuple(
        (
            plain_name(m.modifier), f"F = {m.statistic:.2f} ({m.df}, {m.df_error})", p_text(m.p_value), p_text(m.p_holm),
            p_text(m.bend_p), f"{m.n_complete} of {m.n_total}",
        )
        for m in forest.modifiers
    )  # fmt: skip
    frame = pd.DataFrame(
        [
            {
                "modifier": m.modifier, "statistic": m.statistic, "df": m.df, "df_error": m.df_error, "p_value": m.p_value,
                "p_holm": m.p_holm, "bend_p": m.bend_p, "attempts_complete": m.n_complete, "attempts": m.n_total,
            }
            for m in forest.modifiers
        ]
    )  # fmt: skip
    return Table(
        f"interactions_{name}", f"Does the ratio of thresholds differ between kinds of patients? ({name} capture)",
        ("modifier", "test of interaction", "p", "p, Holm", "bend, p", "attempts"), rows, frame,
        ("Bend: for a number, whether the log ratio changes along a straight line.",),
    )  # fmt: skip


def _forest_table(forest: SubgroupForest, name: str) -> Table:
    listed_rows = forest.rows
    shown, frame = word_rows([(row.modifier, row.level, row.ratio) for row in listed_rows])
    cells = tuple(
        (
            plain_name(row.modifier), row.level, f"{row.n_captured_first} of {row.n_first}", f"{row.n_captured_minus} of {row.n_minus}",
            r[2], r[3], p_text(row.interaction_p),
        )
        for r, row in zip(shown, listed_rows, strict=True)
    )  # fmt: skip
    frame = frame.assign(
        level_of_modifier=[row.level for row in listed_rows],
        n_first=[row.n_first for row in listed_rows], n_minus=[row.n_minus for row in listed_rows],
        captured_first=[row.n_captured_first for row in listed_rows],
        captured_minus=[row.n_captured_minus for row in listed_rows],
        interaction_p=pd.Series([row.interaction_p for row in listed_rows], dtype=float),
    )  # fmt: skip
    direction = listed_rows[0].ratio.direction.split(" relative to ")
    return Table(
        f"forest_{name}", f"The ratio of thresholds by subgroup ({name} capture)",
        (
            "modifier", "subgroup", f"captured, {direction[0]}", f"captured, {direction[1]}", "ratio",
            f"{100 * listed_rows[0].ratio.level:g} % CI", "p of interaction",
        ),
        cells, frame,
        (SUBGROUP_CAUTION, "For a number the test is of a straight line, wherever the subgroups are cut; a bend has its own test."),
    )  # fmt: skip


def _imputed_table(imputed: ImputedRatio, name: str) -> Table:
    rows = [("missing values imputed", "", imputed.ratio), ("complete attempts only", "", imputed.complete_case)]
    shown, frame = word_rows(rows)
    sizes = (f"{imputed.n_used}", f"{imputed.n_complete}")
    cells = tuple((r[0], n, r[2], r[3]) for r, n in zip(shown, sizes, strict=True))
    return Table(
        f"imputed_{name}", f"The adjusted ratio with missing values imputed ({name} capture)",
        ("how", "attempts", "ratio", f"{100 * imputed.ratio.level:g} % CI"), cells, frame,
        (
            (f"{imputed.imputations} imputations of {imputed.cycles} cycles, seed {imputed.seed}; "
            f"{percent(imputed.missing_information)} % of the information about the ratio is missing. Thresholds are never imputed."),
        ),
    )  # fmt: skip


def _tipping_table(imputed: ImputedRatio, name: str) -> Table:
    if imputed.tipping is None:
        raise ValueError("There is no tipping-point analysis to tabulate.")
    scenarios = (imputed.tipping, *imputed.further_tipping)
    rows = [(one.shifted, size, estimate) for one in scenarios for size, estimate in one.rows]
    cells, frame = word_rows([(shifted, f"{size:+.1f}", estimate) for shifted, size, estimate in rows])
    # shown in whole standard deviations, and no shift once; the CSV file has every row
    whole = [k * len(imputed.tipping.rows) + step for k in range(len(scenarios)) for step in (0, 2, 6, 8)]
    shown = (("none", "0", *cells[len(imputed.tipping.rows) // 2][2:]), *(cells[k] for k in whole))
    return Table(
        f"tipping_{name}", f"If the imputed {plain_name(imputed.tipping.covariate)} were off ({name} capture)",
        ("imputed values that are shifted", "shift", "ratio", f"{100 * imputed.ratio.level:g} % CI"), shown,
        frame.assign(shift=[size for _, size, _ in rows]),
        (
            ("Imputed values of these attempts are shifted by the same amount; recorded values and the other imputed ones stay as "
            "they are."),
        ),
    )  # fmt: skip


def detail_record(
    detail: PlacementDetail, comparison: PlacementComparison, record: Callable[[str, Estimate], dict[str, Any]]
) -> dict[str, Any]:  # fmt: skip
    """Everything beside the comparison, for programs; ``record`` turns an estimate into a plain record."""
    found: dict[str, Any] = {
        "decisions": [
            {"claim": d.claim.value, "margin": d.margin, "shown": d.shown, "one_sided_level": d.one_sided_level,
             "words": _decision_sentence(d, comparison)}
            for d in detail.decisions
        ],
        "not_available": list(detail.reasons),
    }  # fmt: skip
    if detail.posterior is not None:
        p = detail.posterior
        found["posterior"] = {
            "event": p.quantity, "threshold": p.threshold, "probability": p.probability, "prior": p.prior, "reason": p.reason
        }  # fmt: skip
    if detail.observational is not None:
        found["observational"] = _observational_record(detail, record)
    if detail.forest is not None:
        found["interactions"] = [
            {
                "modifier": m.modifier, "p_value": m.p_value, "p_holm": m.p_holm, "bend_p": m.bend_p,
                "subgroups": [record(row.level, row.ratio) for row in m.rows],
            }
            for m in detail.forest.modifiers
        ]  # fmt: skip
    if detail.imputed is not None:
        tipping = detail.imputed.tipping
        found["imputed"] = {
            "ratio": record("", detail.imputed.ratio),
            "complete_case": record("", detail.imputed.complete_case),
            "missing_information": detail.imputed.missing_information,
            "seed": detail.imputed.seed,
            "tipping_shift": None if tipping is None else tipping.tipping,
        }
    return found


def _observational_record(
    detail: PlacementDetail, record: Callable[[str, Estimate], dict[str, Any]]
) -> dict[str, Any]:  # fmt: skip
    one = detail.observational
    if one is None:
        return {}
    robust = one.doubly_robust
    return {
        "confounders": list(one.confounders),
        "not_usable": dict(one.dropped),
        "positivity": [] if one.overlap is None else list(one.overlap.notes),
        "balance": []
        if one.balance is None
        else [
            {"name": r.name, "before": r.before, "inverse_probability": r.after_inverse_probability, "overlap": r.after_overlap}
            for r in one.balance.rows
        ],
        "adjustment_sets": [record(row.label, row.ratio) for row in one.adjustment_sets.rows],
        "doubly_robust": [] if robust is None else [record("", e) for e in robust.differences],
        "weighted": [record(w.weighting.value, e) for w in one.weighted for e in w.differences],
        "e_values": [{"association": e.quantity, "point": e.point, "limit": e.limit} for e in one.e_values],
    }  # fmt: skip
