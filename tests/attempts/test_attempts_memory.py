"""What a million steps cost: run in a process of its own, so that the peak is its own."""

from __future__ import annotations

import json
import subprocess
import sys
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest

if TYPE_CHECKING:
    from pathlib import Path

MEASURE = """
import json, resource, sys, time
begin = time.perf_counter()
from capstat.attempts import read_study
from capstat.thresholds import MECHANICAL_CAPTURE, derive_thresholds
imported = time.perf_counter()
study = read_study(sys.argv[1])
read = time.perf_counter()
cells = derive_thresholds(study, capture=MECHANICAL_CAPTURE).cells()
try:
    # The peak of this process alone; the one of getrusage may be inherited from the process that started it.
    with open("/proc/self/status") as status:
        peak_kb = next(int(line.split()[1]) for line in status if line.startswith("VmHWM"))
except OSError:
    peak_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(json.dumps({
    "steps": len(study.steps),
    "import_s": imported - begin,
    "read_s": read - imported,
    "tabulate_s": time.perf_counter() - read,
    "cells": int(cells.count.size),
    "peak_mb": peak_kb / 1024,
}))
"""


def write_million_steps(folder: Path) -> None:
    attempts, settings = 100_000, 10
    rng = np.random.default_rng(20_240_101)
    codes = np.char.add("A", np.arange(attempts).astype(str))
    pd.DataFrame(
        {
            "attempt_id": codes,
            "patient_id": np.char.add("P", np.arange(attempts).astype(str)),
            "placement": rng.choice(["AP", "AL"], attempts),
            "max_output_ma": 130,
        }
    ).to_csv(folder / "attempts.csv", index=False)
    current = np.tile(np.arange(40, 140, 10), attempts)
    captured = current >= np.repeat(rng.normal(80, 15, attempts), settings)
    rows = attempts * settings
    pd.DataFrame(
        {
            "attempt_id": np.repeat(codes, settings),
            "step_order": np.tile(np.arange(1, settings + 1), attempts),
            "current_ma": current,
            "time_s": np.round(np.tile(np.arange(settings) * 5.0, attempts) + rng.random(rows), 6),
            "electrical_capture": np.where(captured, "yes", "no"),
            "mechanical_capture": np.where(captured & (rng.random(rows) < 0.8), "yes", "no"),
            "femoral_pulse": np.where(rng.random(rows) < 0.5, "yes", "no"),
            "etco2_rise_mmhg": rng.normal(5, 3, rows).round(1),
            "systolic_mmhg": rng.integers(60, 150, rows),
        }
    ).to_csv(folder / "steps.csv", index=False)


@pytest.mark.benchmark
def test_a_million_steps_are_read_checked_and_tabulated_in_less_than_a_gigabyte(tmp_path: Path) -> None:
    write_million_steps(tmp_path)
    done = subprocess.run([sys.executable, "-c", MEASURE, str(tmp_path)], capture_output=True, text=True, check=True)
    measured = json.loads(done.stdout)
    print("\n" + ", ".join(f"{name} {value:.4g}" for name, value in measured.items()))
    assert measured["steps"] == 1_000_000
    assert measured["peak_mb"] < 1024, measured
