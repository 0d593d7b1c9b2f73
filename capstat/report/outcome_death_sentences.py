"""What is said of death after capture, and of outcomes of two groups."""

from __future__ import annotations

from typing import TYPE_CHECKING

from capstat.report.outcome_time_sentences import adjusted_for
from capstat.report.outcome_words import (
    OBSERVED,
    all_of,
    begin,
    bounded_sentence,
    limits_words,
    outcome_words,
    points,
    scaled,
)
from capstat.report.wording import counted, listed, p_text, percent, ratio_text

if TYPE_CHECKING:
    from capstat.analysis.outcome_analysis import OutcomeAnalysis
    from capstat.outcomes.immortal import ImmortalComparison
    from capstat.outcomes.immortal_rows import ImmortalRow
    from capstat.outcomes.outcome_compare import OutcomeComparison
    from capstat.results import Estimate

__all__ = ["NONE_DECLARED", "immortal_sentences", "risk_sentences", "summary_of_outcome"]

WHY_WRONG = (
    "Patients who die early cannot be captured any more, so that early deaths gather among those never captured.",
    "Whoever lives longer has longer to be captured, so that time which had to be lived first is credited to capture.",
)
NO_PROOF = (
    "No line of this proves that capture keeps patients alive: who was captured may have differed in what nobody recorded "
    "(association)."
)
MANY_LOOKS = (
    "Several times are several looks at the same patients, not so many witnesses.  What no line does: allow for what happened "
    "between the first pulse and capture, or tell what would follow from an order to capture by a time, which nobody can give."
)
NONE_DECLARED = "No outcome was declared beforehand: everything here is exploratory."
# a smaller share of the follow-up would be told as 0 %
NOTABLE_SHARE = 0.005
UNLIKE = "the groups were not drawn by lot"


def immortal_sentences(found: ImmortalComparison, awaited: str) -> tuple[str, ...]:
    """Return why the naive comparison is wrong, its number labelled so, the others, and whether they agree."""
    told = [*WHY_WRONG, _naive_sentence(found)]
    if awaited:
        told.append(f"Captured means: {awaited}.  Numbers below 1, or below 0, mean fewer deaths with it.")
    told += [sentence for row in found.rows if not row.biased and (sentence := _row_sentence(row, found.horizon_min))]
    told += _agreement(found)
    return (*told, NO_PROOF)


def _naive_sentence(found: ImmortalComparison) -> str:
    row = next(row for row in found.rows if row.biased)
    numbers = _numbers(row, found.horizon_min)
    share = found.naive.immortal_share
    lived = (
        ""
        if share is None or share < NOTABLE_SHARE
        else f"; {percent(share)} % of the time of those ever captured lay before their capture"
    )
    return f"WRONG, and shown only to see how far it is off (BIASED by immortal time): ever against never captured, {numbers}{lived}."


def _numbers(row: ImmortalRow, horizon: float) -> str:
    told = []
    for kind, hazard in (("crude", row.hazard_ratio), ("adjusted", row.adjusted_hazard_ratio)):
        if hazard is not None and hazard.value is not None:
            told.append(f"{kind} hazard ratio of death {ratio_text(hazard.value)} ({limits_words(hazard)})")
    if row.risk_difference is not None and row.risk_difference.value is not None:
        crude = "" if row.method == "clone-censor-weight" else "crude difference in "
        told.append(f"{crude}risk of death by {horizon:g} min {points(row.risk_difference)}")
    return all_of(told, "no number can be had")


def _best_hazard(row: ImmortalRow) -> Estimate | None:
    for estimate in (row.adjusted_hazard_ratio, row.hazard_ratio):
        if estimate is not None and estimate.value is not None:
            return estimate
    return None


def _row_sentence(row: ImmortalRow, horizon: float) -> str:
    numbers = _numbers(row, horizon)
    if numbers.startswith("no number"):
        return ""
    head = {
        "landmark": f"Among {counted(row.n, 'patient')} alive and watched at {row.at_min or 0:g} min, captured by then against not",
        "time-varying": "Counting capture from its moment on",
        "clone-censor-weight": f"Captured within {row.at_min or 0:g} min against not within it, each patient in both plans until the "
        "plan is left",
    }[row.method]
    return f"{head}: {numbers}."


def _is_adjusted(row: ImmortalRow) -> bool:
    """Whether the ratio by which a method is judged allows for the confounders."""
    return row.method == "clone-censor-weight" or _best_hazard(row) is row.adjusted_hazard_ratio


def _ratio(row: ImmortalRow) -> Estimate | None:
    """Hazard ratio, else ratio of risks: on which side of 1 the method lies."""
    hazard = _best_hazard(row)
    if hazard is not None:
        return hazard
    risk = row.risk_ratio
    return risk if risk is not None and risk.value is not None else None


