"""Invented studies: valid, repeatable, and their truth is found again."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from capstat.attempts import read_study, study_from_frames
from capstat.distributions import fit_npmle
from capstat.output import OUTPUT_MARKER
from capstat.placement import (
    ANTERIOR_LATERAL,
    ANTERIOR_POSTERIOR,
    Assignment,
    compare_placements,
    first_attempt_of_each_patient,
)
from capstat.protocol import RampPolicy
from capstat.synthetic import (
    Thresholds,
    clean_files,
    messy_files,
    simulate_crossover,
    simulate_registry,
    simulate_repeated_checks,
    simulate_steps,
)
from capstat.thresholds import MECHANICAL_CAPTURE, derive_thresholds

SHIPPED_SEED = 20261125


def study_of(synthetic):
    return study_from_frames(synthetic.attempts, synthetic.steps, synthetic.patients)


def written(tmp_path, files):
    for name, data in files.items():
        (tmp_path / name).write_bytes(data)
    return tmp_path


def test_simulated_ramps_by_hand():
    """Threshold 57: up 40, 50, 60 (captures), one step of margin, then down by 4 until it is lost."""
    truth = Thresholds(np.array([52.0]), np.array([57.0]), np.array([np.inf]), np.array([False]))
    steps = simulate_steps(truth, [RampPolicy(40, 10, 140, 2.0, 4.0)], ["A"])
    assert steps["current_ma"].tolist() == [40, 50, 60, 70, 56]
    assert steps["electrical_capture"].tolist() == ["no", "no", "yes", "yes", "yes"]
    assert steps["mechanical_capture"].tolist() == ["", "", "yes", "yes", "no"]
    assert steps["time_s"].tolist() == [0, 2, 4, 6, 8]


def test_published_ramp_takes_the_published_time():
    """40 mA, +5 mA each second: 140 mA is reached after 20 s (derived from the published protocol of 2022)."""
    truth = Thresholds(*(np.array([np.inf]) for _ in range(3)), np.array([False]))
    steps = simulate_steps(truth, [RampPolicy(40, 5, 140, 1.0)], ["A"])
    assert (steps["time_s"].iloc[-1], steps["current_ma"].iloc[-1]) == (20, 140)


@pytest.mark.parametrize("make", [simulate_registry, simulate_crossover, simulate_repeated_checks])
def test_simulated_studies_pass_the_check(make):
    synthetic = make(n_patients=60, seed=5)
    study = study_of(synthetic)
    assert not [finding for finding in study.findings if finding.severity == "error"]
    assert (study.attempts["data_origin"].astype(str) == "synthetic").all()
    assert study.attempts["patient_id"].str.startswith("SYN-").all()
    assert (study.patients["age_years"] <= 90).all()


@pytest.mark.parametrize("make", [simulate_registry, simulate_crossover, simulate_repeated_checks])
def test_same_seed_same_bytes(make):
    assert clean_files(make(n_patients=20, seed=3)) == clean_files(make(n_patients=20, seed=3))
    assert clean_files(make(n_patients=20, seed=3)) != clean_files(make(n_patients=20, seed=4))


def test_crossover_needs_patients():
    with pytest.raises(ValueError, match="at least 4"):
        simulate_crossover(n_patients=3, seed=1)


@pytest.mark.parametrize("folder", ["registry", "crossover", "messy_export", "repeated_checks"])
def test_shipped_files_are_what_the_generator_makes(folder, shipped):
    files = {
        "registry": lambda: clean_files(simulate_registry(seed=SHIPPED_SEED)),
        "crossover": lambda: clean_files(simulate_crossover(seed=SHIPPED_SEED)),
        "repeated_checks": lambda: clean_files(simulate_repeated_checks(seed=SHIPPED_SEED)),
        "messy_export": lambda: messy_files(simulate_registry(seed=SHIPPED_SEED), SHIPPED_SEED),
    }[folder]()
    on_disk = {p.name: p.read_bytes() for p in (shipped / folder).iterdir() if p.name != OUTPUT_MARKER}
    assert on_disk.keys() == files.keys()
    for name, data in files.items():
        assert on_disk[name] == data, name


def test_messy_export_gives_the_clean_thresholds(shipped):
    clean = derive_thresholds(read_study(shipped / "registry"), capture=MECHANICAL_CAPTURE)
    messy_study = read_study(shipped / "messy_export" / "export.csv", shipped / "messy_export" / "mapping.toml")
    messy = derive_thresholds(messy_study, capture=MECHANICAL_CAPTURE)
    np.testing.assert_array_equal(messy.lower_ma, clean.lower_ma)
    np.testing.assert_array_equal(messy.upper_ma, clean.upper_ma)
    np.testing.assert_array_equal(messy.placement, clean.placement)
    np.testing.assert_array_equal(messy.patient, clean.patient)
    np.testing.assert_allclose(messy.covariates["body_mass_index"], clean.covariates["body_mass_index"])


def test_every_shipped_file_is_labelled(shipped):
    for path in shipped.rglob("*.*"):
        if path.name.startswith("."):
            continue
        text = path.read_bytes().decode("cp1252" if path.name == "export.csv" else "utf-8").lower()
        assert "syn-" in text or "synthetic" in text, path


def test_truth_is_found_again_in_the_shipped_registry(shipped):
    """Association adjusted for body size: the interval holds the true ratio; the plain one does not."""
    thresholds = derive_thresholds(read_study(shipped / "registry"), capture=MECHANICAL_CAPTURE)
    result = compare_placements(thresholds, seed=1, replicates=100)
    assert result.ratio.lower < 0.82 < result.ratio.upper
    assert result.unpaired_ratio.unadjusted.upper < 0.82


def test_truth_is_found_again_in_the_shipped_crossover(shipped):
    thresholds = derive_thresholds(read_study(shipped / "crossover"), capture=MECHANICAL_CAPTURE)
    result = compare_placements(thresholds, seed=1, replicates=100)
    assert result.paired
    assert result.assignment is Assignment.RANDOMISED
    assert result.ratio.lower < 0.72 < result.ratio.upper


def test_repeated_checks_need_a_patient():
    with pytest.raises(ValueError, match="at least 1"):
        simulate_repeated_checks(n_patients=0, seed=1)


def test_repeated_checks_share_one_clock():
    """Settings of a check begin with its first pulse and end before the next check; first pulses are near their time."""
    synthetic = simulate_repeated_checks(n_patients=40, seed=3)
    attempts, steps = synthetic.attempts, synthetic.steps
    began = steps.groupby("attempt_id")["time_s"].min()
    assert began[attempts["attempt_id"]].tolist() == attempts["pacing_start_s"].tolist()
    following = attempts.groupby("patient_id")["pacing_start_s"].shift(-1)
    assert (attempts["pacing_end_s"] < following)[following.notna()].all()
    plan = np.array([0, 10, 20, 30, 45, 60])
    assert np.abs(attempts["pacing_start_s"].to_numpy()[:, None] / 60 - plan).min(axis=1).max() <= 1.01
    assert 0.8 < len(attempts) / (40 * 6) < 1


def test_truth_of_repeated_checks_in_many_patients():
    """4,000 patients, their thresholds between the settings: spread at the start and change over 30 minutes as set."""
    synthetic = simulate_repeated_checks(n_patients=4000, seed=8)
    thresholds = derive_thresholds(study_of(synthetic), capture=MECHANICAL_CAPTURE)
    table = synthetic.attempts[["patient_id", "pacing_start_s"]].assign(
        log=np.log(np.where(np.isfinite(thresholds.upper_ma), thresholds.upper_ma - 2.5, np.nan)),
        check=lambda t: np.abs(t["pacing_start_s"].to_numpy()[:, None] / 60 - [0, 10, 20, 30, 45, 60]).argmin(axis=1),
    )
    wide = table.pivot_table(index="patient_id", columns="check", values="log")
    # middles of cells of 5 mA at about 85 mA add 5 / 85 / sqrt(12) to each check
    rounding = 2 * (5 / 85) ** 2 / 12
    assert (wide[3] - wide[0]).var() - rounding == pytest.approx(0.08**2, rel=0.1)
    assert (wide[5] - wide[0]).var() - rounding == pytest.approx(2 * 0.08**2, rel=0.1)
    assert wide[0].std() == pytest.approx(0.25, rel=0.05)
    assert np.exp(wide[0].mean()) == pytest.approx(85, rel=0.02)


def test_large_crossovers_find_every_parameter():
    """3,000 patients: ratio, medians and both spreads within three standard errors or two per cent."""
    synthetic = simulate_crossover(n_patients=3000, seed=9)
    thresholds = derive_thresholds(study_of(synthetic), capture=MECHANICAL_CAPTURE)
    result = compare_placements(thresholds, seed=1, replicates=100)
    fit = result.paired_ratio.fit
    assert np.exp(fit.coefficients[1]) == pytest.approx(0.72, rel=0.02)
    assert np.exp(fit.coefficients[0]) == pytest.approx(150, rel=0.02)
    assert fit.between_sd == pytest.approx(0.30, rel=0.06)
    assert fit.within_sds[0] == pytest.approx(0.14, rel=0.06)


def test_population_truth_is_that_of_a_direct_simulation():
    """Shares captured as written in truth.json against 400,000 thresholds drawn anew."""
    synthetic = simulate_registry(n_patients=2000, seed=2)
    parameters = synthetic.truth["parameters"]
    everyone = synthetic.attempts.drop_duplicates("patient_id").merge(synthetic.patients, on="patient_id")
    known = everyone["weight_kg"].notna()
    bmi = (everyone["weight_kg"] / (everyone["height_cm"] / 100) ** 2)[known].to_numpy()
    arrest = (everyone["arrest"] == "yes")[known].to_numpy()
    rng = np.random.default_rng(1)
    log_t = (
        np.log(parameters["median_anterior_lateral_ma"])
        + np.log(parameters["ratio_per_5_bmi"]) * (bmi - 28) / 5
        + np.log(parameters["ratio_arrest"]) * arrest
    )
    draws = np.tile(log_t, 200) + rng.normal(
        0, np.hypot(parameters["between_sd"], parameters["within_sd"]), 200 * log_t.size
    )
    never = rng.random(draws.size) < np.tile(
        np.where(arrest, parameters["never_captured_arrest"], parameters["never_captured"]), 200
    )
    for name, shift in ((ANTERIOR_LATERAL, 0.0), (ANTERIOR_POSTERIOR, np.log(parameters["ratio_ap_to_al"]))):
        for label, share in synthetic.truth["population"][name]["if everybody had this placement"][
            "share_captured"
        ].items():
            current = float(label.split()[0])
            assert np.mean((draws + shift <= np.log(current)) & ~never) == pytest.approx(share, abs=0.01)


def test_trade_ranges_as_plausibility(shipped):
    """Common practice, no source: usual capture at 40 to 80 or 60 to 90 mA; anterior-posterior lower."""
    study = read_study(shipped / "registry")
    thresholds = derive_thresholds(study, capture=MECHANICAL_CAPTURE)
    median = {
        name: float(pd.Series(thresholds.for_placement(name).upper_ma).median())
        for name in (ANTERIOR_POSTERIOR, ANTERIOR_LATERAL)
    }
    assert 40 <= median[ANTERIOR_POSTERIOR] <= 90
    assert median[ANTERIOR_POSTERIOR] < median[ANTERIOR_LATERAL]


def test_plain_curves_estimate_those_who_had_the_placement():
    """8,000 patients: nonparametric shares of first attempts against the truth written for that question."""
    synthetic = simulate_registry(n_patients=8_000, seed=4)
    thresholds = first_attempt_of_each_patient(derive_thresholds(study_of(synthetic), capture=MECHANICAL_CAPTURE))
    for name in (ANTERIOR_LATERAL, ANTERIOR_POSTERIOR):
        fit = fit_npmle(thresholds.for_placement(name))
        truth = synthetic.truth["population"][name]
        for label, share in truth["among those who had it first"]["share_captured"].items():
            # movement artefacts shift one ramp in fifty by two steps, which lowers shares by a little
            assert fit.capture_probability(float(label.split()[0]))[0] == pytest.approx(share, abs=0.02)
        assert truth["if everybody had this placement"] != truth["among those who had it first"]
