"""A registry in which the placement was chosen by body size, with known truth; and Lalonde's data as thresholds."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from capstat.thresholds import CensoredThresholds

AP, AL = "anterior-posterior", "anterior-lateral"
LALONDE = Path(__file__).parents[2] / "reference" / "s22_lalonde.csv"
Ramp = Callable[..., CensoredThresholds]


def registry(on_grid: Ramp, n: int, seed: int, *, bent: bool = False, bent_choice: bool = False) -> CensoredThresholds:
    """Larger patients get anterior-lateral pads and need more current; the ratio of thresholds is 0.82.

    ``bent`` makes log threshold quadratic in body mass index, ``bent_choice`` the log odds of the placement.
    """
    rng = np.random.default_rng(seed)
    bmi, arrest = rng.normal(27, 5, n), rng.random(n) < 0.3
    z = (bmi - 27) / 5
    logit = 0.2 - 0.9 * (0.7 * z**2 + z if bent_choice else z) + 0.3 * arrest
    first = rng.random(n) < 1 / (1 + np.exp(-logit))
    log_ma = np.log(80) + 0.15 * (z**2 + z if bent else z) + 0.1 * arrest + rng.normal(0, 0.2, n)
    true_ma = np.exp(log_ma) * np.where(first, 0.82, 1.0)
    return on_grid(
        true_ma, 20, 5, 400, patient=np.arange(n), placement=np.where(first, AP, AL),
        covariates=pd.DataFrame({"body_mass_index": bmi, "arrest": arrest}),
    )  # fmt: skip


@pytest.fixture
def chosen(on_grid: Ramp) -> Ramp:
    return partial(registry, on_grid)


def _true_difference(current_ma: float, *, bent: bool = False) -> float:
    rng = np.random.default_rng(123)
    n = 1_000_000
    z = rng.normal(size=n)
    log_ma = np.log(80) + 0.15 * (z**2 + z if bent else z) + 0.1 * (rng.random(n) < 0.3) + rng.normal(0, 0.2, n)
    return float((log_ma + np.log(0.82) <= np.log(current_ma)).mean() - (log_ma <= np.log(current_ma)).mean())


@pytest.fixture(scope="session")
def true_difference() -> Callable[..., float]:
    """Share captured had all had anterior-posterior pads minus had all had anterior-lateral ones: a large sample."""
    return _true_difference


@pytest.fixture
def lalonde() -> pd.DataFrame:
    return pd.read_csv(LALONDE)


@pytest.fixture
def lalonde_thresholds(lalonde: pd.DataFrame) -> CensoredThresholds:
    """Treatment as placement; the bounds are of no consequence."""
    n = len(lalonde)
    return CensoredThresholds.from_bounds(
        np.full(n, 50), np.full(n, 60), placement=np.where(lalonde["treat"] == 1, "treated", "control"),
        covariates=lalonde.drop(columns=["treat", "re78"]),
    )  # fmt: skip
