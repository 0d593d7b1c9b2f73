"""Speed and memory, shown and never part of the plain run: pytest -m benchmark -s.

Each prints what was measured; ratios are to a named library on the same data in the same run.
"""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from capstat.distributions import WEIBULL, fit_npmle, fit_regression
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


def timed(function, repeats: int = 3):
    best, result = np.inf, None
    for _ in range(repeats):
        begin = time.perf_counter()
        result = function()
        best = min(best, time.perf_counter() - begin)
    return best, result


def child(code: str) -> str:
    return subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout


@pytest.mark.parametrize("n", [10**3, 10**4, 10**5, 10**6])
def test_estimation_time_does_not_grow_with_rows(n):
    thresholds = mixed_grids(n)
    cells_time, cells = timed(thresholds.cells)
    whole, fit = timed(lambda: fit_npmle(thresholds))
    print(
        f"\nn = {n:>9,}: {cells.count.size} cells; tabulating {1e3 * cells_time:.1f} ms, estimating "
        f"{1e3 * (whole - cells_time):.1f} ms, gap {fit.optimality_gap:.0e}"
    )


def test_npmle_against_lifelines():
    from lifelines import KaplanMeierFitter

    thresholds = mixed_grids(20_000)
    ours, fit = timed(lambda: fit_npmle(thresholds))
    lower, upper = thresholds.lower_ma, thresholds.upper_ma
    theirs, _ = timed(lambda: KaplanMeierFitter().fit_interval_censoring(lower, upper), repeats=1)
    print(
        f"\nNPMLE, 20,000 ramps: {1e3 * ours:.1f} ms, lifelines {1e3 * theirs:.0f} ms, ratio {theirs / ours:.0f}; gap {fit.optimality_gap:.0e}"
    )


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
