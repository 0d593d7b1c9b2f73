"""The course of pacing in the invented registry: old columns untouched, rules kept, every true number found again.

Numbers are found again in 20,000 patients by generic tools (Poisson and logistic regression of statsmodels, time-varying
Cox regression of lifelines) or as events over time; three standard errors are allowed everywhere.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from itertools import pairwise
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from lifelines import CoxTimeVaryingFitter
from statsmodels.discrete.discrete_model import Logit
from statsmodels.genmod.families import Poisson
from statsmodels.genmod.generalized_linear_model import GLM

from capstat.attempts import study_from_frames
from capstat.outcomes.episodes import CAUSES, Awaited, derive_episodes
from capstat.output import csv_text
from capstat.synthetic import COURSE_TRUTH, add_course, clean_files, messy_files, simulate_crossover, simulate_registry
from capstat.synthetic.registry import REGISTRY_DEVICES
from capstat.thresholds import MECHANICAL_CAPTURE

SHIPPED_SEED = 20261125
COPIES, BASE = 20, 1000
NEW_ATTEMPTS = ["onset_s", "arrival_s", "pads_on_s", "pacing_start_s", "pacing_end_s", "pacing_ended"]
NEW_PATIENTS = [
    "survived_to_arrival", "survived_to_admission", "survived_to_discharge", "survived_30_days",
    "good_neurological_outcome", "followed_until_s", "died",
]  # fmt: skip
LOST_FOR_GOOD = ("died", "circulation-lost")

# of the tables as they were before there was a course of pacing, in commit 68fe351 of this repository
OLD_TABLES = {
    "attempts": "454b5265bbe2c2cade17e67b4a5f437b3c25900fdc0b4a25ca516c4f7ea9ba1a",
    "steps": "fa35fab3eddc2f5fdc4ac9d0c43bc5e14974013308abff2c1813aae69b85b775",
    "patients": "157ec6dc7e504347b9b0f9d2358f178df1c57ca1eab0da6968cb72715f99f20d",
}


def seconds_per_step(attempts):
    return attempts["start_ma"].map({p.start_ma: p.seconds_per_step for p in REGISTRY_DEVICES}).to_numpy()


def without_course(synthetic):
    """Tables as they were before: times of settings count from the attempt's own first pulse."""
    steps = synthetic.steps
    own = (steps["time_s"] - steps.groupby("attempt_id")["time_s"].transform("min")).round(6)
    return (
        synthetic.attempts.drop(columns=NEW_ATTEMPTS),
        steps.assign(time_s=own),
        synthetic.patients.drop(columns=NEW_PATIENTS),
    )


@pytest.fixture(scope="module")
def small():
    return simulate_registry(n_patients=BASE, seed=4)


@pytest.fixture(scope="module")
def large(small):
    """20,000 patients: each ramp of 1,000 goes on in twenty ways."""

    def copied(table):
        codes = [name for name in ("attempt_id", "patient_id") if name in table]
        return pd.concat(
            [table.assign(**{name: table[name] + f"-{i}" for name in codes}) for i in range(COPIES)], ignore_index=True
        )

    attempts, steps, patients = (copied(table) for table in without_course(small))
    course = add_course(attempts, steps, patients, seconds_per_step(attempts), seed=12)
    length = course.steps.groupby("attempt_id")["time_s"].max()[course.attempts["attempt_id"]].to_numpy()
    attempts = course.attempts.assign(ramp_end=length + seconds_per_step(course.attempts))
    first = course.periods.groupby("attempt_id")["from_s"].min()
    episodes = attempts.drop_duplicates("patient_id", keep="last").merge(course.patients, on="patient_id")
    episodes = episodes.assign(
        first_capture=episodes["attempt_id"].map(first).fillna(np.inf),
        in_arrest=(episodes["arrest"] == "yes").astype(float),
        decades=(episodes["age_years"] - 72) / 10,
        lateral=(episodes["placement"] == "anterior-lateral").astype(float),
    )
    periods = course.periods.merge(
        episodes[["attempt_id", "ramp_end", "in_arrest", "lateral", "pacing_end_s"]], on="attempt_id"
    )
    return SimpleNamespace(course=course, attempts=attempts, episodes=episodes, periods=periods)


