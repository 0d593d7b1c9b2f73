"""The whole observational comparison: the shipped registry with its known truth, and what happens when parts fail."""

from __future__ import annotations

import json
import time
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from capstat.attempts import read_study
from capstat.placement import first_attempt_of_each_patient
from capstat.placement.observational import observational_analysis
from capstat.results import NotEstimableError, UsageError
from capstat.thresholds import MECHANICAL_CAPTURE, CensoredThresholds, derive_thresholds

AP, AL = "anterior-posterior", "anterior-lateral"


@pytest.fixture(scope="module")
def registry(request):
    folder = request.getfixturevalue("shipped") / "registry"
    thresholds = derive_thresholds(read_study(folder), capture=MECHANICAL_CAPTURE)
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    return first_attempt_of_each_patient(thresholds), truth


@pytest.fixture(scope="module")
def result(registry):
    return observational_analysis(registry[0], AP, AL, currents_ma=(80.0, 100.0), replicates=200, seed=1)


def test_the_registry_gives_its_truth(registry, result):
    """truth.json of the generator: patients of the registry, had everybody had one placement."""
    truth = registry[1]
    ratio = truth["parameters"]["ratio_ap_to_al"]
    rows = {row.label: row.ratio for row in result.adjustment_sets.rows}
    assert rows["all confounders"].lower < ratio < rows["all confounders"].upper
    assert rows["unadjusted"].upper < ratio  # larger patients got anterior-lateral pads
    shares = [truth["population"][name]["if everybody had this placement"]["share_captured"] for name in (AP, AL)]
    for i, current in enumerate(("80 mA", "100 mA")):
        true_difference = shares[0][current] - shares[1][current]
        for found in (result.doubly_robust.differences[i], *(w.differences[i] for w in result.weighted)):
            assert found.lower < true_difference < found.upper
        for side, found in enumerate(result.doubly_robust.shares[i]):
            assert found.lower < shares[side][current] < found.upper


def test_the_naive_difference_is_off(registry):
    """Otherwise the adjustment of the test before would show nothing."""
    thresholds, truth = registry
    shares = [truth["population"][name]["if everybody had this placement"]["share_captured"] for name in (AP, AL)]
    first, captured = thresholds.placement == AP, thresholds.upper_ma <= 80
    naive = captured[first].mean() - captured[~first].mean()
    assert naive - (shares[0]["80 mA"] - shares[1]["80 mA"]) > 0.05


def test_what_was_used_and_what_not(result):
    assert result.confounders == ("age_years", "sex", "body_mass_index", "arrest", "conscious")
    assert dict(result.dropped) == {
        "setting": "the same in all 600 attempts that have it",
        "rhythm": "recorded in 0 of 600 attempts",
    }
    assert result.reasons == ()
    assert [e.quantity for e in result.e_values] == [
        "ratio of capture thresholds",
        "ratio of shares captured at 80 mA, doubly robust",
        "ratio of shares captured at 100 mA, doubly robust",
    ]
    before = {row.name: row.before for row in result.balance.rows}
    assert before["body_mass_index"] < -0.5
    assert result.overlap.notes == ()


def test_nothing_is_called_an_effect(result):
    texts = [e.meaning for e in result.e_values] + list(result.balance.notes)
    texts += [row.ratio.quantity + row.ratio.method for row in result.adjustment_sets.rows]
    texts += [d.quantity + d.method for w in result.weighted for d in w.differences]
    texts += [d.quantity + d.method for d in result.doubly_robust.differences]
    assert not any("effect " in text or "causal" in text for text in texts)


def test_same_seed_same_result(registry, result):
    again = observational_analysis(registry[0], AP, AL, currents_ma=(80.0, 100.0), replicates=200, seed=1)
    for one, two in zip(result.weighted, again.weighted, strict=True):
        assert one.differences == two.differences
        assert one.curves[0].band_upper.tobytes() == two.curves[0].band_upper.tobytes()
    assert again.e_values == result.e_values


def test_separation_leaves_the_rest(chosen):
    """A service that always places the pads one way: no score, but the regressions still answer."""
    thresholds = chosen(200, 1)
    service = np.where(thresholds.placement == AP, np.where(np.arange(200) % 2, "east", "west"), "west")
    thresholds = replace(thresholds, covariates=thresholds.covariates.assign(service=service))
    found = observational_analysis(thresholds, AP, AL, confounders=("body_mass_index", "service"), seed=1)
    assert found.propensity is found.overlap is found.balance is found.doubly_robust is None
    assert found.weighted == ()
    assert "'service' only one of the placements" in found.reasons[0]
    assert found.adjustment_sets.fully_adjusted.ratio.value is not None
    assert len(found.e_values) == 1


def test_several_attempts_and_other_placements(chosen):
    thresholds = replace(chosen(240, 2), patient=np.arange(240) // 2)
    placement = thresholds.placement.copy()
    placement[:20] = "other"
    found = observational_analysis(replace(thresholds, placement=placement), AP, AL, replicates=100, seed=1)
    assert found.adjustment_sets.n_total == 220
    assert found.doubly_robust.differences[0].n == 110
    assert found.propensity.method.endswith("clustered by patient")
    # age, sex and the rest were not recorded in this study
    assert found.confounders == ("body_mass_index", "arrest")
    assert len(found.dropped) == 5


def test_nothing_to_adjust_for(chosen):
    found = observational_analysis(chosen(150, 3), AP, AL, confounders=(), replicates=100, seed=1)
    assert found.propensity is found.balance is found.overlap is found.doubly_robust is None
    assert [row.label for row in found.adjustment_sets.rows] == ["unadjusted"]
    assert any("nothing to weight or balance by" in reason for reason in found.reasons)


def test_no_capture_in_any_attempt():
    thresholds = CensoredThresholds.from_bounds(
        [100] * 40, [np.inf] * 40, placement=[AP, AL] * 20, covariates=pd.DataFrame({"age_years": np.arange(40) // 2})
    )
    found = observational_analysis(thresholds, AP, AL, replicates=50, seed=1)
    assert found.doubly_robust is None
    assert any("No attempt captured" in reason for reason in found.reasons)
    assert found.e_values == ()
    assert found.weighted[0].differences[0].value == 0
    assert found.weighted[0].differences[0].lower < 0 < found.weighted[0].differences[0].upper


def test_refusals(chosen):
    thresholds = chosen(50, 1)
    with pytest.raises(UsageError, match="'sedation' is not known before the pads are placed"):
        observational_analysis(thresholds, AP, AL, confounders=("sedation",), seed=1)
    with pytest.raises(NotEstimableError, match="no attempt with other placement"):
        observational_analysis(thresholds, AP, "other", seed=1)


@pytest.mark.benchmark
def test_speed(registry, capsys):
    """600 patients, 300 replicates that refit the score; printed, no assertion."""
    begin = time.perf_counter()
    observational_analysis(registry[0], AP, AL, replicates=300, seed=1)
    with capsys.disabled():
        print(f"\nobservational analysis of 600 patients: {time.perf_counter() - begin:.2f} s")  # noqa: T201
