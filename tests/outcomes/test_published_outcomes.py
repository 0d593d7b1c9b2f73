"""Published survival as worked examples: the kept text is what the script prints, and its numbers come out by hand."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

ANALYSES = Path(__file__).parents[2] / "analyses"
KEPT = ANALYSES / "16_published_outcomes.md"


def test_the_kept_text_is_what_the_script_prints():
    script = ANALYSES / "16_published_outcomes.py"
    printed = subprocess.run([sys.executable, str(script)], check=True, capture_output=True, encoding="utf-8").stdout
    assert printed == KEPT.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("first", "minus", "printed"),
    [
        ((29, 42), (28, 40), "+18.5, Newcombe"),
        ((11, 278), (5, 259), "+5.2, Newcombe"),
        ((6, 8), (5, 29), "+78.0, Newcombe"),
    ],
)
def test_upper_limits_of_differences_by_hand(first, minus, printed):
    # Newcombe 1998, method 10, written out with statsmodels' Wilson limits
    p1, p2 = first[0] / first[1], minus[0] / minus[1]
    upper_1 = proportion_confint(*first, method="wilson")[1]
    lower_2 = proportion_confint(*minus, method="wilson")[0]
    upper = p1 - p2 + ((upper_1 - p1) ** 2 + (p2 - lower_2) ** 2) ** 0.5
    assert f"{100 * upper:+.1f}, Newcombe" == printed
    assert printed in KEPT.read_text(encoding="utf-8")


def test_fisher_of_responders_by_scipy():
    assert f"Fisher p = {stats.fisher_exact([[6, 2], [5, 24]])[1]:.3g}" in KEPT.read_text(encoding="utf-8")
