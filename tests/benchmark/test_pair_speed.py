"""Speed of the model of two thresholds in one patient, shown and never part of the plain run: pytest -m benchmark -s."""

from __future__ import annotations

import time

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from capstat.placement.pair_fit import PairModel, fit_pairs, fit_pairs_many, pair_limits_many
from capstat.placement.pair_likelihood import tabulate_pairs

pytestmark = pytest.mark.benchmark

MODEL = PairModel(("intercept", "first"))
START = np.array([np.log(95.0), 0.0, -1.1, 0.9])


def crossovers(studies: int, n: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Bounds (studies * n, 2), designs and study of invented crossovers on a 5 mA ramp from 40 to 140 mA."""
    rng = np.random.default_rng(1)
    size = studies * n
    effect = rng.normal(0, 0.3, size)[:, None]
    true = np.exp(np.log(95) + effect + [np.log(0.8), 0.0] + rng.normal(0, 0.14, (size, 2)))
    rises = np.maximum(np.ceil((true - 40) / 5), 0)
    upper = 40 + 5 * rises
    beyond = upper > 140
    lower = np.where(beyond, 140, np.where(rises == 0, 0, upper - 5))
    design = np.tile([[1.0, 1.0], [1.0, 0.0]], (size, 1, 1))
    return lower, np.where(beyond, np.inf, upper), design, np.repeat(np.arange(studies), n)


@pytest.mark.parametrize("n", [500, 5_000, 50_000, 500_000])
def test_one_crossover(n):
    """Target: 0.1 s for 50,000 patients after tabulation.  statsmodels fits a mixed model to made-up exact values."""
    lower, upper, design, _ = crossovers(1, n)
    begin = time.perf_counter()
    records = tabulate_pairs(lower, upper, design)
    tabulated = time.perf_counter() - begin
    begin = time.perf_counter()
    fit = fit_pairs(records, MODEL, START)
    fitted = time.perf_counter() - begin
    begin = time.perf_counter()
    fit.limits(1, 1.92)
    limits = time.perf_counter() - begin
    text = (
        f"\npairs, {n:,} patients in {records.count.size} cells: tabulating {1e3 * tabulated:.0f} ms, fitting "
        f"{1e3 * fitted:.0f} ms, profile limits {1e3 * limits:.0f} ms"
    )
    if n <= 5_000:
        frame = pd.DataFrame(
            {"y": np.log(np.where(np.isfinite(upper), upper, 141.0)).ravel(), "x": np.tile([1, 0], n),
             "patient": np.repeat(np.arange(n), 2)}
        )  # fmt: skip
        begin = time.perf_counter()
        smf.mixedlm("y ~ x", frame, groups="patient").fit(reml=False)
        theirs = time.perf_counter() - begin
        text += (
            f"; statsmodels MixedLM on made-up values {1e3 * theirs:.0f} ms, ratio {theirs / (tabulated + fitted):.0f}"
        )
    print(text)


def test_ten_thousand_crossovers_at_once():
    """Target: 15 s for 10,000 studies of 40 patients on one core."""
    lower, upper, design, study = crossovers(10_000, 40)
    begin = time.perf_counter()
    records = tabulate_pairs(lower, upper, design, study)
    tabulated = time.perf_counter() - begin
    begin = time.perf_counter()
    optima = fit_pairs_many(records, MODEL, np.tile(START, (10_000, 1)))
    fitted = time.perf_counter() - begin
    begin = time.perf_counter()
    pair_limits_many(records, MODEL, optima, 1, np.full(10_000, 1.92))
    limits = time.perf_counter() - begin
    frame = pd.DataFrame(
        {"y": np.log(np.where(np.isfinite(upper), upper, 141.0))[:40].ravel(), "x": np.tile([1, 0], 40),
         "patient": np.repeat(np.arange(40), 2)}
    )  # fmt: skip
    begin = time.perf_counter()
    for _ in range(5):
        smf.mixedlm("y ~ x", frame, groups="patient").fit(reml=False)
    theirs = (time.perf_counter() - begin) / 5 * 10_000
    print(
        f"\n10,000 crossovers of 40: tabulating {tabulated:.1f} s, fitting {fitted:.1f} s ({optima.converged.mean():.2%} "
        f"converged), profile limits {limits:.1f} s; statsmodels MixedLM on made-up values would take {theirs:.0f} s, ratio "
        f"{theirs / fitted:.0f}"
    )
