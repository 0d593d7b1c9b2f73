"""The kept results of the reanalysis: the text is made of the tables, the tables hold, and the truth is found again."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from capstat.synthesis.reconstruction_setting import Effort

ANALYSES = Path(__file__).parents[2] / "analyses"


@pytest.fixture(scope="module")
def analysis():
    spec = importlib.util.spec_from_file_location("reanalysis", ANALYSES / "13_reanalysis_from_summaries.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules["reanalysis"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def kept():
    return pd.read_csv(ANALYSES / "reconstruction_2022.csv")


@pytest.fixture(scope="module")
def simulation():
    return pd.read_csv(ANALYSES / "reconstruction_simulation.csv")


def test_the_kept_text_is_what_the_script_writes(analysis, kept, simulation):
    assert analysis.text(kept, simulation) == analysis.TEXT.read_text(encoding="utf-8")


def test_the_kept_numbers_come_again_with_another_seed(analysis, kept):
    """Chains on another machine differ in their last digits and then altogether, so not byte for byte."""
    effort = Effort(chains=96, warm_up=60, draws=80)
    found = analysis.reconstruct_crossover(analysis.published_crossover_2022(), seed=5, effort=effort)
    for label, value in zip(kept["label"], [*(one.ratio for one in found.counts), found.ratio], strict=False):
        row = kept[kept["label"] == label].iloc[0]
        assert value.value == pytest.approx(row["value"], abs=0.02)
        assert value.upper == pytest.approx(row["upper"], abs=0.035)
        assert value.lower == pytest.approx(row["lower"], abs=0.06)
    for one, weight in zip(found.counts, kept["weight"], strict=False):
        assert one.weight == pytest.approx(weight, abs=0.15)
    other = kept.set_index("label")["value"]
    assert found.log_ratio == pytest.approx(other["log ratio"], abs=0.025)
    assert found.log_ratio_sd == pytest.approx(other["SD of the log ratio"], abs=0.03)
    assert other["R-hat of the log ratio"] < 1.1


def test_what_the_text_says_of_2022(kept):
    every = kept[kept["part"].isin(["counts", "all", "variant"])]
    assert len(every) == 3 + 2 + 7
    assert (every["upper"] < 1).all()
    assert (every["value"] < 93 / 126).all()
    assert (every["difference_value_ma"].dropna() > 33).all()
    assert kept.loc[kept["part"] == "counts", "weight"].sum() == pytest.approx(1, abs=0.011)


def test_kept_simulation_holds_the_truth(simulation):
    """Of 200 studies 95 % limits hold the truth in 91.5 to 98.5 % (three standard errors: 4.6), and fit their full data."""
    assert len(simulation) == 13
    assert (simulation["studies"] + simulation["without_result"] == 200).all()
    assert (simulation["studies"] >= 190).all()
    assert simulation["coverage_percent"].between(95 - 4.6, 100).all()
    moved = simulation[(simulation["design"] == "crossover") & (simulation["truth"] < 1)]
    assert (moved["bias_percent"].abs() < 2.5).all()
    assert (moved["bias_of_printed_percent"] > moved["bias_percent"].abs()).all()
    assert (simulation["sd_log_from_full_data"] < simulation["sd_log_of_full_data"]).loc[moved.index].all()


def test_simulated_studies_are_printed_as_a_paper_would(analysis):
    """By hand: four pairs, one of which captured in neither placement."""
    pairs = np.array([[40, 60], [90, 141], [141, 141], [100, 135], [80, 95]])
    printed = analysis.as_printed(pairs)
    low, high = stats.ttest_rel([60, 141, 135, 95], [40, 90, 100, 80]).confidence_interval()
    assert (printed.n_pairs, printed.n_neither, printed.counts[0].imputed) == (4, 1, (0, 1))
    assert (printed.first_mean_ma, printed.second_mean_ma, printed.difference_ma) == (78, 108, 30)
    assert (printed.difference_lower_ma, printed.difference_upper_ma) == (np.floor(low + 0.5), np.floor(high + 0.5))
    assert analysis.recorded(np.array([12.0, 40.0, 40.1, 45.0, 139.0, 140.0, 140.1])).tolist() == [
        40,
        40,
        45,
        45,
        140,
        140,
        141,
    ]


def test_a_few_studies_with_a_known_truth(analysis, monkeypatch):
    """Of 6 crossovers at most 2 miss 0.75, and each is near the censored analysis of its own recorded pairs."""
    monkeypatch.setattr(analysis, "QUICK", Effort(chains=24, warm_up=40, draws=40))
    scenario = analysis.SCENARIOS[0]
    assert (scenario.patients, scenario.ratio, scenario.not_captured) == (20, 0.75, 0.15)
    found = [analysis.simulate_study(scenario, 77, number) for number in range(6)]
    assert sum(one["lower"] <= 0.75 <= one["upper"] for one in found) >= 4
    far = np.log([one["value"] / one["full"] for one in found])
    assert np.abs(far).max() < 0.1
    assert np.sqrt((far**2).mean()) < 0.05


@pytest.mark.slow
@pytest.mark.parametrize("which", [2, 9, 12])
def test_coverage(analysis, which):
    """A crossover and two single groups, 60 studies of another seed: at least 85 % hold the truth."""
    row = analysis.simulate(analysis.SCENARIOS[which], 99, 60)
    assert row["without_result"] <= 3
    assert row["coverage_percent"] >= 85
