"""Speed of curves of competing events, shown and never part of the plain run: pytest -m benchmark -s."""

from __future__ import annotations

import shutil
import subprocess
import time
import warnings

import numpy as np
import pytest
from lifelines import AalenJohansenFitter
from statsmodels.duration.survfunc import CumIncidenceRight

from capstat.numerics.cumulative_incidence import event_curves
from capstat.numerics.gray_test import gray_test

pytestmark = pytest.mark.benchmark

R_SCRIPT = """
suppressMessages({library(survival); library(cmprsk)})
d <- read.csv(commandArgs(TRUE)[1])
took <- function(...) cat(system.time(...)[["elapsed"]], "")
state <- factor(d$cause, 0:3, c("none", "one", "two", "three"))
took(survfit(Surv(time, state) ~ 1, d, se.fit = FALSE))
took(cuminc(d$time, d$cause))
took(cuminc(d$time, d$cause, d$group))
took(survfit(Surv(time, cause > 0) ~ 1, d))
"""


def took(call) -> float:
    """Best of three, s."""
    best = np.inf
    for _ in range(3):
        begin = time.perf_counter()
        call()
        best = min(best, time.perf_counter() - begin)
    return best


def once(call) -> float:
    begin = time.perf_counter()
    call()
    return time.perf_counter() - begin


def invented(n: int, *, whole_seconds: bool):
    """Three causes and ends of follow-up, up to one hour."""
    rng = np.random.default_rng(1)
    at = np.minimum(rng.exponential(1200, n), 3600.0)
    at = np.ceil(at) if whole_seconds else at
    return at, np.where(at < 3600, rng.integers(0, 4, n), 0), rng.integers(0, n // 3, n), rng.integers(0, 2, n)


@pytest.mark.parametrize("whole_seconds", [True, False])
def test_hundred_thousand_rows(whole_seconds, tmp_path):
    """Target: well under a second for 100,000 rows with three causes, standard errors included."""
    n = 100_000
    at, cause, cluster, group = invented(n, whole_seconds=whole_seconds)
    ours = took(lambda: event_curves(at, cause, n_causes=3))
    clustered = took(lambda: event_curves(at, cause, n_causes=3, cluster=cluster, entry=at * 0.3))
    gray = took(lambda: gray_test(at, cause, group, which=1))
    print(
        f"\n{n:,} rows, {np.unique(at).size:,} times: curves {1e3 * ours:.0f} ms, with clusters and entry "
        f"{1e3 * clustered:.0f} ms, Gray's test {1e3 * gray:.0f} ms"
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        theirs = took(lambda: CumIncidenceRight(at, cause))
    print(f"statsmodels CumIncidenceRight {1e3 * theirs:.0f} ms, ratio {theirs / ours:.1f}")
    # lifelines handles one cause at a time, without a variance here
    few = slice(0, 10_000)
    short = took(lambda: event_curves(at[few], cause[few], n_causes=3))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it moves tied times at random and says so
        theirs = once(lambda: AalenJohansenFitter(calculate_variance=False, seed=1).fit(at[few], cause[few], 1))
    print(
        f"lifelines AalenJohansenFitter, 10,000 rows, one cause, no variance {theirs:.2f} s, ratio {theirs / short:.0f}"
    )
    if shutil.which("Rscript"):
        path, script = tmp_path / "rows.csv", tmp_path / "speed.R"
        table = np.column_stack([at, cause, group])
        np.savetxt(path, table, delimiter=",", header="time,cause,group", comments="", fmt="%.9f,%d,%d")
        script.write_text(R_SCRIPT, encoding="utf-8")
        done = subprocess.run(["Rscript", str(script), str(path)], capture_output=True, text=True, check=True)
        survfit, cuminc, cuminc_gray, km = (float(x) for x in done.stdout.split())
        single = took(lambda: event_curves(at, cause > 0, n_causes=1))
        print(
            f"R: survfit with states, no variance {survfit:.2f} s (ratio {survfit / ours:.1f}); cuminc {cuminc:.2f} s "
            f"({cuminc / ours:.1f}); with Gray's test of two groups {cuminc_gray:.2f} s; Kaplan-Meier {km:.2f} s "
            f"({km / single:.1f})"
        )