def within(estimate, error, truth):
    assert abs(estimate - truth) < 3 * error, (estimate, error, truth)


def rate_is(events, time, truth):
    """Events over time against a hazard, on the log scale."""
    within(np.log(events / time), events**-0.5, np.log(truth))


def share_is(count, n, truth):
    within(count / n, (truth * (1 - truth) / n) ** 0.5, truth)


def test_old_columns_are_what_they_were():
    synthetic = simulate_registry(seed=SHIPPED_SEED)
    for (name, digest), table in zip(OLD_TABLES.items(), without_course(synthetic), strict=True):
        assert hashlib.sha256(csv_text(table).encode()).hexdigest() == digest, name
    assert list(synthetic.attempts.columns[-6:]) == NEW_ATTEMPTS
    assert list(synthetic.patients.columns[-7:]) == NEW_PATIENTS
    first = synthetic.attempts.loc[synthetic.attempts["attempt_order"] == 1, "attempt_id"]
    began = synthetic.steps.groupby("attempt_id")["time_s"].min()
    assert (began[first] == 0).all()


def test_only_the_registry_has_periods(small):
    assert "periods.csv" in clean_files(small)
    crossover = simulate_crossover(n_patients=8, seed=1)
    assert crossover.periods is None
    assert "periods.csv" not in clean_files(crossover)


def test_messy_export_knows_nothing_of_the_course():
    """Another course of the same ramps gives the same export to the byte."""
    usual = simulate_registry(n_patients=150, seed=4)
    other = simulate_registry(n_patients=150, seed=4, course=replace(COURSE_TRUTH, regained=(0.1, 0.1)))
    assert clean_files(other)["periods.csv"] != clean_files(usual)["periods.csv"]
    assert messy_files(other, 1) == messy_files(usual, 1)
    assert "course" not in json.loads(messy_files(usual, 1)["truth.json"])


def test_same_seed_same_course(small):
    attempts, steps, patients = without_course(small)
    dwell = seconds_per_step(attempts)
    one, two, three = (add_course(attempts, steps, patients, dwell, seed=seed) for seed in ([4, 13], [4, 13], [4, 12]))
    pd.testing.assert_frame_equal(one.periods, two.periods)
    pd.testing.assert_frame_equal(one.periods, small.periods)
    pd.testing.assert_frame_equal(one.attempts, small.attempts)
    assert not one.periods.equals(three.periods)


@pytest.mark.parametrize("n", [4, 30])
def test_small_registries_have_a_course(n):
    synthetic = simulate_registry(n_patients=n, seed=2)
    study = study_from_frames(synthetic.attempts, synthetic.steps, synthetic.patients, periods=synthetic.periods)
    assert len(derive_episodes(study, Awaited(MECHANICAL_CAPTURE))) == n


def test_check_finds_nothing_new(small):
    """All that the check says is of readings that fail at a current at which a lower one captured, as before."""
    study = study_from_frames(small.attempts, small.steps, small.patients, periods=small.periods)
    before = study_from_frames(*without_course(small))
    assert [f.message for f in study.findings] == [f.message for f in before.findings]
    assert len(study.periods) == len(small.periods)


def test_order_of_times(large):
    a = large.attempts
    assert (a["arrival_s"] <= a["pads_on_s"]).all()
    assert (a["pads_on_s"] < a["pacing_start_s"]).all()
    assert not (a["onset_s"] >= a["arrival_s"]).any()
    assert (a["pacing_end_s"] >= a["ramp_end"] - 1e-9).all()
    second = a[a["attempt_order"] == 2].set_index("patient_id")
    first = a[a["attempt_order"] == 1].set_index("patient_id").loc[second.index]
    assert len(second) > 500
    assert (first["pacing_ended"] == "pads-moved").all()
    assert (second["pacing_start_s"] - first["pacing_end_s"]).between(20, 45).all()
    assert (first["arrival_s"] == second["arrival_s"]).all()
    assert a["onset_s"].isna().mean() == pytest.approx(0.30, abs=0.05)


