"""Options on ramp policies, for the verbs that ask of them."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from capstat.cli.common import numbers_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from capstat.analysis import RampQuestion
    from capstat.protocol import RampPolicy

__all__ = ["add_ramp_options", "ramp_question"]


def _number(lowest: float, highest: float, what: str) -> Callable[[str], float]:
    def parse(text: str) -> float:
        found = numbers_of(text)
        if len(found) != 1 or not lowest <= found[0] <= highest:
            raise argparse.ArgumentTypeError(f"'{text}' is not {what}")
        return found[0]

    return parse


def _weights(text: str) -> tuple[float, float, float]:
    found = numbers_of(text)
    if len(found) != 3 or min(found) < 0 or max(found) == 0:
        raise argparse.ArgumentTypeError(
            f"'{text}' is not three numbers of at least 0, one of them above 0, such as 1,0.5,600: a second without "
            "output, a pulse above the level of discomfort, a patient who is not captured"
        )
    return found[0], found[1], found[2]


def add_ramp_options(parser: argparse.ArgumentParser) -> None:
    """Add the choices of the analysis of ramp policies."""
    group = parser.add_argument_group("ramp policies")
    group.add_argument(
        "--policy", action="append", metavar="FILE",
        help="file with one or more ramp policies; may be given several times (default: the examples that "
        "`capstat ramp --template` writes)",
    )  # fmt: skip
    group.add_argument(
        "--discomfort", type=_number(0, 200, "a current from 0 to 200 mA, such as 70"), default=70.0,
        metavar="MA",
        help="currents above this are counted as uncomfortable (default 70: pain limit in volunteers, Prochaczek 1989)",
    )  # fmt: skip
    group.add_argument(
        "--weights", type=_weights, action="append", metavar="A,B,C",
        help="cost of a second without output, of a pulse above the level of discomfort, and of a patient who is not "
        "captured (default, for illustration: conscious 1,1,600 and unconscious 1,0,600)",
    )  # fmt: skip
    group.add_argument(
        "--higher", type=_number(-50, 200, "a percentage from -50 to 200, such as 20"), default=20.0,
        metavar="PERCENT",
        help="by how much thresholds may be higher than believed, for the regret (default 20)",
    )  # fmt: skip
    group.add_argument(
        "--correlation", type=_number(-0.99, 0.99, "a correlation from -0.99 to 0.99, such as 0.6"), default=0.6,
        metavar="R",
        help="assumed correlation of a patient's thresholds with two placements, used only where no patients had both "
        "by design (default 0.6)",
    )  # fmt: skip
    group.add_argument(
        "--move-seconds", type=_number(0, 600, "a time from 0 to 600 s, such as 30"), default=30.0, metavar="S",
        help="time without pacing while pads are moved, for the question of more current or other pads (default 30)",
    )  # fmt: skip


def _repeated_names(read: list[tuple[str, str]]) -> list[str]:
    """A sentence for every name that stands in two files."""
    places: dict[str, list[str]] = {}
    for name, path in read:
        places.setdefault(name, []).append(path)
    return [
        f"Policy '{name}' stands in {' and in '.join(paths)}; every policy needs a name of its own."
        for name, paths in places.items()
        if len(paths) > 1
    ]


def ramp_question(options: argparse.Namespace) -> RampQuestion:
    """Turn words into the question.

    Raises
    ------
    PolicyError
        When a policy file has problems; the message lists them, one on each line.
    """
    from capstat.analysis import RampQuestion
    from capstat.protocol.compare_policies import CONSCIOUS, UNCONSCIOUS, Weights
    from capstat.protocol.policy_file import PolicyError, read_policies

    policies: list[RampPolicy] = []
    problems: list[str] = []
    read: list[tuple[str, str]] = []
    for path in options.policy or ():
        try:
            found = read_policies(path)
            policies += found
            read += [(policy.name, path) for policy in found]
        except PolicyError as error:
            problems += error.problems
    problems += _repeated_names(read)
    if problems:
        raise PolicyError(problems)
    weights = tuple(
        Weights("the stated" if len(options.weights) == 1 else f"set {k} of the stated", *given)
        for k, given in enumerate(options.weights or (), start=1)
    )
    return RampQuestion(
        policies=tuple(policies),
        discomfort_ma=options.discomfort,
        weights=weights or (CONSCIOUS, UNCONSCIOUS),
        factor=1 + options.higher / 100,
        correlation=options.correlation,
        move_s=options.move_seconds,
    )
