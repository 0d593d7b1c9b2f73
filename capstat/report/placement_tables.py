"""Comparison of placements as tables."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pandas as pd

from capstat.report.placement_sentences import why_sentence
from capstat.report.table import Table, estimates_frame, level_text, shown_estimate, word_rows
from capstat.report.wording import listed, p_text, plain_name

if TYPE_CHECKING:
    from capstat.placement import PlacementComparison
    from capstat.placement.shortcut_comparison import ShortcutComparison
    from capstat.results import Estimate

__all__ = ["placement_tables"]


def placement_tables(comparison: PlacementComparison, name: str, suppress_below: int) -> list[Table]:
    """Everything about one comparison under one definition of capture."""
    tables = [_placement_table(comparison, name, suppress_below), _difference_table(comparison, name)]
    if comparison.unpaired_ratio is not None and comparison.unpaired_ratio.by_family:
        tables.append(_families_table(comparison, name))
    if comparison.paired_ratio is not None:
        tables.append(_within_table(comparison, name))
    if comparison.paired_capture is not None:
        tables.append(_pairs_table(comparison, name))
    if comparison.paired_tests is not None:
        tables.append(_paired_tests_table(comparison, name))
    if comparison.score_tests:
        tables.append(_score_tests_table(comparison, name))
    tables.append(_contrasts_table(comparison, name))
    if comparison.shortcut is not None:
        tables.append(_practice_table(comparison, comparison.shortcut, name))
    return tables


def _placement_table(comparison: PlacementComparison, name: str, suppress_below: int) -> Table:
    estimates = [("main analysis", comparison.ratio), ("main analysis", comparison.difference_at_median)]
    notes = [why_sentence(comparison, suppress_below)]
    if comparison.unpaired_ratio is not None:
        detail = comparison.unpaired_ratio
        if detail.adjusted_for:
            estimates.append(("not adjusted", detail.unadjusted))
            estimates += [("covariate", e) for e in detail.covariate_ratios]
            notes.append(
                f"The main analysis is adjusted for {', '.join(map(plain_name, detail.adjusted_for))}"
                + (
                    "."
                    if detail.n_total - detail.n_complete < suppress_below
                    else f"; {detail.n_complete} of {detail.n_total} attempts have it recorded."
                )
            )
        else:
            notes.append("Nothing is adjusted for.")
    elif comparison.paired_ratio is not None:
        within = comparison.paired_ratio
        if within.without_order is not None:
            estimates.append(("not allowing for order", within.without_order))
        if within.ratio_with_never_captured is not None:
            estimates.append(("allowing for patients never captured", within.ratio_with_never_captured))
        if within.ratio_with_separate_spreads is not None:
            estimates.append(("a spread for each placement", within.ratio_with_separate_spreads))
        notes.append("Patients captured by neither placement are in the analysis.")
    notes += _extrapolated(comparison)
    for _, e in estimates:
        notes += [note for note in e.notes if note not in notes]
    shown, frame = word_rows([(label, e.quantity, e) for label, e in estimates])
    cells = tuple(
        (r[0], r[1], e.direction, r[2], r[3], p_text(e.p_value)) for r, (_, e) in zip(shown, estimates, strict=True)
    )
    return Table(
        f"placement_{name}", f"{comparison.first} against {comparison.minus} ({name} capture)",
        ("analysis", "quantity", "direction", "estimate", level_text(comparison.ratio), "p"), cells, frame, tuple(notes),
    )  # fmt: skip


def _extrapolated(comparison: PlacementComparison) -> list[str]:
    """Say where a median lies beyond the currents that were tested."""
    beyond = [
        summary.label
        for summary in comparison.summaries
        if any(
            e.quantity.startswith("current that captures 50 %") and e.value is None for e in summary.capture_currents
        )
    ]
    if not beyond or comparison.difference_at_median.value is None:
        return []
    return [
        (
            f"Fewer than half of the patients were captured with {listed(beyond)} at any current tested, so the difference of medians "
            "rests on the shape of the model beyond the device maximum."
        )
    ]


def _difference_table(comparison: PlacementComparison, name: str) -> Table:
    rows = []
    for e in comparison.difference.at_currents:
        current = e.quantity.split(" at ")[-1]
        rows.append((current, e))
    shown, frame = word_rows([("", current, e) for current, e in rows])
    note = (
        f"{comparison.common_maximum_ma:g} mA is the highest current that every device in this comparison could give. "
        "Intervals are for one current at a time."
    )
    return Table(
        f"placement_difference_{name}",
        f"Difference in the share captured, {comparison.first} minus {comparison.minus} ({name} capture)",
        ("current", "difference", level_text(comparison.ratio)), tuple((r[1], r[2], r[3]) for r in shown), frame, (note,),
    )  # fmt: skip


def _families_table(comparison: PlacementComparison, name: str) -> Table:
    detail = comparison.unpaired_ratio
    families = detail.by_family if detail is not None else ()
    rows = [(family, f"AIC {aic:.1f}", estimate) for family, aic, estimate in families]
    shown, frame = word_rows(rows)
    frame = frame.assign(aic=[aic for _, aic, _ in families])
    return Table(
        f"placement_families_{name}", f"The ratio under other threshold families ({name} capture)",
        ("family", "fit", "ratio", level_text(comparison.ratio)), shown, frame,
        ("The lognormal family was fixed as the main analysis beforehand; the others show how much hangs on it.",),
    )  # fmt: skip


def _pairs_table(comparison: PlacementComparison, name: str) -> Table:
    pairs = comparison.paired_capture
    if pairs is None:
        raise ValueError("There is no paired comparison to tabulate.")
    counts = (
        ("captured with both", pairs.both),
        (f"with {comparison.first} only", pairs.first_only),
        (f"with {comparison.minus} only", pairs.second_only),
        ("with neither", pairs.neither),
        ("could not be judged (left out)", pairs.undetermined),
    )
    difference, limits = shown_estimate(pairs.difference)
    rows = (
        *((words, f"{count}") for words, count in counts),
        ("difference in share captured", f"{difference} ({level_text(pairs.difference)} {limits})"),
        ("exact McNemar test", p_text(pairs.test.p_exact)),
        ("mid-p McNemar test", p_text(pairs.test.p_mid)),
    )
    frame = pd.DataFrame([{"item": words, "value": count} for words, count in counts])
    extra = estimates_frame([("", pairs.difference)]).assign(item="difference", p_mid=pairs.test.p_mid)
    return Table(
        f"paired_capture_{name}", f"The same patients at {pairs.current_ma:g} mA ({name} capture)",
        ("", "patients"), rows, pd.concat([frame, extra.drop(columns="group")], ignore_index=True),
        (("Only patients with both placements followed to this current count here; the capture curves use everybody, so "
         "their difference may not be the same."),),
    )  # fmt: skip


def _within_table(comparison: PlacementComparison, name: str) -> Table:
    within = comparison.paired_ratio
    if within is None:
        raise ValueError("There is no model of the pairs to tabulate.")
    estimates = [within.probability_less, within.correlation, *within.spreads]
    estimates += [e for e in (within.never_captured, within.period, within.sequence) if e is not None]
    shown, frame = word_rows([("", e.quantity, e) for e in estimates])
    cells = tuple((r[1], e.direction, r[2], r[3], p_text(e.p_value)) for r, e in zip(shown, estimates, strict=True))
    notes = [*dict.fromkeys(f"{note[:1].upper()}{note[1:]}." for e in estimates for note in e.notes)]
    notes += [
        "Thresholds are meant, not settings: two thresholds inside one step of the ramp count as different.",
        f"Curves of both placements come from the model with the lowest AIC: {within.curves.model}.",
    ]
    if within.equal_spread_p is not None:
        notes.append(f"Same residual spread with both placements: {p_text(within.equal_spread_p)} (likelihood ratio).")
    if within.sequence is not None:
        notes.append(
            "A ratio by sequence away from 1 may be chance, a difference between the two groups of patients, or something carried "
            "over from the first attempt; they cannot be told apart."
        )
    if within.n_later:
        notes.append(f"{within.n_later} later attempts with a placement already tried are left out of this model.")
    return Table(
        f"placement_within_{name}", f"More from the model of both placements in one patient ({name} capture)",
        ("quantity", "direction", "estimate", level_text(comparison.ratio), "p"), cells, frame, tuple(notes),
    )  # fmt: skip


def _paired_tests_table(comparison: PlacementComparison, name: str) -> Table:
    found = comparison.paired_tests
    if found is None:
        raise ValueError("There are no paired tests to tabulate.")
    tests = [found.sign, found.signed_rank]
    adjusted = found.period_adjusted
    if adjusted is not None:
        tests += [adjusted.capture, adjusted.sign, adjusted.rank]
    words = [t.name + (", allowing for order" if k > 1 else "") for k, t in enumerate(tests)]
    rows = tuple(
        (
            label, f"{t.n_informative} of {t.n_pairs}", f"{t.first_lower} and {t.second_lower}", p_text(t.p_value),
            p_text(t.p_mid),
        )
        for label, t in zip(words, tests, strict=True)
    )  # fmt: skip
    frame = pd.DataFrame(
        [
            {
                "test": label, "statistic": t.statistic, "direction": t.direction, "p_exact": t.p_value, "p_mid": t.p_mid,
                "pairs": t.n_pairs, "informative": t.n_informative, "first_lower": t.first_lower,
                "second_lower": t.second_lower, "undecided": t.undecided, "method": t.method, "notes": "; ".join(t.notes),
            }
            for label, t in zip(words, tests, strict=True)
        ]
    )  # fmt: skip
    notes = [
        (
            "Exact tests without a model; informative pairs are those that can move the test. A pair counts as lower with one placement only where its two intervals do not overlap; "
            "overlapping ones decide nothing."
        )
    ]
    if found.tango.value is not None:
        shown, limits = shown_estimate(found.tango)
        notes.append(
            f"{found.tango.quantity[:1].upper()}{found.tango.quantity[1:]}: {shown} ({level_text(found.tango)} {limits}, Tango 1998)."
        )
    if found.period_reason:
        notes.append(f"Not allowing for the order of the attempts: {found.period_reason.rstrip('.')}.")
    for test in tests:
        notes += [note for note in test.notes if note not in notes]
    return Table(
        f"paired_tests_{name}", f"Paired tests without a model ({name} capture)",
        ("test", "informative pairs", f"lower with {comparison.first} and with {comparison.minus}", "exact p", "mid-p"),
        rows, frame, tuple(notes),
    )  # fmt: skip


def _score_tests_table(comparison: PlacementComparison, name: str) -> Table:
    tests = comparison.score_tests
    rows = tuple(
        (t.name, f"{t.statistic_name} = {t.statistic:.2f}", p_text(t.p_permutation), p_text(t.p_asymptotic))
        for t in tests
    )
    frame = pd.DataFrame(
        [
            {
                "test": t.name, "statistic": t.statistic, "statistic_name": t.statistic_name, "df": t.df,
                "p_permutation": t.p_permutation, "exact": t.exact, "permutations": t.permutations, "seed": t.seed,
                "p_asymptotic": t.p_asymptotic, "patients": t.n, "direction": t.direction, "method": t.method,
                "notes": "; ".join(t.notes),
            }
            for t in tests
        ]
    )  # fmt: skip
    drawn = next((t for t in tests if not t.exact and t.p_permutation is not None), None)
    notes = [
        "Nothing is adjusted for here, and no model is assumed. "
        + tests[0].direction[:1].upper()
        + tests[0].direction[1:].rstrip(".")
        + "."
    ]
    if drawn is not None:
        notes.append(f"Permutation p-values from {drawn.permutations} drawn allocations, seed {drawn.seed}.")
    for test in tests:
        notes += [note for note in test.notes if note not in notes]
    return Table(
        f"placement_score_tests_{name}", f"Are the two threshold distributions the same? ({name} capture)",
        ("scores", "statistic", "permutation p", "asymptotic p"), rows, frame, tuple(notes),
    )  # fmt: skip


def _identified_text(estimate: Estimate) -> str:
    """What is known of a contrast without a value, in fewer words than its reason."""
    if estimate.value is not None:
        return ""
    if estimate.identified is not None and all(map(math.isfinite, estimate.identified)):
        low, high = (f"{value:+.0f}".replace("-", "\u2212") for value in estimate.identified)
        return f"between {low} and {high} mA" if estimate.unit == "mA" else ""
    return "one of the two was not reached" if "not reached" in estimate.reason else ""


def _contrasts_table(comparison: PlacementComparison, name: str) -> Table:
    contrasts = comparison.contrasts
    estimates = [
        contrasts.restricted_mean_difference, *contrasts.probability_ratios, *contrasts.current_ratios,
        *contrasts.current_differences,
    ]  # fmt: skip
    shown, frame = word_rows([("", e.quantity, e) for e in estimates])
    cells = tuple((r[1], e.direction, _identified_text(e) or r[2], r[3]) for r, e in zip(shown, estimates, strict=True))
    return Table(
        f"placement_contrasts_{name}", f"The two capture curves compared without a model ({name} capture)",
        ("quantity", "direction", "estimate", level_text(comparison.ratio)), cells, frame,
        (
            ("Nothing is adjusted for here. Limits combine those of the two curves (square-and-add), from a bootstrap of "
            "patients. A current is the lowest tested one known to capture its share."),
        ),
    )  # fmt: skip


def _practice_table(comparison: PlacementComparison, practice: ShortcutComparison, name: str) -> Table:
    # neither line of a comparison between patients adjusts for anything
    own = comparison.difference_at_median if comparison.paired else comparison.contrasts.restricted_mean_difference
    estimates = [("censored thresholds", own), ("made-up thresholds, t test", practice.difference)]
    shown, frame = word_rows([(label, e.quantity, e) for label, e in estimates])
    cells = tuple(
        (r[0], r[1], _identified_text(e) or r[2], r[3], p_text(e.p_value))
        for r, (_, e) in zip(shown, estimates, strict=True)
    )
    made = f"Made up: {practice.n_made_up} values"
    left = f"; left out: {practice.n_left_out} of {practice.n_patients} patients" if comparison.paired else ""
    return Table(
        f"placement_practice_{name}", f"What a made-up threshold for non-capture would have said ({name} capture)",
        ("how", "quantity", "difference", level_text(comparison.ratio), "p"), cells, frame,
        ((f"{made}{left}. Recording non-capture as maximum + 1 mA makes every threshold above the maximum look the same, and the "
            "first current that captured stands for a threshold that lies below it. Where one placement captured less often the "
            "difference in mA comes out too small on average, and its interval too sure of itself. Not to be used."),),
    )  # fmt: skip