def test_every_ramp_is_over_before_anybody_dies(large):
    assert large.attempts["ramp_end"].max() <= COURSE_TRUTH.death_from_s
    dead = large.episodes["died"] == "yes"
    assert large.episodes.loc[dead, "followed_until_s"].min() >= COURSE_TRUTH.death_from_s
    at_once = large.episodes["ended"] == "stopped-own-rhythm"
    assert (large.episodes.loc[~at_once, "pacing_end_s"] >= COURSE_TRUTH.ends_from_s).all()
    assert set(large.episodes.loc[at_once, "pacing_ended"]) <= {"own-rhythm", ""}


def test_periods_lie_inside_pacing_and_apart(large):
    p = large.periods
    assert (p["to_s"] > p["from_s"]).all()
    assert (p["to_s"] <= p["pacing_end_s"]).all()
    same = p["attempt_id"].eq(p["attempt_id"].shift())
    assert (p["from_s"] > p["to_s"].shift())[same].all()
    assert (p["lost"].shift() == "yes")[same].all()
    kept = p["lost"] == "no"
    assert (p["to_s"] == p["pacing_end_s"])[kept].all()


def test_periods_agree_with_the_settings(small):
    """At each setting in its last instant: capture as the setting says (one before the last: its successor tells)."""
    steps = small.steps.merge(small.attempts[["attempt_id", "start_ma"]], on="attempt_id")
    end = (steps["time_s"] + seconds_per_step(steps)).to_numpy() - 0.05
    periods = small.periods
    inside = np.zeros(len(steps), dtype=bool)
    rows = pd.Series(np.arange(len(steps))).groupby(steps["attempt_id"]).agg(["min", "max"])
    for code, begin, stop in zip(periods["attempt_id"], periods["from_s"], periods["to_s"], strict=True):
        first, last = rows.loc[code]
        inside[first : last + 1] |= (begin <= end[first : last + 1]) & (end[first : last + 1] <= stop)
    np.testing.assert_array_equal(inside, (steps["mechanical_capture"] == "yes").to_numpy())


def test_outcomes_do_not_contradict_each_other(large):
    e = large.episodes
    yes, no = (e[NEW_PATIENTS[:5]] == word for word in ("yes", "no"))
    for earlier, later in pairwise(NEW_PATIENTS[:4]):
        assert not (yes[later] & no[earlier]).any()
    known, dead = e["survived_to_discharge"] != "", e["died"] == "yes"
    assert (e.loc[known & ~dead, "followed_until_s"] == 30 * 86400).all()
    assert (dead == (no["survived_30_days"] & known)).all()
    assert (yes["survived_to_arrival"] | known).all()
    assert (e["pacing_end_s"] <= e["followed_until_s"]).all()
    assert (e.loc[e["pacing_ended"].isin(LOST_FOR_GOOD), "pacing_end_s"]
            == e.loc[e["pacing_ended"].isin(LOST_FOR_GOOD), "followed_until_s"]).all()  # fmt: skip
    assert set(e.loc[e["pacing_ended"] == "died", "in_arrest"]) == {1.0}
    assert set(e.loc[e["pacing_ended"] == "circulation-lost", "in_arrest"]) == {0.0}
    assert not np.isfinite(e.loc[e["pacing_ended"] == "abandoned", "first_capture"]).any()


def during_pacing(e):
    """Rows before and after the first capture, from the first death possible to the end of pacing."""
    begin = COURSE_TRUTH.death_from_s
    turn = e["first_capture"].clip(begin, np.maximum(e["pacing_end_s"], begin))
    died = (e["died"] == "yes") & (e["followed_until_s"] <= e["pacing_end_s"] + 0.05)
    known = e[["in_arrest", "decades", "lateral"]]
    before = known.assign(captured=0.0, time=turn - begin, event=died & (e["first_capture"] >= e["pacing_end_s"]))
    after = known.assign(
        captured=1.0, time=e["pacing_end_s"] - turn, event=died & (e["first_capture"] < e["pacing_end_s"])
    )
    rows = pd.concat([before, after])
    return rows[rows["time"] > 0]


