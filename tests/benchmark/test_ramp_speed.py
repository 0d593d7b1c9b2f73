"""Speed of ramp policies, shown and never part of the plain run: pytest -m benchmark -s."""

from __future__ import annotations

import itertools
import os
import resource
import subprocess
import sys
import time

import numpy as np
import pytest
from scipy import stats

from capstat.distributions import LOGNORMAL
from capstat.protocol import Margin, MarginUnit, RampPolicy
from capstat.protocol.consequences import mean_consequences, policy_consequences
from capstat.protocol.simulate_policy import simulate_policy
from capstat.protocol.threshold_law import ModelLaw

pytestmark = pytest.mark.benchmark

DRAWS = 200


def law() -> ModelLaw:
    rng = np.random.default_rng(1)
    return ModelLaw(
        LOGNORMAL,
        np.log(85) + np.append(0, rng.normal(0, 0.02, DRAWS)),
        (np.log(0.26) + np.append(0, rng.normal(0, 0.05, DRAWS)))[:, None],
        np.append(0.97, np.clip(rng.normal(0.97, 0.01, DRAWS), 0.9, 1)),
        300, "everybody", "drawn",
    )  # fmt: skip


def policies() -> list[RampPolicy]:
    """A thousand rising ramps."""
    grid = itertools.product(
        (30, 35, 40, 45, 50, 55, 60, 70, 80, 90), (2, 3, 4, 5, 6, 7, 8, 10, 15, 20), (120, 140), (1, 2, 3, 5, 10)
    )
    return [RampPolicy(*one) for one in grid]


def thousand_policies() -> None:
    thresholds, ramps = law(), policies()
    begin = time.process_time()
    for ramp in ramps:
        mean_consequences(ramp, thresholds, discomfort_ma=70)
    means = time.process_time() - begin
    begin = time.process_time()
    for ramp in ramps[::10]:
        policy_consequences(ramp, thresholds, discomfort_ma=70)
    everything = time.process_time() - begin
    # the same masses alone, by the named library: scipy's distribution function, draw by draw
    begin = time.process_time()
    for ramp in ramps[::10]:
        edges = np.array(ramp.rising_settings())
        for k in range(DRAWS + 1):
            stats.lognorm(np.exp(thresholds.ancillary[k, 0]), scale=np.exp(thresholds.location[k])).cdf(edges)
    named = time.process_time() - begin
    print(
        f"{len(ramps)} policies with {DRAWS} draws: {means:.2f} s of processor time (target 2 s); everything about 100 of them "
        f"{everything:.2f} s; scipy's distribution functions of 100 alone {named:.2f} s (ratio {10 * named / means:.0f})"
    )


def ten_million_patients() -> None:
    ramp, n = RampPolicy(40, 5, 140, 1.0, margin=Margin(10, MarginUnit.PERCENT)), 10_000_000
    simulate_policy(ramp, law(), discomfort_ma=70, n=100_000, seed=1)
    begin = time.process_time()
    simulate_policy(ramp, law(), discomfort_ma=70, n=n, seed=1)
    took = time.process_time() - begin
    begin = time.process_time()
    draws = stats.lognorm(0.26, scale=85).rvs(n // 10, random_state=np.random.default_rng(1))
    np.searchsorted(np.array(ramp.rising_settings()), draws)
    named = 10 * (time.process_time() - begin)
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"{n:,} simulated patients: {took:.2f} s of processor time (target 1 s), {memory:.0f} MB at most (target 500); drawing and "
        f"placing them with scipy and numpy alone {named:.2f} s (ratio {named / took:.1f})"
    )


@pytest.mark.parametrize("name", ["thousand_policies", "ten_million_patients"])
def test_on_one_core(name):
    """In a process of its own whose linear algebra has one thread."""
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    code = f"import runpy; runpy.run_path({__file__!r})[{name!r}]()"
    done = subprocess.run(
        [sys.executable, "-B", "-c", code], capture_output=True, text=True, check=True, env=environment
    )
    print(done.stdout.strip())
