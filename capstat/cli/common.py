"""Options that several verbs share, and how words become objects."""

from __future__ import annotations

import argparse
import json
import math
import sys
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterable

    from capstat.analysis import AnalysisOptions, DecisionQuestion
    from capstat.attempts import Study
    from capstat.report.table import Table
    from capstat.results import Estimate

__all__ = [
    "add_analysis_options",
    "add_compared_placements",
    "add_covariates_option",
    "add_estimation_options",
    "add_level_option",
    "add_study_options",
    "analysis_options",
    "compared_placements",
    "estimate_record",
    "names_of",
    "numbers_of",
    "odds_ratio",
    "open_study",
    "percentage",
    "print_json",
    "progress",
    "table_records",
    "whole_number",
]

HIGHEST_MA = 200.0  # US 21 CFR 870.5550
LARGEST_MARGIN = 3.0
LOWEST_LEVEL, HIGHEST_LEVEL = 0.5, 0.999
CAPTURE_NAMES = ("mechanical", "electrical", "adjudicated", "as-recorded")


def add_study_options(parser: argparse.ArgumentParser) -> None:
    """Add the study and its mapping."""
    parser.add_argument(
        "study", help="a CSV, Parquet or Excel file of attempts, or a folder with attempts, steps, patients"
    )
    parser.add_argument("--mapping", help="TOML file that renames columns and recodes values of a local spreadsheet")
    parser.add_argument("--json", action="store_true", help="print results for programs")


def numbers_of(text: str) -> tuple[float, ...]:
    """Numbers separated by commas; empty when the text is anything else."""
    try:
        numbers = tuple(float(part) for part in text.split(",") if part.strip())
    except ValueError:
        return ()
    return numbers if all(math.isfinite(number) for number in numbers) else ()


def _currents(text: str) -> tuple[float, ...]:
    currents = numbers_of(text)
    if not currents or not all(0 < current <= HIGHEST_MA for current in currents):
        raise argparse.ArgumentTypeError(
            f"'{text}' is not a list of currents above 0 and up to {HIGHEST_MA:g} mA, such as 60,80,100"
        )
    return currents


def _shares(text: str) -> tuple[float, ...]:
    shares = tuple(value / 100 for value in numbers_of(text))
    # below 1 % somebody meant a proportion
    if not shares or not all(0.01 <= share < 1 for share in shares):
        raise argparse.ArgumentTypeError(f"'{text}' is not a list of percentages from 1 to below 100, such as 50,90")
    return tuple(dict.fromkeys(shares))


def names_of(text: str | None) -> tuple[str, ...] | None:
    """Names separated by commas; ``None`` where the option was not given."""
    return None if text is None else tuple(name.strip() for name in text.split(",") if name.strip())


def _level(text: str) -> float:
    level = (numbers_of(text) or (0.0,))[0] / 100
    if "," in text or not LOWEST_LEVEL <= level <= HIGHEST_LEVEL:
        raise argparse.ArgumentTypeError(f"'{text}' is not a confidence level in percent from 50 to 99.9, such as 95")
    return level


def _margin(text: str) -> float:
    margin = (numbers_of(text) or (0.0,))[0]
    if "," in text or not 1 < margin <= LARGEST_MARGIN:
        raise argparse.ArgumentTypeError(f"'{text}' is not a ratio above 1 and up to {LARGEST_MARGIN:g}, such as 1.1")
    return margin


def _milliamperes(text: str) -> float:
    current = (numbers_of(text) or (0.0,))[0]
    if "," in text or not 0 < current <= HIGHEST_MA:
        raise argparse.ArgumentTypeError(f"'{text}' is not a current above 0 and up to {HIGHEST_MA:g} mA, such as 10")
    return current


def percentage(text: str) -> float:
    """Percentage from above 1 to 100, as a proportion."""
    found = numbers_of(text)
    if "," in text or not found or not 1 < found[0] <= 100:
        raise argparse.ArgumentTypeError(f"'{text}' is not a percentage above 1 and up to 100, such as 95")
    return found[0] / 100