def poisson(rows, columns):
    design = np.column_stack([np.ones(len(rows)), *(rows[name] for name in columns)])
    return GLM(
        rows["event"].to_numpy(dtype=float), design, family=Poisson(), offset=np.log(rows["time"].to_numpy())
    ).fit()


def test_death_hangs_on_arrest_and_age_only(large):
    fit = poisson(during_pacing(large.episodes), ["in_arrest", "decades", "captured", "lateral"])
    without, arrest = np.log(COURSE_TRUTH.death)
    truth = (without, arrest - without, np.log(COURSE_TRUTH.death_ratio_per_10_years), 0.0, 0.0)
    for estimate, error, true in zip(fit.params, fit.bse, truth, strict=True):
        within(estimate, error, true)


def test_without_arrest_in_the_model_capture_looks_protective(large):
    """Who is in arrest is captured later and dies more: what the registry is made to show."""
    fit = poisson(during_pacing(large.episodes), ["captured"])
    assert fit.params[1] + 3 * fit.bse[1] < 0


def test_time_varying_cox_regression_finds_no_effect_of_capture(large):
    """In 60 min, with the last contact of those who were lost after handover, in 4,000 patients."""
    e = large.episodes.head(4000).reset_index(drop=True)
    stop = np.minimum(e["followed_until_s"], 3600.0)
    died = (e["died"] == "yes") & (e["followed_until_s"] <= 3600)
    turn = np.minimum(e["first_capture"], stop)
    known = e[["in_arrest", "decades"]].assign(id=e.index)
    late = e["first_capture"] < stop
    before = known.assign(start=0.0, stop=turn, captured=0.0, event=died & ~late)
    after = known.assign(start=turn, stop=stop, captured=1.0, event=died)[late]
    rows = pd.concat([before, after])
    fit = CoxTimeVaryingFitter().fit(
        rows[rows["stop"] > rows["start"]], id_col="id", event_col="event", start_col="start", stop_col="stop"
    )
    within(fit.params_["captured"], fit.standard_errors_["captured"], 0.0)


def test_survival_hangs_on_neither_placement_nor_capture(large):
    e = large.episodes[large.episodes["survived_to_discharge"] != ""]
    soon = (e["first_capture"] <= 60).astype(float)
    design = np.column_stack([np.ones(len(e)), e["in_arrest"], e["decades"], e["lateral"], soon])
    fit = Logit((e["survived_to_discharge"] == "yes").astype(float).to_numpy(), design).fit(disp=0)
    within(fit.params[3], fit.bse[3], 0.0)
    within(fit.params[4], fit.bse[4], 0.0)


def test_losses_of_capture(large):
    p, until = large.periods, COURSE_TRUTH.loss_early_until_s
    p = p[p["to_s"] > p["ramp_end"]]
    begin = np.maximum(p["from_s"], p["ramp_end"])
    lost, known = p["lost"] == "yes", p[["in_arrest", "lateral"]]
    early = known.assign(
        early=1.0, time=np.minimum(p["to_s"], until) - np.minimum(begin, until), event=lost & (p["to_s"] <= until)
    )
    late = known.assign(
        early=0.0, time=np.maximum(p["to_s"], until) - np.maximum(begin, until), event=lost & (p["to_s"] > until)
    )
    rows = pd.concat([early, late]).assign(both=lambda t: t["early"] * t["in_arrest"])
    fit = poisson(rows[rows["time"] > 0], ["lateral", "early", "in_arrest", "both"])
    (e0, e1), (l0, l1) = np.log(COURSE_TRUTH.loss_early), np.log(COURSE_TRUTH.loss_late)
    truth = (l0, np.log(COURSE_TRUTH.loss_ratio_anterior_lateral), e0 - l0, l1 - l0, e1 - e0 - l1 + l0)
    for estimate, error, true in zip(fit.params, fit.bse, truth, strict=True):
        within(estimate, error, true)


