"""The recorded reanalysis of the published crossover: against the analysis beside it, another seed, and itself."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from capstat.results import UsageError
from capstat.synthesis.evidence_file import published_evidence
from capstat.synthesis.reconstruction_setting import Effort
from capstat.synthesis.recorded_crossover import CROSSOVER_ARM, SHARES, crossover_record, recorded_crossover
from capstat.synthesis.reported_crossover import published_crossover_2022

ANALYSES = Path(__file__).parents[2] / "analyses"


def test_the_record_is_of_the_study_in_the_table():
    """Means, maximum and imputed current as in the evidence table, the published numbers as reported."""
    found, arm = recorded_crossover(), published_evidence().arm(CROSSOVER_ARM)
    other = published_evidence().arm(arm.compared_with)
    assert (found.first_mean_ma, found.second_mean_ma) == (arm.mean_ma, other.mean_ma)
    assert (found.maximum_ma, found.imputed_as_ma) == (arm.max_output_ma, other.imputed_as_ma)
    assert found.n_pairs == arm.n_pairs
    # none of the first, 5 to 7 of the second (derived in analyses/06_published_crossover.md)
    assert found.put_in == ((0,), (5, 6, 7))
    assert found.printed_ratio == pytest.approx(93 / 126)
    assert found.ratio.n == 20


def test_the_record_agrees_with_the_analysis_beside_it():
    """reconstruction_2022.csv comes from other chains of another length."""
    found = recorded_crossover()
    data = pd.read_csv(ANALYSES / "reconstruction_2022.csv")
    (whole,) = data[(data["part"] == "all") & data["difference_value_ma"].notna()].to_dict("records")
    assert (found.ratio.value, found.ratio.lower, found.ratio.upper) == pytest.approx(
        (whole["value"], whole["lower"], whole["upper"]), abs=0.02
    )
    variants = data[data["part"] == "variant"].set_index("label")
    recorded = {row.assumption: row for row in found.rows}
    assert set(variants.index) <= set(recorded)
    for name, row in variants.iterrows():
        assert recorded[name].ratio.value == pytest.approx(row["value"], abs=0.02)
        assert recorded[name].ratio.upper == pytest.approx(row["upper"], abs=0.02)
    weights = [row.probability for row in found.rows if row.probability is not None]
    assert sum(weights) == pytest.approx(1, abs=0.002)
    assert weights == pytest.approx(data[data["part"] == "counts"]["weight"].tolist(), abs=0.06)


def test_limits_of_other_levels_come_from_the_same_quantiles():
    wide, usual, narrow = (recorded_crossover(level).ratio for level in (0.99, 0.95, 0.8))
    assert wide.value == usual.value == narrow.value
    assert wide.lower < usual.lower < narrow.lower < usual.value < narrow.upper < usual.upper < wide.upper
    # mean and SD of the logarithm, which pooling uses, belong to the same posterior
    found = recorded_crossover()
    assert found.log_ratio == pytest.approx(np.log(usual.value), abs=0.05)
    assert found.log_ratio_sd == pytest.approx(np.log(usual.upper / usual.lower) / 3.92, rel=0.1)
    for level in (0.995, 0.0, 1.0):
        with pytest.raises(UsageError, match="recorded up to a level of 99 %"):
            recorded_crossover(level)


def test_medians_belong_to_the_ratio():
    found = recorded_crossover()
    first, second = (median.value for median in found.medians)
    assert first / second == pytest.approx(found.ratio.value, abs=0.03)
    assert second - first == pytest.approx(found.difference.value, abs=5)
    # half of the patients paced with the second placement were not captured at 140 mA: 11 of 19
    assert second > found.maximum_ma


@pytest.mark.slow
def test_another_seed_gives_the_record_again():
    again = crossover_record(published_crossover_2022(), seed=7, effort=Effort(chains=48, warm_up=300, draws=1500))
    found = recorded_crossover()
    assert [row["assumption"] for row in again["rows"]] == [row.assumption for row in found.rows]
    middle = int(np.flatnonzero(np.isclose(SHARES, 0.5))[0])
    for row, recorded in zip(again["rows"], found.rows, strict=True):
        assert row["ratio"][middle] == pytest.approx(recorded.ratio.value, abs=0.02)
