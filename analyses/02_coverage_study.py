"""How often 95 % intervals hold the truth: simulated studies with known capture currents, shares and never-captured share.

Run: python analyses/02_coverage_study.py [--studies 2000] [--seed 1] [--processes 2] [--out analyses/coverage.csv]

Thresholds are lognormal with median 73 mA and log SD 0.26 (near the synthetic registry, not on the grid), ramps start at
30 mA, the device maximum is 140 mA, and a share of the patients is never captured.  27 scenarios with one attempt in each
patient (steps of 2, 5, 10 mA; 20, 60, 300 patients; 0, 5, 20 % never captured) and two with several.  The table is in
coverage.csv beside this script and, shortened, in DEVELOPERS.md.
"""

from __future__ import annotations

import argparse
import itertools
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import integrate, stats

from capstat.distributions import (
    LOGNORMAL,
    estimate_never_captured,
    fit_parametric,
    likelihood_ratio_curve,
    restricted_mean_threshold,
)
from capstat.distributions.bootstrap import bootstrap_curves
from capstat.distributions.summary import summarise_curve
from capstat.results import NotEstimableError
from capstat.thresholds import CensoredThresholds

if TYPE_CHECKING:
    from capstat.results import Curve

MEDIAN_MA, LOG_SD = 73.0, 0.26
START_MA, MAXIMUM_MA = 30.0, 140.0
FRACTIONS, CURRENTS = (0.5, 0.9), (60.0, 80.0, 100.0)


@dataclass(frozen=True, slots=True)
class Coverage:
    """One interval in one scenario.

    ``share`` of the studies with an estimate whose interval holds the truth, ``error`` its Monte Carlo standard error,
    ``mean_width`` of finite intervals and ``bias`` of the value (mA, percentage points for shares), ``n_studies`` with an
    estimate.
    """

    name: str
    n_patients: int
    attempts_each: int
    step_ma: float
    never_captured: float
    quantity: str
    share: float
    error: float
    mean_width: float
    bias: float
    n_studies: int


def ramp_intervals(true_ma: np.ndarray, step_ma: float, patient: np.ndarray | None = None) -> CensoredThresholds:
    """What a rising ramp shows of the true thresholds."""
    rises = np.maximum(np.ceil((true_ma - START_MA) / step_ma), 0)
    upper = START_MA + rises * step_ma
    lower = np.where(rises == 0, 0.0, upper - step_ma)
    beyond = upper > MAXIMUM_MA
    return CensoredThresholds.from_bounds(np.where(beyond, MAXIMUM_MA, lower), np.where(beyond, np.inf, upper), patient)


def simulate(
    n: int, step_ma: float, rng: np.random.Generator, attempts_each: int, never_captured: float
) -> CensoredThresholds:
    """One study; with several attempts in a patient, three quarters of the log variance is between patients."""
    patient = np.repeat(np.arange(n), attempts_each)
    between, within = (LOG_SD * np.sqrt(share) for share in ((0.75, 0.25) if attempts_each > 1 else (1.0, 0.0)))
    noise = rng.normal(0, between, n)[patient] + rng.normal(0, 1, patient.size) * within
    never = (rng.random(n) < never_captured)[patient]
    return ramp_intervals(np.where(never, 1e6, MEDIAN_MA * np.exp(noise)), step_ma, patient)


def true_share(current_ma, never_captured: float):
    """Share captured at a current."""
    return (1 - never_captured) * stats.norm.cdf(np.log(np.asarray(current_ma) / MEDIAN_MA) / LOG_SD)


def true_current(fraction: float, never_captured: float) -> float:
    """Current that captures a share of all; infinite when fewer can be captured."""
    if fraction >= 1 - never_captured:
        return np.inf
    return float(MEDIAN_MA * np.exp(LOG_SD * stats.norm.ppf(fraction / (1 - never_captured))))


class Tally:
    """What happened to every interval over the studies of a scenario."""

    def __init__(self) -> None:
        self.rows: dict[tuple[str, str], list[tuple[bool, float, float]]] = {}

    def note(self, kind: str, quantity: str, found, truth: float, unit: float = 1.0) -> None:
        """Note an estimate; its value is the middle of what is identified where it is not a point."""
        if found.lower is None:
            return
        value = np.mean(found.identified) if found.identified else found.value
        width = found.upper - found.lower
        self.rows.setdefault((kind, quantity), []).append(
            (
                found.lower <= truth <= found.upper,
                unit * width if np.isfinite(width) else np.nan,
                np.nan if value is None or not np.isfinite(truth) else unit * (value - truth),
            )
        )

    def note_curve(self, kind: str, curve: Curve, never_captured: float) -> None:
        """Note whether a band holds the whole curve."""
        truth = true_share(curve.x, never_captured)
        # between two edges the curve rises, so the band has to hold it just before each edge too
        before = true_share(np.maximum(np.concatenate(([0.0], curve.x[:-1])), 1e-9), never_captured)
        held = np.all((curve.band_lower <= truth) & (truth <= curve.band_upper)) and np.all(
            before >= np.concatenate(([0.0], curve.band_lower[:-1])) - 1e-12
        )
        self.rows.setdefault((kind, "whole curve"), []).append((bool(held), np.nan, np.nan))


