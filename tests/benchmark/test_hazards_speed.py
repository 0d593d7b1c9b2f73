"""Speed of hazards regressions, shown and never part of the plain run: pytest -m benchmark -s."""

from __future__ import annotations

import shutil
import subprocess
import time
import warnings

import numpy as np
import pandas as pd
import pytest
from lifelines import CoxPHFitter

from capstat.numerics.hazards import fit_hazards
from capstat.numerics.hazards_predict import standardised_incidence
from capstat.numerics.subdistribution import fit_subdistribution

pytestmark = pytest.mark.benchmark

# crr is quadratic in the rows: 5,000 of them; finegray expands every row with another cause: 5,000 too
R_SCRIPT = """
suppressMessages({library(survival); library(cmprsk); library(mets)})
d <- read.csv(commandArgs(TRUE)[1]); s <- head(d, 5000)
took <- function(...) cat(system.time(...)[["elapsed"]], "")
took(coxph(Surv(time, cause == 1) ~ a + b + c, d))
took(crr(s$time, s$cause, s[, c("a", "b", "c")]))
took({g <- finegray(Surv(time, factor(cause, 0:2)) ~ ., s, etype = "1")
      coxph(Surv(fgstart, fgstop, fgstatus) ~ a + b + c, g, weights = fgwt, ties = "breslow")})
took(cifreg(Event(time, cause) ~ a + b + c, d, propodds = NULL, cause = 1))
"""


def took(call, repeats=3) -> float:
    """Best of a few, s."""
    best = np.inf
    for _ in range(repeats):
        begin = time.perf_counter()
        call()
        best = min(best, time.perf_counter() - begin)
    return best


def invented(n: int, *, whole_seconds: bool) -> pd.DataFrame:
    """Two causes and ends of follow-up, up to one hour, three columns."""
    rng = np.random.default_rng(1)
    design = rng.normal(size=(n, 3))
    at = np.minimum(rng.exponential(1200, n) * np.exp(-0.3 * design[:, 0]), 3600.0)
    cause = np.where(at < 3600, rng.integers(0, 3, n), 0)
    at = np.ceil(at) if whole_seconds else at
    return pd.DataFrame(design, columns=["a", "b", "c"]).assign(time=at, cause=cause)


@pytest.mark.parametrize("whole_seconds", [True, False])
def test_hundred_thousand_rows(whole_seconds, tmp_path):
    """Cox and Fine-Gray on 100,000 rows; the slow ones of R on the first 5,000."""
    frame = invented(100_000, whole_seconds=whole_seconds)
    design = frame[["a", "b", "c"]].to_numpy()
    at, cause = frame["time"].to_numpy(), frame["cause"].to_numpy()
    few = slice(0, 5000)
    person = np.arange(100_000) // 3
    ours = {
        "cox": took(lambda: fit_hazards(at, cause == 1, design)),
        "cox clustered": took(lambda: fit_hazards(at, cause == 1, design, cluster=person)),
        "fine-gray": took(lambda: fit_subdistribution(at, cause, design)),
        "fine-gray 5,000": took(lambda: fit_subdistribution(at[few], cause[few], design[few])),
    }
    print(f"\n100,000 rows, {'whole seconds' if whole_seconds else 'continuous times'}")
    print("; ".join(f"{name} {value:.3f} s" for name, value in ours.items()))
    event = frame.assign(event=frame["cause"] == 1).drop(columns="cause")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        other = took(lambda: CoxPHFitter().fit(event, "time", "event"), repeats=1)
    print(f"lifelines CoxPHFitter {other:.2f} s: {other / ours['cox']:.0f} times ours")
    if shutil.which("Rscript"):
        table, script = tmp_path / "rows.csv", tmp_path / "speed.R"
        frame.to_csv(table, index=False)
        script.write_text(R_SCRIPT, encoding="utf-8")
        answer = subprocess.run(["Rscript", script, table], check=True, capture_output=True, text=True).stdout
        names = ["coxph", "crr on 5,000", "finegray and coxph on 5,000", "mets cifreg"]
        base = ["cox", "fine-gray 5,000", "fine-gray 5,000", "fine-gray"]
        for name, value, mine in zip(names, map(float, answer.split()), base, strict=True):
            print(f"{name} {value:.2f} s: {value / ours[mine]:.1f} times ours")
    assert max(ours.values()) < 2


def test_replicates():
    """300 resamples of 600 rows, 6 columns, 2 causes, each fitted and standardised to both values of a column."""
    rng = np.random.default_rng(2)
    n = 600
    design = np.column_stack([rng.integers(0, 2, n), rng.normal(size=(n, 5))])
    at, cause = rng.exponential(300, n), rng.integers(0, 3, n)
    fits = [fit_hazards(at, cause == k, design) for k in (1, 2)]
    counts = rng.multinomial(n, np.ones(n) / n, 300)
    sides = [np.column_stack([np.full(n, value), design[:, 1:]]) for value in (0, 1)]

    def refitted(count):
        return [fit_hazards(at, cause == k, design, weight=count, start=fits[k - 1].coefficients) for k in (1, 2)]

    def standardised(count):
        again = refitted(count)
        return [standardised_incidence(again, [side, side], [30, 60, 120], count) for side in sides]

    fitting = took(lambda: [refitted(count) for count in counts], repeats=2)
    whole = took(lambda: [standardised(count) for count in counts], repeats=2)
    print(f"\n300 replicates: fits {fitting:.2f} s; fits and standardised incidences {whole:.2f} s")
    one = event_frame(at, cause, design)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        other = took(lambda: CoxPHFitter().fit(one, "time", "event"))
    print(f"lifelines CoxPHFitter, 600 fits: about {600 * other:.1f} s, {600 * other / fitting:.0f} times ours")
    assert fitting < 3


def event_frame(at, cause, design):
    return pd.DataFrame(design, columns=list("abcdef")).assign(time=at, event=cause == 1)