def odds_ratio(text: str) -> float:
    """Odds ratio from 0.1 to 10."""
    found = numbers_of(text)
    if "," in text or not found or not 0.1 <= found[0] <= 10:
        raise argparse.ArgumentTypeError(f"'{text}' is not a ratio from 0.1 to 10, such as 1.2")
    return found[0]


def whole_number(smallest: int) -> Any:
    def parse(text: str) -> int:
        if not text.isdigit() or int(text) < smallest:
            raise argparse.ArgumentTypeError(f"'{text}' is not a whole number of at least {smallest}")
        return int(text)

    return parse


def add_level_option(parser: argparse.ArgumentParser) -> None:
    """Add the confidence level."""
    parser.add_argument("--level", type=_level, default=0.95, help="confidence level in percent (default 95)")


def add_estimation_options(parser: argparse.ArgumentParser) -> None:
    """Add what every estimate needs."""
    parser.add_argument(
        "--shares",
        type=_shares,
        default=(0.5, 0.9, 0.95),
        help="capture currents wanted, in percent of patients",
    )
    add_level_option(parser)
    parser.add_argument("--replicates", type=whole_number(100), default=1000, help="bootstrap resamples (default 1000)")
    parser.add_argument("--seed", type=whole_number(0), default=1, help="seed of the bootstrap (default 1)")


def add_compared_placements(parser: argparse.ArgumentParser) -> None:
    """Add the two placements."""
    parser.add_argument("--first", help="placement that is compared (default: anterior-posterior) ...")
    parser.add_argument("--minus", help="... with this one (default: anterior-lateral)")


def add_analysis_options(parser: argparse.ArgumentParser, *, placements: bool) -> None:
    """Add the choices that change an answer."""
    parser.add_argument(
        "--capture", choices=CAPTURE_NAMES, help="what counts as capture (default: mechanical where recorded)"
    )
    parser.add_argument(
        "--rule",
        choices=("sustained", "first"),
        default="sustained",
        help="threshold of a ramp that contradicts itself",
    )
    parser.add_argument("--currents", type=_currents, help="currents at which the share captured is wanted, in mA")
    add_estimation_options(parser)
    if placements:
        add_compared_placements(parser)
        parser.add_argument(
            "--adjust",
            help="declared confounders, settled before the pads are placed, separated by commas; '' for none (default: "
            "age, sex, body size, arrest, consciousness, setting, rhythm, where recorded)",
        )
        parser.add_argument(
            "--modifiers",
            help="for whom the comparison may differ, separated by commas; '' for none (default: body mass index, sex, "
            "arrest, where recorded)",
        )
        parser.add_argument(
            "--claim",
            choices=("superiority", "non-inferiority", "equivalence"),
            default="superiority",
            help="what the interval of the ratio is read against (default: superiority of the first)",
        )
        parser.add_argument(
            "--margin", type=_margin, help="margin of the claim as a ratio of thresholds above 1, such as 1.1"
        )
        parser.add_argument(
            "--at-least", type=_milliamperes, metavar="MA",
            help="also give the posterior probability that the first needs at least so many mA less (flat prior)",
        )  # fmt: skip


def add_covariates_option(parser: argparse.ArgumentParser) -> None:
    """Add the covariates of the regression of thresholds."""
    parser.add_argument(
        "--covariates",
        help="covariates of the regression, separated by commas, such as placement,age_years,arrest; '' for none "
        "(default: placement, body size, arrest, consciousness, pulse width, where recorded)",
    )


