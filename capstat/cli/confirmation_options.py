"""Options on whose judgement of capture is questioned, and what is known of it."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from capstat.cli.common import numbers_of, odds_ratio, percentage, whole_number
from capstat.results import UsageError

if TYPE_CHECKING:
    from capstat.analysis import ConfirmationQuestion

__all__ = ["add_confirmation_options", "confirmation_question"]

JUDGEMENTS = ("electrical", "mechanical")
REFERENCES = ("adjudicated_capture", "ultrasound", "arterial_line")


def _percentages(text: str) -> tuple[float, ...]:
    shares = tuple(value / 100 for value in numbers_of(text))
    # up to 1 somebody meant a proportion
    if not shares or not all(0.01 < share <= 1 for share in shares):
        raise argparse.ArgumentTypeError(
            f"'{text}' is not a list of percentages above 1 and up to 100, such as 100,95,90"
        )
    return tuple(dict.fromkeys(shares))


def add_confirmation_options(parser: argparse.ArgumentParser) -> None:
    """Add the choices of the analysis of confirmation."""
    group = parser.add_argument_group("was it capture at all?")
    group.add_argument(
        "--judgement",
        choices=JUDGEMENTS,
        help="judgement at the bedside that is questioned (default: electrical where it was reviewed)",
    )
    group.add_argument(
        "--against", choices=REFERENCES, help="column that is taken to be right (default: by what was recorded)"
    )
    group.add_argument(
        "--change-month",
        type=whole_number(2),
        metavar="N",
        help="first study month after a change such as training: compare false capture before and after",
    )
    group.add_argument(
        "--sensitivity",
        type=percentage,
        metavar="PERCENT",
        help="of settings that capture, how many are judged so, known from elsewhere (default: estimated)",
    )
    group.add_argument(
        "--specificity",
        type=percentage,
        metavar="PERCENT",
        help="of settings of 80 mA without capture, how many are judged so, known from elsewhere (default: estimated)",
    )
    group.add_argument(
        "--odds-per-10-ma",
        type=odds_ratio,
        default=1.0,
        metavar="RATIO",
        help="with --specificity: factor of the odds of a false claim for each 10 mA more (default 1: none)",
    )
    group.add_argument(
        "--specificity-range",
        type=_percentages,
        default=(1.0, 0.98, 0.96, 0.94, 0.92, 0.9),
        metavar="PERCENTS",
        help="specificities that each placement may have had (default 100,98,96,94,92,90)",
    )
    group.add_argument(
        "--refits", type=whole_number(100), default=200,
        help="bootstrap resamples in which errors and thresholds are estimated anew (default 200)",
    )  # fmt: skip


def confirmation_question(options: argparse.Namespace) -> ConfirmationQuestion:
    """Turn words into the question."""
    from capstat.analysis import ConfirmationQuestion
    from capstat.thresholds import CAPTURE_DEFINITIONS

    if options.odds_per_10_ma != 1 and options.specificity is None:
        raise UsageError("--odds-per-10-ma tells how a given --specificity changes with the current; give both.")
    claim = next((c for c in CAPTURE_DEFINITIONS if c.name == options.judgement), None)
    return ConfirmationQuestion(
        claim=claim,
        reference=options.against,
        change_month=options.change_month,
        sensitivity=options.sensitivity,
        specificity=options.specificity,
        odds_ratio_per_10_ma=options.odds_per_10_ma,
        specificities=options.specificity_range,
        replicates=options.refits,
    )