@pytest.mark.parametrize("arrest", [0, 1])
def test_hazards_of_ends_and_of_captures(large, arrest):
    truth = COURSE_TRUTH
    e = large.episodes[large.episodes["in_arrest"] == arrest]
    written = 1 - truth.pacing_ended_missing
    begin = np.maximum(truth.ends_from_s, e["ramp_end"])
    free = e["ended"] != "stopped-own-rhythm"
    time = (e["pacing_end_s"] - begin)[free].sum()
    for word, hazard in (("own-rhythm", truth.own_rhythm), ("other-therapy", truth.other_therapy)):
        rate_is((e["pacing_ended"] == word)[free].sum(), time, hazard[arrest] * written)
    free = (e["first_capture"] > e["ramp_end"]) & (e["ended"] != "stopped-own-rhythm")
    stop = np.minimum(e["first_capture"], e["pacing_end_s"])
    rate_is(np.isfinite(e["first_capture"])[free].sum(), (stop - e["ramp_end"])[free].sum(), truth.late_capture[arrest])
    waited = np.maximum(stop - begin, 0)[free].sum()
    rate_is((e["pacing_ended"] == "abandoned").sum(), waited, truth.abandoned[arrest] * written)
    p = large.periods
    following = p["from_s"].shift(-1).where(p["attempt_id"].eq(p["attempt_id"].shift(-1)))
    gaps = (p["lost"] == "yes") & (p["to_s"] > p["ramp_end"]) & (p["in_arrest"] == arrest)
    away = (following.fillna(p["pacing_end_s"]) - p["to_s"])[gaps].sum()
    rate_is(following[gaps].notna().sum(), away, truth.regained[arrest])


@pytest.mark.parametrize("arrest", [0, 1])
def test_fates_and_what_is_known_of_them(large, arrest):
    truth, e = COURSE_TRUTH, large.episodes[large.episodes["in_arrest"] == arrest]
    fates = large.course.described["fates_of_all_patients"][("without arrest", "in arrest")[arrest]]
    assert fates["patients"] == len(e)
    hazard = truth.death[arrest] * truth.death_ratio_per_10_years ** e["decades"]
    alive = float(np.exp(-hazard * (truth.death_until_s - truth.death_from_s)).mean())
    share_is(fates["alive at 60 min"], len(e), alive)
    share_is(fates["alive at 30 days"], fates["discharged alive"], 1 - truth.death_after_discharge)
    share_is(fates["good neurological outcome"], fates["alive at 30 days"], truth.good_outcome[arrest])
    left = (e["survived_to_discharge"] == "yes").sum()
    share_is(left, fates["discharged alive"], 1 - truth.outcome_missing_discharged)
    died_after = ((e["survived_to_arrival"] == "yes") & (e["survived_to_discharge"] == "no")).sum()
    others = fates["alive at handover"] - fates["discharged alive"]
    share_is(died_after, others, 1 - truth.outcome_missing_others)
    # what the scenario is calibrated to, as the truth says
    assert 1 - fates["alive at 60 min"] / len(e) == pytest.approx((0.08, 0.45)[arrest], abs=0.03)
    assert fates["discharged alive"] / len(e) == pytest.approx((0.60, 0.10)[arrest], abs=0.03)


def test_sustained_capture_comes_late_and_later_in_arrest(small):
    study = study_from_frames(small.attempts, small.steps, small.patients, periods=small.periods)
    first, lasting = (derive_episodes(study, Awaited(MECHANICAL_CAPTURE, length)) for length in (None, 60.0))
    captured = lasting.cause == CAUSES.index("capture")
    arrest = lasting.table["arrest"].to_numpy(dtype=bool)
    for minutes, share in ((2, 0.45), (5, 0.65), (10, 0.77)):
        by_then = captured & (lasting.latest_s <= 60 * minutes)
        assert by_then.mean() == pytest.approx(share, abs=0.06)
        assert by_then[arrest].mean() + 0.1 < by_then[~arrest].mean()
    assert ((first.cause == CAUSES.index("capture")) & (first.latest_s <= 60)).mean() > 0.7
    assert 20 * 60 < np.median(lasting.pacing_end_s) < 30 * 60
    assert set(np.unique(lasting.cause)) == set(range(6))
