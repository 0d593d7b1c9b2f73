"""capstat compare: is one pad placement better?"""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

from capstat.cli.common import (
    add_analysis_options,
    add_study_options,
    analysis_options,
    estimate_record,
    open_study,
    print_json,
    progress,
)

if TYPE_CHECKING:
    import argparse

    from capstat.analysis import PlacementDetail
    from capstat.placement import PlacementComparison
    from capstat.results import Estimate

__all__ = ["add_options", "run"]


def add_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of the verb."""
    add_study_options(parser)
    add_analysis_options(parser, placements=True)
    parser.add_argument(
        "--by", default="placement",
        help="column with named values that is compared instead of the placement, such as arrest or setting; --first "
        "and --minus then name two of its values",
    )  # fmt: skip


def _print_text(name: str, comparison: PlacementComparison, detail: PlacementDetail) -> None:
    from capstat.report.placement_detail_text import adjusted_share_sentence, detail_sentences, detail_tables
    from capstat.report.placement_sentences import comparison_text
    from capstat.report.placement_tables import placement_tables
    from capstat.report.table import table_text

    def say(sentences: tuple[str, ...]) -> None:
        for sentence in sentences:
            print("\n".join(textwrap.wrap(sentence, 100, initial_indent="  ", subsequent_indent="  ")))
        print()

    print(f"{comparison.first} against {comparison.minus} ({name} capture)\n")
    say(comparison_text(comparison))
    words = detail_sentences(detail, comparison)
    say(tuple(filter(None, (adjusted_share_sentence(detail, comparison), *words.decisions))))
    for table in placement_tables(comparison, name, 1):
        print(table_text(table))
    for heading, sentences in words.sections():
        if sentences:
            print(f"{heading}\n")
            say(sentences)
    for table in detail_tables(detail, name, 1):
        print(table_text(table))
    print("For research and education. Not a medical device, not bedside guidance.")


def _estimates(comparison: PlacementComparison) -> dict[str, list[dict[str, Any]]]:
    within, between, contrasts = comparison.paired_ratio, comparison.unpaired_ratio, comparison.contrasts
    groups: dict[str, tuple[Estimate | None, ...]] = {
        "estimates": (comparison.ratio, comparison.difference_at_median, *comparison.difference.at_currents),
        "contrasts": (
            contrasts.restricted_mean_difference, *contrasts.probability_ratios, *contrasts.current_ratios,
            *contrasts.current_differences,
        ),
        "made_up_thresholds_not_to_be_used": () if comparison.shortcut is None else (comparison.shortcut.difference,),
    }  # fmt: skip
    if within is not None:
        groups["within_patients"] = (
            within.without_order, within.ratio_with_never_captured, within.ratio_with_separate_spreads,
            within.probability_less, within.correlation,
            *within.spreads, within.never_captured, within.period, within.sequence,
        )  # fmt: skip
    if between is not None:
        groups["between_patients"] = (between.unadjusted, *between.covariate_ratios)
    return {name: [estimate_record("", e) for e in group if e is not None] for name, group in groups.items()}


def _tests(comparison: PlacementComparison) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = [
        {
            "test": t.name, "statistic": t.statistic, "p_permutation": t.p_permutation,
            "p_asymptotic": t.p_asymptotic, "exact": t.exact, "permutations": t.permutations, "seed": t.seed,
            "method": t.method, "notes": list(t.notes),
        }
        for t in comparison.score_tests
    ]  # fmt: skip
    if comparison.paired_tests is not None:
        adjusted = comparison.paired_tests.period_adjusted
        pairs = [("", comparison.paired_tests.sign), ("", comparison.paired_tests.signed_rank)]
        if adjusted is not None:
            pairs += [(", allowing for order", t) for t in (adjusted.capture, adjusted.sign, adjusted.rank)]
        found += [
            {
                "test": t.name + suffix, "statistic": t.statistic, "p_exact": t.p_value, "p_mid": t.p_mid,
                "pairs": t.n_pairs, "informative": t.n_informative, "method": t.method, "notes": list(t.notes),
            }
            for suffix, t in pairs
        ]  # fmt: skip
    return found


def run(options: argparse.Namespace) -> int:
    """Compare and print."""
    from capstat.analysis import capture_definitions_for, detail_comparison
    from capstat.placement import compare_placements, compared_values, grouped_by
    from capstat.thresholds import derive_thresholds

    study = open_study(options)
    chosen = analysis_options(options)
    capture = chosen.capture or capture_definitions_for(study)[0]
    progress("comparing")
    thresholds = grouped_by(derive_thresholds(study, capture=capture, rule=chosen.rule), options.by)
    first, minus = chosen.first, chosen.minus
    if options.by != "placement":
        first, minus = compared_values(thresholds, options.first, options.minus)
    comparison = compare_placements(
        thresholds, first, minus=minus, by=options.by, currents_ma=chosen.currents_ma, adjust_for=chosen.adjust_for,
        fractions=chosen.fractions, level=chosen.level, replicates=chosen.replicates, seed=chosen.seed,
    )  # fmt: skip
    progress("confounding, subgroups, missing values")
    detail = detail_comparison(
        thresholds, comparison, adjust_for=chosen.adjust_for, modifiers=chosen.modifiers, question=chosen.question,
        seed=chosen.seed,
    )  # fmt: skip
    if options.json:
        from capstat.report.placement_detail_text import detail_record

        print_json(
            {
                "capture": capture.name,
                "by": comparison.by,
                "paired": comparison.paired,
                "assignment": comparison.assignment.value,
                "attempts_left_out": comparison.n_later,
                **_estimates(comparison),
                "tests": _tests(comparison),
                **detail_record(detail, comparison, estimate_record),
            }
        )
    else:
        _print_text(capture.name, comparison, detail)
    return 0
