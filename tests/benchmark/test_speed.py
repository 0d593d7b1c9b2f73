"""Speed and memory, shown and never part of the plain run: pytest -m benchmark -s.

Each prints what was measured; ratios are to a named library on the same data in the same run.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from capstat.distributions import WEIBULL, fit_npmle, fit_regression
from capstat.distributions.likelihood_ratio import likelihood_ratio_curve
from capstat.thresholds import CensoredThresholds

pytestmark = pytest.mark.benchmark
ROOT = Path(__file__).parent.parent.parent


def mixed_grids(n: int, seed: int = 1) -> CensoredThresholds:
    """Ramps of devices with 2, 5 and 10 mA steps, several starts and maxima."""
    rng = np.random.default_rng(seed)
    true = np.exp(rng.normal(4.3, 0.35, n))
    step, start, maximum = (
        rng.choice(values, n) for values in ([2.0, 5.0, 10.0], [20.0, 30.0, 40.0], [120.0, 140.0, 200.0])
    )
    rises = np.maximum(np.ceil((true - start) / step), 0)
    upper = start + rises * step
    lower = np.where(rises == 0, 0.0, upper - step)
    top = start + np.floor((maximum - start) / step) * step
    beyond = upper > top
    return CensoredThresholds.from_bounds(np.where(beyond, top, lower), np.where(beyond, np.inf, upper))


def distinct_intervals(n: int, seed: int = 1) -> CensoredThresholds:
    """Overlapping intervals whose bounds are all different."""
    rng = np.random.default_rng(seed)
    true = np.exp(rng.normal(4.3, 0.35, n))
    return CensoredThresholds.from_bounds(np.maximum(true - rng.uniform(0, 20, n), 0.0), true + rng.uniform(0, 20, n))


def timed(function, repeats: int = 3):
    best, result = np.inf, None
    for _ in range(repeats):
        begin = time.perf_counter()
        result = function()
        best = min(best, time.perf_counter() - begin)
    return best, result


def child(code: str) -> str:
    one_core = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    return subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, env=one_core).stdout


@pytest.mark.parametrize("n", [20_000, 200_000, 2_000_000])
def test_estimation_time_does_not_grow_with_rows(n):
    thresholds = mixed_grids(n)
    cells_time, cells = timed(thresholds.cells)
    whole, fit = timed(lambda: fit_npmle(thresholds))
    print(
        f"\nn = {n:>9,}: {cells.count.size} cells; tabulating {1e3 * cells_time:.1f} ms, estimating "
        f"{1e3 * (whole - cells_time):.1f} ms, gap {fit.optimality_gap:.0e}"
    )


@pytest.mark.parametrize(
    ("thresholds", "what"),
    [
        (mixed_grids(20_000), "20,000 ramps"),
        (mixed_grids(200_000), "200,000 ramps"),
        (distinct_intervals(2_000), "2,000 intervals all different"),
    ],
    ids=["20000", "200000", "distinct"],
)
def test_npmle_against_lifelines(thresholds, what):
    """Targets: 25 times faster at 200,000 ramps, 100 times with 2,000 different intervals (lifelines needs 30 s)."""
    from lifelines import KaplanMeierFitter

    ours, fit = timed(lambda: fit_npmle(thresholds))
    lower, upper = thresholds.lower_ma, thresholds.upper_ma
    theirs, _ = timed(lambda: KaplanMeierFitter().fit_interval_censoring(lower, upper), repeats=1)
    print(
        f"\nNPMLE, {what}: {1e3 * ours:.1f} ms, lifelines {1e3 * theirs:.0f} ms, ratio {theirs / ours:.0f}; gap {fit.optimality_gap:.0e}"
    )


R_CODE = """
suppressMessages(library(survival))
d <- read.csv(file("stdin"))
l <- ifelse(d$lower == 0, NA, d$lower)
cat(system.time(survfit(Surv(l, d$upper, type = "interval2") ~ 1))[["elapsed"]])
"""


def r_has_survival() -> bool:
    if shutil.which("Rscript") is None:
        return False
    asked = subprocess.run(["Rscript", "-e", "library(survival)"], capture_output=True, check=False)
    return asked.returncode == 0


def test_npmle_against_r():
    if not r_has_survival():
        pytest.skip("Rscript with the package survival was not found")
    thresholds = mixed_grids(20_000)
    ours, fit = timed(lambda: fit_npmle(thresholds))
    upper = pd.Series(thresholds.upper_ma).replace(np.inf, np.nan)
    table = pd.DataFrame({"lower": thresholds.lower_ma, "upper": upper}).to_csv(index=False, na_rep="NA")
    theirs = float(
        subprocess.run(["Rscript", "-e", R_CODE], input=table, capture_output=True, text=True, check=True).stdout
    )
    print(
        f"\nNPMLE, 20,000 ramps: {1e3 * ours:.1f} ms, R survival {1e3 * theirs:.0f} ms, ratio {theirs / ours:.0f}; gap {fit.optimality_gap:.0e}"
    )


def test_bootstrap_on_one_core():
    """The whole summary of 2,000 ramps with 2,000 replicates, every one certified: the target is 2 s."""
    code = (
        "import runpy, time\nfrom capstat.distributions import summarise_capture\n"
        f"thresholds = runpy.run_path({__file__!r})['mixed_grids'](2000)\n"
        "begin = time.perf_counter()\n"
        "summarise_capture(thresholds, label='x', replicates=2000, seed=1)\n"
        "print(time.perf_counter() - begin)"
    )
    print(f"\nbootstrap, 2,000 ramps, 2,000 replicates, curve and three currents: {float(child(code)):.2f} s")


def test_likelihood_ratio_limits():
    thresholds = mixed_grids(2_000)
    seconds, curve = timed(lambda: likelihood_ratio_curve(thresholds), repeats=1)
    print(f"\nlikelihood-ratio limits, 2,000 ramps: {seconds:.2f} s for {2 * curve.x.size} limits")


def test_regression_against_lifelines():
    from lifelines import WeibullAFTFitter

    thresholds = mixed_grids(10_000)
    x = np.random.default_rng(2).integers(0, 2, 10_000).astype(float)
    design = np.column_stack((np.ones(x.size), x))
    ours, _ = timed(lambda: fit_regression(thresholds, design, ("i", "x"), family=WEIBULL))
    frame = pd.DataFrame({"low": np.maximum(thresholds.lower_ma, 1e-6), "high": thresholds.upper_ma, "x": x})
    theirs, _ = timed(lambda: WeibullAFTFitter().fit_interval_censoring(frame, "low", "high"), repeats=1)
    print(
        f"\nWeibull regression, 10,000 ramps: {1e3 * ours:.1f} ms, lifelines {1e3 * theirs:.0f} ms, ratio {theirs / ours:.0f}"
    )


def test_whole_report_cold(tmp_path):
    """The 600-patient registry, everything included: the target is 15 s of processor time."""
    code = (
        "import resource, sys\nfrom capstat.cli.main import main\n"
        f"status = main(['report', {str(ROOT / 'synthetic_data' / 'registry')!r}, '--out', {str(tmp_path / 'out')!r}])\n"
        "use = resource.getrusage(resource.RUSAGE_SELF)\n"
        # the peak of this process alone: the one of getrusage may be inherited from the process that started it
        "peak = [line.split()[1] for line in open('/proc/self/status') if line.startswith('VmHWM')]\n"
        "print(status, use.ru_utime + use.ru_stime, int(peak[0]) / 1024)"
    )
    status, seconds, memory = child(code).splitlines()[-1].split()
    print(f"\nreport, cold: {float(seconds):.1f} s of processor time, {float(memory):.0f} MB at most")
    assert status == "0"


def test_help_cold():
    code = "import time; b = time.process_time(); import capstat.cli.main as m; m.build_parser(); print(time.process_time() - b)"
    print(f"\ncapstat --help: {1e3 * float(child(code)):.0f} ms of processor time after the interpreter started")