def analysis_options(options: argparse.Namespace) -> AnalysisOptions:
    """Turn words into the options object."""
    from capstat.analysis import AnalysisOptions
    from capstat.thresholds import CAPTURE_DEFINITIONS, NonMonotoneRule

    by_name = {capture.name: capture for capture in CAPTURE_DEFINITIONS}
    adjust, covariates = getattr(options, "adjust", None), getattr(options, "covariates", None)
    first, minus = compared_placements(options)
    return AnalysisOptions(
        capture=by_name[options.capture] if options.capture else None,
        rule=NonMonotoneRule(options.rule),
        first=first,
        minus=minus,
        fractions=options.shares,
        currents_ma=options.currents,
        adjust_for=names_of(adjust),
        covariates=names_of(covariates),
        modifiers=names_of(getattr(options, "modifiers", None)),
        question=_question(options),
        level=options.level,
        replicates=options.replicates,
        seed=options.seed,
    )


def compared_placements(options: argparse.Namespace) -> tuple[str, str]:
    """Return the two placements by their names in the vocabulary."""
    from capstat.attempts.vocabulary import PLACEMENT
    from capstat.results import UsageError

    def placement(name: str, default: str) -> str:
        word = getattr(options, name, None)
        if word is None or getattr(options, "by", "placement") != "placement":
            return default
        try:
            return PLACEMENT.match(word) or default
        except KeyError:
            raise UsageError(
                f"--{name}: '{word}' is not a placement; use one of {', '.join(PLACEMENT.values)}."
            ) from None

    return placement("first", "anterior-posterior"), placement("minus", "anterior-lateral")


def _question(options: argparse.Namespace) -> DecisionQuestion:
    """What the interval is read against; a margin belongs to a claim that has one."""
    from capstat.analysis import DecisionQuestion
    from capstat.placement.decision import Claim
    from capstat.results import UsageError

    claim, margin = Claim(getattr(options, "claim", "superiority")), getattr(options, "margin", None)
    if (claim is Claim.SUPERIORITY) != (margin is None):
        raise UsageError("--claim non-inferiority and --claim equivalence need a --margin, and superiority takes none.")
    return DecisionQuestion(claim, margin, getattr(options, "at_least", None))


def open_study(options: argparse.Namespace) -> Study:
    """Read the study; warnings are counted on standard error."""
    from capstat.attempts import count_by_severity, read_study

    progress("reading and checking")
    study = read_study(options.study, options.mapping)
    if study.findings:
        number = count_by_severity(study.findings)["warning"]
        words = "1 warning" if number == 1 else f"{number} warnings"
        print(f"{words} about the data; see them with: capstat check", file=sys.stderr)
    return study


def progress(words: str) -> None:
    """Say what is going on, on a terminal only."""
    if sys.stderr.isatty():
        print(f"... {words}", file=sys.stderr, flush=True)


def estimate_record(group: str, estimate: Estimate) -> dict[str, Any]:
    """Return an estimate as a plain record; infinity becomes the word ``inf``."""

    def plain(value: float | None) -> float | str | None:
        return "inf" if value is not None and math.isinf(value) else value

    return {
        "group": group,
        "quantity": estimate.quantity,
        "direction": estimate.direction,
        "value": plain(estimate.value),
        "lower": plain(estimate.lower),
        "upper": plain(estimate.upper),
        "level": estimate.level,
        "unit": estimate.unit,
        "scale": estimate.scale,
        "identified": [plain(v) for v in estimate.identified] if estimate.identified else None,
        "p_value": estimate.p_value,
        "patients": estimate.n,
        "method": estimate.method,
        "reason": estimate.reason,
        "notes": list(estimate.notes),
    }


def _plain_cell(value: Any) -> Any:
    """Return a cell for JSON: nothing for a missing value, a word for infinity."""
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, float):
        return None if math.isnan(value) else "inf" if math.isinf(value) else value
    return value


def table_records(tables: Iterable[Table]) -> dict[str, Any]:
    """Return tables for JSON, by name, one record for each row."""
    return {
        table.name: [{k: _plain_cell(v) for k, v in row.items()} for row in table.frame.to_dict("records")]
        for table in tables
    }


def print_json(value: Any) -> None:
    """Print a value as JSON."""
    print(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False))
