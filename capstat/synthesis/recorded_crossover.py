"""The published crossover of pad placements, reanalysed from its summary: results recorded with the package.

The reanalysis takes minutes (`capstat.synthesis.reconstruction`), gives the same answer for the same seed, and every
report needs it; so its posterior quantiles are kept in ``crossover_2022.json``, written by
``analyses/13_reanalysis_from_summaries.py --record``.
"""

from __future__ import annotations

import importlib.resources
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from capstat.results import Estimate, UsageError
from capstat.synthesis.reconstruction import crossover_variants, reconstruct_crossover

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.synthesis.reconstructed import ContrastDraws
    from capstat.synthesis.reconstruction_setting import Effort
    from capstat.synthesis.reported_crossover import ReportedCrossover

__all__ = [
    "CROSSOVER_ARM",
    "RECORD",
    "SHARES",
    "RecordedCrossover",
    "RecordedRow",
    "crossover_record",
    "recorded_crossover",
]

RECORD: Final = "crossover_2022.json"
CROSSOVER_ARM: Final = "moayedi2022_AP_threshold"
"""Record of the same study in the evidence table."""

SHARES: Final = np.round(np.arange(0.005, 0.9951, 0.005), 3)
"""Probabilities of the recorded quantiles; limits of other levels are interpolated between them."""


@dataclass(frozen=True, slots=True)
class RecordedRow:
    """The comparison under one assumption.

    Attributes
    ----------
    assumption : str
        In words; empty for the reanalysis itself.
    probability : float or None
        How probable the assumption is given what was published, where that could be worked out.
    ratio, difference : Estimate
        Ratio of median thresholds, first to second, and their difference, second minus first, in mA.
    """

    assumption: str
    probability: float | None
    ratio: Estimate
    difference: Estimate


@dataclass(frozen=True, slots=True)
class RecordedCrossover:
    """The reanalysis of the published crossover.

    Attributes
    ----------
    first, second : str
        Placements, as abbreviated there.
    first_mean_ma, second_mean_ma : float
        Printed means.
    maximum_ma, imputed_as_ma : float
        Highest output, and the number that stood for 'not captured'.
    log_ratio, log_ratio_sd : float
        Posterior mean and SD of the log ratio.
    medians : tuple of Estimate
        Reconstructed median threshold of each placement, mA.
    rows : tuple of RecordedRow
        The reanalysis first, then each possible set of counts, then other assumptions on what was not published.
    median_above_maximum : tuple of float
        Probability that the median threshold of each placement lies above the highest output, where nothing was seen.
    put_in : tuple of tuple of int
        Numbers of values that may have been put in, for the first and for the second placement.
    n_pairs : int
        Patients in the printed means.
    seed : int
        Seed of the Markov chains.
    """

    first: str
    second: str
    first_mean_ma: float
    second_mean_ma: float
    maximum_ma: float
    imputed_as_ma: float
    log_ratio: float
    log_ratio_sd: float
    medians: tuple[Estimate, Estimate]
    rows: tuple[RecordedRow, ...]
    median_above_maximum: tuple[float, float]
    put_in: tuple[tuple[int, ...], tuple[int, ...]]
    n_pairs: int
    seed: int

    @property
    def printed_ratio(self) -> float:
        """Ratio of the printed means."""
        return self.first_mean_ma / self.second_mean_ma

    @property
    def ratio(self) -> Estimate:
        """Ratio of median thresholds, first to second."""
        return self.rows[0].ratio

    @property
    def difference(self) -> Estimate:
        """Difference of median thresholds, second minus first."""
        return self.rows[0].difference


def _quantiles(draws: NDArray[np.float64], digits: int) -> list[float]:
    return [round(float(x), digits) for x in np.quantile(draws, SHARES)]


def _record_row(assumption: str, probability: float | None, n: int, draws: ContrastDraws) -> dict[str, Any]:
    told = None if probability is None else round(probability, 3)
    return {
        "assumption": assumption, "probability": told, "n": n, "ratio": _quantiles(draws.ratio, 4),
        "difference": _quantiles(draws.difference, 1),
    }  # fmt: skip


