"""When a field is settled is declared once, and decides what a comparison may be adjusted for."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from capstat.attempts import TABLES, read_study
from capstat.distributions import LOGNORMAL, Covariates, fit_covariate_model
from capstat.distributions.covariates import BEFORE_PLACEMENT, NOT_A_CONFOUNDER, NOT_BEFORE_PLACEMENT
from capstat.placement.observational import DEFAULT_CONFOUNDERS, choose_confounders, fit_propensity
from capstat.placement.observational.confounders import default_confounders
from capstat.results import UsageError
from capstat.thresholds import MECHANICAL_CAPTURE, CensoredThresholds, derive_thresholds

AP, AL = "anterior-posterior", "anterior-lateral"


def test_every_field_declares_when_it_is_settled():
    for table, fields in TABLES.items():
        for field in fields:
            assert field.when in ("before", "with", "after", "record"), field.name
            if table == "steps":
                assert field.when != "before", field.name  # there are no steps before the pads are placed


def test_the_declaration_is_what_a_clinician_would_say():
    """By hand: confounders can be only what is there before; settings are choices; capture and survival are results."""
    assert {"age_years", "sex", "body_mass_index", "arrest", "conscious", "setting", "rhythm"} <= BEFORE_PLACEMENT
    settings = {"pulse_width_ms", "rate_ppm", "pacing_mode", "sedation", "start_ma", "step_ma"}
    assert settings <= NOT_A_CONFOUNDER - NOT_BEFORE_PLACEMENT
    assert {"ended", "first_capture_s", "survived_30_days", "attempt_order", "first_attempt"} <= NOT_BEFORE_PLACEMENT
    assert not BEFORE_PLACEMENT & NOT_A_CONFOUNDER
    assert NOT_BEFORE_PLACEMENT <= NOT_A_CONFOUNDER
    assert set(DEFAULT_CONFOUNDERS) <= BEFORE_PLACEMENT


def test_every_column_of_a_study_is_declared(shipped):
    columns = set(derive_thresholds(read_study(shipped / "registry"), capture=MECHANICAL_CAPTURE).covariates.columns)
    assert columns <= BEFORE_PLACEMENT | NOT_A_CONFOUNDER


def study(**columns):
    n = 40
    rng = np.random.default_rng(3)
    lower = rng.integers(8, 16, n) * 5.0
    table = pd.DataFrame({"age_years": rng.normal(60, 10, n), "pulse_width_ms": [20.0, 40.0] * 20, **columns})
    return CensoredThresholds.from_bounds(
        lower, lower + 5, placement=np.where(rng.random(n) < 0.5, AP, AL), covariates=table
    )


@pytest.mark.parametrize("name", sorted(NOT_A_CONFOUNDER))
def test_nothing_after_the_placement_is_adjusted_for(name):
    thresholds = study(**({} if name == "placement" else {name: [20.0, 40.0] * 20}))
    with pytest.raises(UsageError, match=f"'{name}' is not known before the pads .* accepted are: age_years"):
        fit_propensity(thresholds, AP, AL, ("age_years", name))
    with pytest.raises(UsageError, match=f"'{name}' is not known before"):
        choose_confounders(thresholds, AP, AL, (name,))


def test_pulse_width_still_describes_a_threshold():
    model = fit_covariate_model(study(), Covariates(("placement", "pulse_width_ms")), family=LOGNORMAL)
    assert "pulse_width_ms" in model.regression.names


def test_which_confounders_are_used():
    """By hand: 40 attempts, so 60 % is 24; yes/no and levels need their second value ten times."""
    columns = {
        "sex": ["male"] * 31 + ["female"] * 9,  # one short of ten
        "arrest": pd.array([True] * 30 + [False] * 10, dtype="boolean"),
        "conscious": pd.array([None] * 17 + [True] * 12 + [False] * 11, dtype="boolean"),  # 23 of 40
        "setting": ["prehospital"] * 40,
        "own_column": [1.0] * 39 + [2.0],  # a number needs two values only
    }
    thresholds = study(**columns)
    used, dropped = choose_confounders(thresholds, AP, AL, (*DEFAULT_CONFOUNDERS, "own_column", "age_years"))
    assert used == ("age_years", "arrest", "own_column")
    assert dropped == (
        ("sex", "'male' in all but 9 of 40 attempts"),
        ("body_mass_index", "not recorded"),
        ("conscious", "recorded in 23 of 40 attempts"),
        ("setting", "the same in all 40 attempts that have it"),
        ("rhythm", "not recorded"),
    )
    with pytest.raises(UsageError, match="There is no covariate 'shoe'"):
        choose_confounders(thresholds, AP, AL, ("shoe",))


def test_body_size_is_what_was_measured():
    assert default_confounders(study()) == DEFAULT_CONFOUNDERS
    weight = default_confounders(study(weight_kg=np.linspace(50, 110, 40)))
    assert weight[2] == "weight_kg"
    assert weight[:2] + weight[3:] == DEFAULT_CONFOUNDERS[:2] + DEFAULT_CONFOUNDERS[3:]
