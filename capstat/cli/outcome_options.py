"""Options about time to capture and outcome, shared by the verbs that use them."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from capstat.cli.common import numbers_of

if TYPE_CHECKING:
    from capstat.analysis import OutcomeQuestion

__all__ = ["add_outcome_options", "outcome_question"]

ORIGINS = ("onset", "arrival", "pads", "pacing-start")
LONGEST_MIN = 100_000.0


def _minutes(text: str) -> tuple[float, ...]:
    found = numbers_of(text)
    if not found or not all(0 < minute <= LONGEST_MIN for minute in found):
        raise argparse.ArgumentTypeError(f"'{text}' is not a list of minutes above 0, such as 2,5,10")
    return tuple(sorted(set(found)))


def _one(text: str) -> float:
    found = _minutes(text)
    if len(found) != 1:
        raise argparse.ArgumentTypeError(f"'{text}' is not one number of minutes, such as 60")
    return found[0]


def _seconds(text: str) -> float:
    found = numbers_of(text)
    if len(found) != 1 or not 0 < found[0] <= 3600:
        raise argparse.ArgumentTypeError(f"'{text}' is not a time above 0 and up to 3600 s, such as 60")
    return found[0]


def add_outcome_options(parser: argparse.ArgumentParser) -> None:
    """Add time zero, what sustained means, the times, and the declared outcome."""
    parser.add_argument("--origin", choices=ORIGINS, default="pacing-start", help="time zero (default pacing-start)")
    parser.add_argument(
        "--sustained", type=_seconds, default=60.0, metavar="S",
        help="how many seconds capture must last to count as sustained (default 60)",
    )  # fmt: skip
    parser.add_argument(
        "--minutes", type=_minutes, default=(1.0, 2.0, 5.0, 10.0), metavar="LIST",
        help="minutes at which the share captured is told (default 1,2,5,10)",
    )  # fmt: skip
    parser.add_argument(
        "--within", type=_minutes, default=(2.0, 5.0, 10.0), metavar="LIST",
        help="minutes within which capture is asked to have come, when survival is compared (default 2,5,10)",
    )  # fmt: skip
    parser.add_argument(
        "--horizon", type=_one, default=60.0, metavar="MINUTES",
        help="up to when survival in time is compared (default 60)",
    )  # fmt: skip
    parser.add_argument(
        "--outcome", default="", metavar="NAME",
        help="the outcome that was declared before the data were seen, such as survived_to_discharge; without it "
        "everything is labelled exploratory",
    )  # fmt: skip


def outcome_question(options: argparse.Namespace) -> OutcomeQuestion:
    """Turn words into the question.

    Raises
    ------
    UsageError
        When the outcome does not exist or the horizon is not after the landmarks.
    """
    from capstat.analysis import OutcomeQuestion
    from capstat.outcomes.episodes import Origin

    return OutcomeQuestion(
        origin=Origin(options.origin),
        sustained_s=options.sustained,
        minutes=options.minutes,
        within_min=options.within,
        horizon_min=options.horizon,
        declared=options.outcome,
    )
