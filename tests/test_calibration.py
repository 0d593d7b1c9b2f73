"""Coverage of 95 % intervals in 2,000 simulated studies with known truth (pytest -m slow; results in DEVELOPERS.md)."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parent.parent / "analyses" / "02_coverage_study.py"


def load_study():
    spec = importlib.util.spec_from_file_location("coverage_study", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    sys.modules["coverage_study"] = module
    spec.loader.exec_module(module)
    return module


@pytest.mark.slow
@pytest.mark.parametrize(("n", "step"), [(60, 5.0), (60, 10.0), (300, 5.0)])
def test_model_intervals_cover_93_to_97_percent(n, step):
    rows = [row for row in load_study().coverage(n, step, studies=2000, seed=1) if row.name == "lognormal"]
    assert [row.fraction for row in rows] == [0.5, 0.9]
    for row in rows:
        assert 0.93 <= row.share <= 0.97, row


@pytest.mark.slow
def test_intervals_without_a_model_are_not_too_narrow():
    """They may be too wide, because nothing is identified inside a step; on a 1 mA grid hardly any more."""
    module = load_study()
    for n, step in ((20, 5.0), (60, 5.0), (60, 1.0)):
        for row in module.coverage(n, step, studies=2000, seed=1):
            if row.name == "nonparametric":
                assert row.share >= 0.93, row


def test_the_study_finds_the_truth_it_was_given():
    """A short run: enough to see a broken interval, not to measure coverage."""
    for row in load_study().coverage(60, 5.0, studies=60, seed=2, replicates=100):
        assert row.share > 0.8, row
