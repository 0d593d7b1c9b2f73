"""capstat compare: is one pad placement better?"""

from __future__ import annotations

from typing import TYPE_CHECKING

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

    from capstat.placement import PlacementComparison
    from capstat.results import Estimate

__all__ = ["add_options", "run"]


def add_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of the verb."""
    add_study_options(parser)
    add_analysis_options(parser, placements=True)


def _estimates(comparison: PlacementComparison) -> tuple[Estimate, ...]:
    order = comparison.paired_ratio.without_order if comparison.paired_ratio is not None else None
    return (
        comparison.ratio,
        comparison.difference_at_median,
        *((order,) if order is not None else ()),
        *comparison.difference.at_currents,
    )


def _print_text(name: str, comparison: PlacementComparison) -> None:
    from capstat.report.sentences import comparison_sentences, paired_capture_sentence, why_sentence
    from capstat.report.wording import estimate_text

    print(f"{comparison.first} against {comparison.minus} ({name} capture)\n")
    for sentence in (why_sentence(comparison), *comparison_sentences(comparison), paired_capture_sentence(comparison)):
        if sentence:
            print(f"  {sentence}")
    print()
    for estimate in _estimates(comparison):
        print(f"  {estimate.quantity}: {estimate_text(estimate)}")
    print("\nFor research and education. Not a medical device, not bedside guidance.")


def run(options: argparse.Namespace) -> int:
    """Compare and print."""
    from capstat.analysis import capture_definitions_for
    from capstat.placement import compare_placements
    from capstat.thresholds import derive_thresholds

    study = open_study(options)
    chosen = analysis_options(options)
    capture = chosen.capture or capture_definitions_for(study)[0]
    progress("comparing")
    comparison = compare_placements(
        derive_thresholds(study, capture=capture, rule=chosen.rule), chosen.first, minus=chosen.minus,
        currents_ma=chosen.currents_ma, adjust_for=chosen.adjust_for, fractions=chosen.fractions, level=chosen.level,
        replicates=chosen.replicates, seed=chosen.seed,
    )  # fmt: skip
    if options.json:
        print_json(
            {
                "capture": capture.name,
                "paired": comparison.paired,
                "assignment": comparison.assignment.value,
                "attempts_left_out": comparison.n_later,
                "estimates": [estimate_record("", estimate) for estimate in _estimates(comparison)],
            }
        )
    else:
        _print_text(capture.name, comparison)
    return 0