def crossover_record(reported: ReportedCrossover, *, seed: int, effort: Effort) -> dict[str, Any]:
    """The reanalysis of a published crossover, as it is recorded: posterior quantiles at `SHARES` for every assumption.

    Raises
    ------
    NotEstimableError
        See :func:`capstat.synthesis.reconstruction.reconstruct_crossover`.
    """
    found = reconstruct_crossover(reported, seed=seed, effort=effort)
    n = found.ratio.n
    rows = [_record_row("", None, n, found.draws)]
    rows += [
        _record_row(f"if {one.counts.words(reported.first, reported.second)}", one.weight, n, one.draws)
        for one in found.counts
        if one.draws is not None
    ]
    rows += [
        _record_row(one.assumption, None, one.ratio.n, one.draws)
        for one in crossover_variants(found, seed=seed, effort=effort)
    ]
    put_in = [sorted({counts.imputed[k] for counts in reported.counts}) for k in (0, 1)]
    return {
        "first": reported.first, "second": reported.second, "first_mean_ma": reported.first_mean_ma,
        "second_mean_ma": reported.second_mean_ma, "n_pairs": reported.n_pairs, "put_in": put_in,
        "maximum_ma": reported.maximum_ma, "imputed_as_ma": reported.imputed_as_ma, "seed": seed,
        "r_hat": round(found.worst.r_hat, 3), "effective_draws": round(found.worst.effective_draws),
        "log_ratio": round(found.log_ratio, 4), "log_ratio_sd": round(found.log_ratio_sd, 4),
        "method": found.ratio.method, "notes": list(found.ratio.notes),
        "medians": [_quantiles(draws, 1) for draws in found.median_draws], "rows": rows,
        "median_above_maximum": [round(float(np.mean(d > reported.maximum_ma)), 3) for d in found.median_draws],
    }  # fmt: skip


def _estimate(
    quantiles: list[float], level: float, quantity: str, unit: str, direction: str, record: dict[str, Any], n: int
) -> Estimate:
    low, middle, high = (float(np.interp(p, SHARES, quantiles)) for p in ((1 - level) / 2, 0.5, (1 + level) / 2))
    return Estimate(
        quantity, middle, low, high, level, unit, "posterior quantiles", n, record["method"], direction,
        tuple(record["notes"]),
    )  # fmt: skip


def recorded_crossover(level: float = 0.95) -> RecordedCrossover:
    """Read the recorded reanalysis, with limits of the given level.

    Raises
    ------
    UsageError
        When the level is above 99 %, beyond the recorded quantiles.
    """
    if not 0 < level <= float(SHARES[-1] - SHARES[0]) + 1e-9:
        raise UsageError(f"The reanalysis of the published crossover is recorded up to a level of 99 %, not {level:g}.")
    text = (importlib.resources.files("capstat.synthesis") / RECORD).read_text(encoding="utf-8")
    record = json.loads(text)
    first, second = record["first"], record["second"]

    def row(one: dict[str, Any]) -> RecordedRow:
        n = int(one["n"])
        return RecordedRow(
            one["assumption"], one["probability"],
            _estimate(one["ratio"], level, "ratio of median capture thresholds within patients", "ratio",
                      f"{first} relative to {second}", record, n),
            _estimate(one["difference"], level, "difference of median capture thresholds", "mA",
                      f"{second} minus {first}", record, n),
        )  # fmt: skip

    rows = tuple(row(one) for one in record["rows"])
    one, two = (
        _estimate(quantiles, level, f"median capture threshold, {name}", "mA", "", record, rows[0].ratio.n)
        for name, quantiles in zip((first, second), record["medians"], strict=True)
    )
    return RecordedCrossover(
        first, second, record["first_mean_ma"], record["second_mean_ma"], record["maximum_ma"],
        record["imputed_as_ma"], record["log_ratio"], record["log_ratio_sd"], (one, two), rows,
        tuple(record["median_above_maximum"]), (tuple(record["put_in"][0]), tuple(record["put_in"][1])),
        record["n_pairs"], record["seed"],
    )  # fmt: skip
