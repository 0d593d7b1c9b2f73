"""What all tests share: reference numbers from outside the project, and small makers of thresholds."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from capstat.thresholds import CensoredThresholds

REFERENCE = Path(__file__).parent / "reference"
ROOT = Path(__file__).parent.parent


class ReferenceCase:
    """A recorded case: its data, and a comparison with its expected values by their own tolerances."""

    def __init__(self, name: str) -> None:
        (path,) = REFERENCE.glob(f"{name}_*.json")
        self.case = json.loads(path.read_text(encoding="utf-8"))
        self.data = self.case["data"]
        self.expected = {entry["key"]: entry for entry in self.case["expected"]}

    def check(self, key: str, got: Any) -> None:
        entry = self.expected[key]
        value = np.asarray(entry["value"], dtype=float)
        np.testing.assert_allclose(
            np.asarray(got, dtype=float), value, rtol=entry["rtol"], atol=entry["atol"], err_msg=key
        )

    def intervals(self, name: str) -> np.ndarray:
        return np.array([[float(value) for value in row] for row in self.data[name]])


@pytest.fixture
def reference() -> Callable[[str], ReferenceCase]:
    return ReferenceCase


def grid_thresholds(
    true_ma: np.ndarray, start: float, step: float, maximum: float, **others: Any
) -> CensoredThresholds:
    """Intervals that a rising ramp would have shown for the true thresholds."""
    rises = np.maximum(np.ceil((true_ma - start) / step - 1e-9), 0)
    upper = start + rises * step
    lower = np.where(rises == 0, 0.0, upper - step)
    top = start + np.floor((maximum - start) / step + 1e-9) * step
    beyond = upper > top
    return CensoredThresholds.from_bounds(np.where(beyond, top, lower), np.where(beyond, np.inf, upper), **others)


@pytest.fixture
def on_grid() -> Callable[..., CensoredThresholds]:
    return grid_thresholds


@pytest.fixture(scope="session")
def shipped() -> Path:
    return ROOT / "synthetic_data"