def one_study(
    tally: Tally,
    thresholds: CensoredThresholds,
    never_captured: float,
    restricted: float,
    replicates: int,
    seed: int,
    *,
    costly: bool,
) -> None:
    """Every interval of one study; those that take a tenth of a second each only where ``costly``."""
    (curve,) = bootstrap_curves([thresholds], replicates=replicates, seed=seed)
    summary = summarise_curve(curve, label="all", fractions=FRACTIONS, currents_ma=CURRENTS, level=0.95)
    ordinary = fit_parametric(thresholds, family=LOGNORMAL)
    try:
        mixture = fit_parametric(thresholds, family=LOGNORMAL, never_captured=True)
    except NotEstimableError:
        mixture = ordinary  # nobody beyond capture
    fits = (("lognormal", ordinary), ("lognormal, share never captured", mixture))
    for k, fraction in enumerate(FRACTIONS):
        words = f"{100 * fraction:g} % capture current"
        truth = true_current(fraction, never_captured)
        tally.note("nonparametric", words, summary.capture_currents[k], truth)
        for kind, fit in fits if np.isfinite(truth) else ():
            tally.note(kind, words, fit.capture_current(fraction), truth)
    for k, current in enumerate(CURRENTS):
        truth = float(true_share(current, never_captured))
        tally.note("nonparametric", f"share captured at {current:g} mA", summary.capture_probabilities[k], truth, 100.0)
    tally.note("nonparametric", "mean threshold up to 140 mA", restricted_mean_threshold(curve), restricted)
    tally.note_curve("nonparametric, simultaneous band", summary.simultaneous, never_captured)
    if not costly:
        return
    ratio = likelihood_ratio_curve(thresholds)
    for current in CURRENTS:
        truth = float(true_share(current, never_captured))
        at = np.flatnonzero(ratio.x >= current)
        low = np.flatnonzero(ratio.x <= current)
        limits = (
            float(ratio.band_lower[low[-1]]) if low.size else 0.0,
            float(ratio.band_upper[at[0]]) if at.size else 1.0,
        )
        tally.rows.setdefault(("nonparametric, likelihood ratio", f"share captured at {current:g} mA"), []).append(
            (limits[0] <= truth <= limits[1], 100 * (limits[1] - limits[0]), np.nan)
        )
    never = estimate_never_captured(thresholds, family=LOGNORMAL)
    tally.note("lognormal, share never captured", "share never captured", never.share, never_captured, 100.0)


def coverage(
    n: int,
    step_ma: float,
    *,
    studies: int,
    seed: int,
    attempts_each: int = 1,
    never_captured: float = 0.0,
    replicates: int = 400,
) -> list[Coverage]:
    """Coverage, width and bias of every interval in one kind of study."""
    rng = np.random.default_rng([seed, n, int(10 * step_ma), attempts_each, int(100 * never_captured)])
    restricted = float(integrate.quad(lambda x: 1 - true_share(x, never_captured), 0, MAXIMUM_MA, limit=200)[0])
    tally = Tally()
    for study in range(studies):
        thresholds = simulate(n, step_ma, rng, attempts_each, never_captured)
        # likelihood-ratio and profile limits, of independent attempts only, in a part of the studies
        costly = attempts_each == 1 and (4 if n < 300 else 10) * study < studies
        one_study(tally, thresholds, never_captured, restricted, replicates, seed + study, costly=costly)
    rows = []
    for (kind, quantity), noted in tally.rows.items():
        held, width, bias = (np.array(column, dtype=float) for column in zip(*noted, strict=True))
        share = float(held.mean())
        rows.append(
            Coverage(
                kind, n, attempts_each, step_ma, never_captured, quantity, share,
                float(np.sqrt(share * (1 - share) / held.size)),
                *(float(np.nanmean(column)) if np.isfinite(column).any() else float("nan") for column in (width, bias)),
                held.size,
            )
        )  # fmt: skip
    return rows


def _run(arguments: tuple[int, float, int, float, int, int]) -> list[Coverage]:
    n, step, each, never, studies, seed = arguments
    return coverage(n, step, studies=studies, seed=seed, attempts_each=each, never_captured=never)


def main() -> None:
    parser = argparse.ArgumentParser(description="Coverage of 95 % intervals of capture currents.")
    parser.add_argument("--studies", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--patients", type=int, nargs="+", default=[20, 60, 300], help="sizes of the 27 scenarios")
    parser.add_argument("--out", type=Path, default=Path(__file__).parent / "coverage.csv")
    options = parser.parse_args()
    scenarios = [
        (n, step, 1, never, options.studies, options.seed)
        for n, step, never in itertools.product(options.patients, (2.0, 5.0, 10.0), (0.0, 0.05, 0.2))
    ]
    scenarios += [(n, 5.0, each, 0.0, options.studies, options.seed) for n, each in ((60, 3), (10, 8))]
    rows: list[dict[str, object]] = []
    with ProcessPoolExecutor(options.processes) as pool:
        for done in pool.map(_run, scenarios):
            rows += [asdict(row) for row in done]
            pd.DataFrame(rows).to_csv(options.out, index=False, float_format="%.4g", lineterminator="\n")
            print(f"{len(rows)} intervals; last: {done[0].n_patients} patients, {done[0].step_ma:g} mA", flush=True)


if __name__ == "__main__":
    main()