def _agreement(found: ImmortalComparison) -> list[str]:
    ratios = [ratio for row in found.rows if not row.biased and (ratio := _ratio(row)) is not None]
    values = [ratio.value for ratio in ratios if ratio.value is not None]
    if len(values) < 2:
        return ["Too few of the other methods have an answer to tell whether they agree."] if values else []
    adjusted = all(row.biased or _is_adjusted(row) for row in found.rows if _ratio(row) is not None)
    head = f"{'Adjusted or weighted, the' if adjusted else 'The'} other {len(values)} comparisons"
    fewer, span = sum(value < 1 for value in values), f"{ratio_text(min(values))} to {ratio_text(max(values))}"
    if fewer in (0, len(values)):
        way = "fewer" if fewer else "no fewer"
        text = f"{head} agree in direction ({way} deaths among the captured; ratios {span})"
    else:
        text = f"{head} do not agree in direction (ratios {span})"
    open_ = sum(r.lower is not None and r.upper is not None and r.lower <= 1 <= r.upper for r in ratios)
    whose = "all" if open_ == len(ratios) else f"{open_}"
    text += (
        f"; the limits of {whose} of them include no difference"
        if open_
        else "; the limits of all leave it out that there is none"
    )
    naive = next((_ratio(row) for row in found.rows if row.biased), None)
    if naive is not None and naive.value is not None:
        text += f"; the wrong one says {ratio_text(naive.value)}"
    return [f"{text}.", MANY_LOOKS]


def _compared(one: OutcomeComparison) -> str:
    """Return counts, difference and ratio of one outcome without a full stop."""
    first, second = one.risks.groups
    shares = [
        f"{group.events} of {group.known} ({group.group}"
        + (f", {percent(risk.value)} %)" if risk.value is not None else ")")
        for group, risk in zip((first, second), one.risks.risks, strict=True)
    ]
    gap = points(one.risks.difference)
    return f"{listed(shares)} {outcome_words(one.outcome)}: {gap}"


def risk_sentences(found: OutcomeAnalysis) -> tuple[str, ...]:
    """Return the declared comparison first, then the exploratory ones without p-values."""
    declared = next((one for one in found.outcomes if one.role == "declared"), None)
    others = [one for one in found.outcomes if one.role != "declared"]
    told: list[str] = []
    if declared is not None:
        told += _declared(declared)
    elif found.outcomes:
        told.append(
            NONE_DECLARED
            if not found.question.declared
            else f"The declared outcome ({outcome_words(found.question.declared)}) cannot be shown: everything here is exploratory."
        )
    for one in others:
        told.append(f"Exploratory: {_compared(one)}.")
        told += _missing(one)
    if found.outcomes and not found.randomised:
        told.append(OBSERVED)
    return tuple(told)


def _declared(one: OutcomeComparison) -> list[str]:
    p = p_text(one.risks.odds_ratio.p_value)
    tested = f"; exact test: {p}" if p else ""
    told = [f"Declared beforehand: {_compared(one)}{tested}."]
    ratio = one.risks.ratio
    if ratio.value is not None:
        told.append(f"The ratio of the two risks is {ratio_text(ratio.value)} ({limits_words(ratio)}).")
    if one.randomised:
        told.append(
            "The placement was drawn by lot: the difference estimates the effect of the assigned placement in patients like these."
        )
    told += _missing(one)
    adjusted = one.standardised.difference
    if adjusted.value is not None:
        told.append(f"Standardised, {adjusted_for(one.confounders)} ({one.n_complete} patients): {points(adjusted)}.")
    elif one.confounders:
        told.append(f"There is no adjusted difference: {adjusted.reason.rstrip('.')}.")
    per_variable = one.events_per_variable
    if per_variable is not None:
        few = " That is few (rule of thumb: 10), so that adjustment can remove little." if per_variable.note else ""
        told.append(
            f"The model has {per_variable.value:.1f} patients with the rarer result for each of its {per_variable.columns} columns.{few}"
        )
    e_value = one.e_value
    if e_value is not None and e_value.point is not None:
        told.append(
            f"Something unrecorded that goes with both the group and the outcome by a ratio of {ratio_text(e_value.point)} each would "
            "account for all of the adjusted ratio (E-value)."
        )
    return told


def _missing(one: OutcomeComparison) -> list[str]:
    groups = [group for group in one.risks.groups if group.missing]
    if not groups:
        return []
    told = listed([f"{group.missing} of {group.n} ({group.group})" for group in groups])
    text = f"Whether patients {outcome_words(one.outcome)} is not recorded in {told}"
    if one.risks.missing_bounds:
        text += f"; whatever it was in them, the difference lies {_bounds(one.risks.missing_bounds[0])}"
    return [f"{text}."]


def _bounds(estimate: Estimate) -> str:
    return bounded_sentence(estimate) if scaled(estimate).identified is not None else points(estimate)


def summary_of_outcome(one: OutcomeComparison) -> str:
    """Return one clause for the summary."""
    role = "declared beforehand" if one.role == "declared" else "exploratory"
    whose = "drawn by lot" if one.randomised else f"association, {UNLIKE}"
    return f"{begin(role)}: {_compared(one)} ({whose})."
