"""Speed of thresholds corrected for misjudged capture, shown and never part of the plain run: pytest -m benchmark -s."""

from __future__ import annotations

import os
import subprocess
import sys
import time

import numpy as np
import pytest
from lifelines import KaplanMeierFitter
from scipy import optimize

from capstat.capture.corrected import correct_thresholds
from capstat.capture.corrected_npmle import fit_misjudged, maximise_cells, threshold_cells
from capstat.capture.estimated_errors import ErrorModel
from capstat.capture.judged_ramps import JudgedRamps
from capstat.capture.judgement_errors import JudgementErrors
from capstat.capture.judgement_table import tabulate_ramps

PERFECT_JUDGEMENT = JudgementErrors(1.0, 1.0)

pytestmark = pytest.mark.benchmark

ERRORS = JudgementErrors(0.95, 0.97)
MODELS = {
    "errors given": ErrorModel(0.95, 0.97),
    "both errors estimated": ErrorModel(),
    "errors and their slope estimated": ErrorModel(varies_with_current=True),
}


def simulated(n: int, settings: int, *, shifted: bool = False) -> JudgedRamps:
    """Ramps from 40 to 140 mA in so many settings, up to the first claim; a quarter reviewed at every setting tested.

    Shifted ones begin anywhere from 40 to 50 mA, in tenths: nearly no two have the same settings.
    """
    rng = np.random.default_rng(1)
    shift = rng.integers(0, 100, n) / 10 if shifted else np.zeros(n)
    currents = np.linspace(40.0, 140.0, settings) + shift[:, None]
    captured = (80 * np.exp(rng.normal(0, 0.26, n)))[:, None] <= currents
    claimed = rng.random(captured.shape) < np.where(
        captured, ERRORS.sensitivity, ERRORS.false_claim_probability(currents)
    )
    tested = np.cumsum(claimed, axis=1) - claimed == 0
    row, column = np.nonzero(tested)
    truth = np.where((rng.random(n) < 0.25)[:, None], captured, -1)
    return JudgedRamps.from_arrays(row, currents[row, column], claimed[tested], truth[tested])


def corrected(n: int, settings: int, model: str, replicates: int, shifted: bool = False) -> None:
    """Print the processor time of a corrected estimate."""
    ramps = simulated(n, settings, shifted=shifted)
    begin = time.process_time()
    table = tabulate_ramps(ramps)
    tabulated = time.process_time() - begin
    begin = time.process_time()
    found = correct_thresholds(
        ramps, MODELS[model], label="all", currents_ma=(60, 80, 100, 120), replicates=replicates, seed=1
    )  # fmt: skip
    whole = time.process_time() - begin
    print(
        f"{n:,} ramps, {table.allowed.shape[1]} cells, {table.allowed.shape[0]} distinct, {model}, {replicates:,} replicates "
        f"({found.left_out} left out): {whole:.2f} s of processor time, of which tabulating {1e3 * tabulated:.0f} ms"
    )


def on_one_core(name: str, *arguments: object) -> str:
    """Run a function of this file in a process of its own whose linear algebra has one thread."""
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    code = f"import runpy; runpy.run_path({__file__!r})[{name!r}](*{arguments!r})"
    done = subprocess.run(
        [sys.executable, "-B", "-c", code], capture_output=True, text=True, check=True, env=environment
    )
    return done.stdout.strip()


@pytest.mark.parametrize("model", MODELS)
def test_corrected_estimate_with_a_thousand_replicates(model):
    """Target: 20 s of processor time on one core for 2,000 ramps of 10 settings."""
    print("\n" + on_one_core("corrected", 2_000, 10, model, 1_000))


@pytest.mark.parametrize("model", list(MODELS)[:2])
def test_growth_with_ramps(model):
    """Ramps on a device's grid repeat: time grows with the distinct ones."""
    for n in (200, 2_000, 20_000):
        print("\n" + on_one_core("corrected", n, 10, model, 100), end="")


@pytest.mark.parametrize("model", list(MODELS)[:2])
def test_growth_with_cells(model):
    for settings in (10, 30, 100):
        print("\n" + on_one_core("corrected", 2_000, settings, model, 100), end="")


@pytest.mark.parametrize("model", list(MODELS)[:2])
def test_ramps_of_which_no_two_are_alike(model):
    """Little can be tabulated together: about 900 cells and 1,000 distinct ramps."""
    print("\n" + on_one_core("corrected", 2_000, 10, model, 10, True))


def slsqp(matrix: np.ndarray, weights: np.ndarray) -> optimize.OptimizeResult:
    """The same concave problem for a general optimiser: masses in [0, 1] that sum to 1."""
    k, total = matrix.shape[1], weights.sum()

    def minus(mass: np.ndarray) -> tuple[float, np.ndarray]:
        mixed = np.maximum(matrix @ mass, 1e-300)
        return -float(weights @ np.log(mixed)) / total, -((weights / mixed) @ matrix) / total

    return optimize.minimize(
        minus, np.full(k, 1 / k), jac=True, method="SLSQP", bounds=[(0, 1)] * k,
        constraints={"type": "eq", "fun": lambda mass: mass.sum() - 1, "jac": lambda mass: np.ones(k)},
        options={"ftol": 1e-12, "maxiter": 1_000},
    )  # fmt: skip


def against_slsqp(settings: int) -> None:
    """Print the times of one fit for given errors, after tabulation."""
    table = tabulate_ramps(simulated(2_000, settings).without_reference())
    likelihood = table.likelihood(ERRORS)
    cells = threshold_cells(table, likelihood.matrix, drop_dominated=True)
    matrix = np.ascontiguousarray(likelihood.matrix[:, cells.first])
    begin = time.process_time()
    for _ in range(20):
        ours = maximise_cells(matrix, table.count)
    took = (time.process_time() - begin) / 20
    begin = time.process_time()
    theirs = slsqp(matrix, table.count)
    slow = time.process_time() - begin
    lead = ours.log_likelihood + theirs.fun * table.count.sum()
    print(
        f"masses of {matrix.shape[1]} cells from {matrix.shape[0]} distinct ramps: {1e3 * took:.2f} ms (gap {ours.gap:.0e}), "
        f"scipy SLSQP {1e3 * slow:.1f} ms ({theirs.message}), ratio {slow / took:.0f}; likelihood higher by {lead:.1e}"
    )
    assert lead > -1e-6


@pytest.mark.parametrize("settings", [10, 30, 100])
def test_masses_against_slsqp(settings):
    """scipy's SLSQP on the same matrix, to a like precision."""
    print("\n" + on_one_core("against_slsqp", settings))


def against_lifelines(n: int) -> None:
    """Print the times of both, tabulation included."""
    ramps = simulated(n, 10).without_reference()
    claimed = ramps.as_claimed()
    begin = time.process_time()
    fit_misjudged(tabulate_ramps(ramps), PERFECT_JUDGEMENT, n)
    ours = time.process_time() - begin
    begin = time.process_time()
    KaplanMeierFitter().fit_interval_censoring(claimed.lower_ma, claimed.upper_ma)
    theirs = time.process_time() - begin
    print(
        f"perfect judgement, {n:,} ramps: {1e3 * ours:.0f} ms from judgements to curve, lifelines {1e3 * theirs:.0f} ms, "
        f"ratio {theirs / ours:.0f}"
    )


@pytest.mark.parametrize("n", [2_000, 20_000])
def test_perfect_judgement_against_lifelines(n):
    """Never-wrong judgements make it interval censoring, which lifelines fits too."""
    print("\n" + on_one_core("against_lifelines", n))
