"""Policies applied to studies: invented studies with known truth, odd studies, choices that cannot be carried out."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from capstat import AnalysisOptions, read_study, study_from_frames
from capstat.analysis import ramp_laws
from capstat.analysis.ramp_analysis import analyse_ramps
from capstat.analysis.ramp_question import RampQuestion
from capstat.capture import JudgementErrors
from capstat.distributions import LOGNORMAL, WEIBULL
from capstat.protocol import Direction, Margin, MarginUnit, RampPolicy, Reposition
from capstat.protocol.consequences import policy_consequences
from capstat.protocol.simulate_policy import simulate_policy
from capstat.results import NotEstimableError, UsageError
from capstat.thresholds import ELECTRICAL_CAPTURE, MECHANICAL_CAPTURE, derive_thresholds

AP, AL = "anterior-posterior", "anterior-lateral"
FAR = 4.0
OPTIONS = AnalysisOptions(level=0.9)
TWENTY = RampPolicy(60, 20, 140, 2.0, name="20 mA")
FIVE = RampPolicy(40, 5, 140, 1.0, name="5 mA", margin=Margin(10, MarginUnit.PERCENT))
MOVED = RampPolicy(40, 10, 140, 5.0, name="moved", at_maximum=Reposition(AP, 30.0, 40.0))
ERRORS = JudgementErrors(0.9, 0.95)


def truth_of(shipped, name):
    return json.loads((shipped / name / "truth.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def crossover(shipped):
    question = RampQuestion((TWENTY, FIVE, MOVED), draws=60, errors=ERRORS)
    return analyse_ramps(read_study(shipped / "crossover"), OPTIONS, question, MECHANICAL_CAPTURE)


@pytest.fixture(scope="module")
def registry(shipped):
    return analyse_ramps(
        read_study(shipped / "registry"), OPTIONS, RampQuestion((TWENTY, FIVE, MOVED), draws=30), MECHANICAL_CAPTURE
    )


def by_label(found):
    (part,) = found.parts
    return {group.label: group for group in part.groups}


def test_crossover_near_the_truth(crossover, shipped):
    """Thresholds are lognormal with the medians and the total standard deviation of truth.json: scipy's lognormal."""
    made = truth_of(shipped, "crossover")["parameters"]
    sd = np.hypot(made["between_sd"], made["within_sd"])
    medians = {AL: made["median_anterior_lateral_ma"], AP: made["median_anterior_lateral_ma"] * made["ratio_ap_to_al"]}
    assert crossover.parts[0].selection == "all attempts with a usable threshold"
    assert not crossover.examples
    groups = by_label(crossover)
    assert list(groups) == [AP, AL]
    for label, group in groups.items():
        law = stats.lognorm(sd, scale=medians[label])
        n = group.n_patients
        assert n >= 35
        for found in group.policies[:2]:
            grid = np.array(found.policy.rising_settings())
            share = law.sf(140)
            assert found.not_captured.value == pytest.approx(share, abs=FAR * np.sqrt(share * (1 - share) / n))
            # a setting passes in vain where the threshold is above it
            dwell = found.policy.dwell_s
            seconds = dwell * law.sf(grid).sum()
            square = dwell**2 * (law.sf(grid) * (2 * np.arange(grid.size) + 1)).sum()
            error = np.sqrt((square - seconds**2) / n)
            assert found.without_output_s.value == pytest.approx(seconds, abs=FAR * error)
            assert found.not_captured.lower <= found.not_captured.value <= found.not_captured.upper
            assert found.not_captured.level == 0.9


def test_crossover_with_a_move_near_the_truth(crossover, shipped):
    """Not captured with either placement by 140 mA: scipy's bivariate normal law with the true correlation."""
    made = truth_of(shipped, "crossover")["parameters"]
    total = made["between_sd"] ** 2 + made["within_sd"] ** 2
    rho = made["between_sd"] ** 2 / total
    medians = np.array([1.0, made["ratio_ap_to_al"]]) * made["median_anterior_lateral_ma"]
    z = (np.log(medians) - np.log(140)) / np.sqrt(total)
    truth = stats.multivariate_normal([0, 0], [[1, rho], [rho, 1]]).cdf(z)
    groups = by_label(crossover)
    found = groups[AL].policies[2].not_captured
    assert found.value == pytest.approx(truth, abs=FAR * np.sqrt(truth * (1 - truth) / 39))
    assert found.value < groups[AL].policies[0].not_captured.value
    assert "moves the pads to anterior-posterior, where they are" in " ".join(groups[AP].notes)
    assert groups[AP].policies[2].policy.at_maximum is None
    pads, curves = crossover.parts[0].reposition.curves[0][0].here, crossover.parts[0].reposition.curves
    assert (pads, len(curves), len(curves[0])) == (AP, 2, 1)


def test_registry_near_the_truth(registry, shipped):
    """Shares captured at 60, 80 ... 140 mA among those who had the placement first, from truth.json."""
    (part,) = registry.parts
    assert part.selection == "the first attempt of each patient"
    for label, group in by_label(registry).items():
        shares = truth_of(shipped, "registry")["population"][label]["among those who had it first"]["share_captured"]
        missed = 1 - np.array([shares[f"{current} mA"] for current in (60, 80, 100, 120, 140)])
        found, n = group.policies[0], group.n_patients
        error = np.sqrt(missed[-1] * (1 - missed[-1]) / n)
        assert found.not_captured.value == pytest.approx(missed[-1], abs=FAR * error)
        assert found.without_output_s.value == pytest.approx(
            2 * missed.sum(),
            abs=FAR * 2 * np.sqrt((missed * (2 * np.arange(5) + 1)).sum() - missed.sum() ** 2) / n**0.5,
        )
        assert found.not_captured.n == n
        # 7 usual margins and none, for each of 5 assumed drifts and 3 policies
        assert [margins.assumed_sd for margins in group.margins] == 3 * [0.02, 0.05, 0.10, 0.15, 0.20]
        assert {len(margins.usual) for margins in group.margins} == {8}
        assert all(margins.own.margin == margins.policy.margin for margins in group.margins)
    assert "the correlation of their two thresholds is assumed to be 0.6" in " ".join(by_label(registry)[AL].notes)


def test_without_a_model_is_counted(crossover, shipped):
    """On the settings of the study the shares without a model are counts of its ramps."""
    thresholds = derive_thresholds(read_study(shipped / "crossover"), capture=MECHANICAL_CAPTURE)
    for label, group in by_label(crossover).items():
        upper = thresholds.for_placement(label).upper_ma
        assert group.without_model[1].not_captured.value == pytest.approx((upper > 140).mean(), abs=0.02)
        expected = sum((upper > current).mean() for current in FIVE.rising_settings())
        assert group.without_model[1].without_output_s.value == pytest.approx(expected, abs=0.2)


def test_without_a_model_has_no_limits(crossover):
    for group in crossover.parts[0].groups:
        for found in group.without_model:
            assert {(estimate.lower, estimate.upper) for estimate in found.estimates} == {(None, None)}


def test_without_a_model_has_the_level_of_the_options(crossover):
    assert {e.level for g in crossover.parts[0].groups for c in g.without_model for e in c.estimates} == {0.9}


def test_misjudged_against_simulation(crossover):
    """With errors of judgement: 100,000 patients carried through the policy one by one."""
    for group in crossover.parts[0].groups:
        for exact in group.misjudged[:2]:
            # the estimate is the first row of the first model
            model = getattr(group.laws.model, "models", (group.laws.model,))[0]
            law = replace(
                model, location=model.location[:1], ancillary=model.ancillary[:1], capturable=model.capturable[:1]
            )
            seen = simulate_policy(exact.policy, law, discomfort_ma=70, errors=ERRORS, n=100_000, seed=1)
            for name in ("not_captured", "stopped_at_false_capture", "without_output_s", "search_s"):
                mean, error = getattr(seen, name)
                assert getattr(exact, name).value == pytest.approx(mean, abs=FAR * error)
    assert by_label(crossover)[AL].misjudged[2].stopped_at_false_capture.value > 0.2


def test_comparison_of_a_group(crossover):
    """The comparison holds the policies; the regret is under thresholds a fifth higher, worked out again."""
    group = by_label(crossover)[AP]
    comparison = group.comparison
    assert comparison.policies == group.policies
    assert comparison.factor == 1.2
    law = group.laws.model.scaled(1.2)
    higher = [policy_consequences(found.policy, law, discomfort_ma=70) for found in group.policies]
    cost = [h.without_output_s.value + h.pulses_above_discomfort.value + 600 * h.not_captured.value for h in higher]
    regret = [estimate.value for estimate in comparison.choices[0].regret]
    np.testing.assert_allclose(regret, np.array(cost) - min(cost), atol=1e-9)


def test_draws_of_policies_belong_together(shipped):
    stay = replace(MOVED, at_maximum=None, name="stay")
    question = RampQuestion((stay, MOVED), draws=50, minutes=())
    found = analyse_ramps(read_study(shipped / "crossover"), OPTIONS, question, MECHANICAL_CAPTURE)
    one, other = (c.means.not_captured.lower for c in by_label(found)[AL].policies)
    assert np.corrcoef(one[1:], other[1:])[0, 1] > 0.3
    assert (other <= one + 1e-9).all()


def test_note_on_the_model_of_pairs(crossover):
    group = by_label(crossover)[AL]
    assert group.laws.model_name == "lognormal (two placements of one patient)"
    assert any("all policies rest on the lognormal thresholds of patients with both" in note for note in group.notes)


def test_by_another_column(shipped, two_families):
    """Groups by consciousness: nothing is known of a move there, and the policy stops at its maximum."""
    question = RampQuestion((TWENTY, MOVED), draws=10, by="conscious", minutes=(30,))
    groups = by_label(analyse_ramps(read_study(shipped / "registry"), OPTIONS, question, MECHANICAL_CAPTURE))
    assert set(groups) == {"yes", "no"}
    assert sum(group.n_patients for group in groups.values()) <= 600
    for group in groups.values():
        assert "needs groups by placement: it stops at the maximum here." in " ".join(group.notes)
        assert group.policies[1].policy.at_maximum is None
        assert len(group.margins) == 10


def test_electrical_beside_mechanical(shipped, two_families):
    """A policy that looks for electrical capture has a part of its own, after the leading one; thresholds are lower."""
    electrical = replace(TWENTY, capture="electrical", name="electrical")
    question = RampQuestion((electrical, TWENTY), draws=10, minutes=(30,))
    found = analyse_ramps(read_study(shipped / "registry"), OPTIONS, question, MECHANICAL_CAPTURE)
    assert [part.capture for part in found.parts] == [MECHANICAL_CAPTURE, ELECTRICAL_CAPTURE]
    assert [part.policies for part in found.parts] == [(TWENTY,), (electrical,)]
    seconds = [part.groups[0].policies[0].without_output_s.value for part in found.parts]
    # made with a ratio of 1.05
    assert seconds[1] < seconds[0]


def test_same_seed_same_numbers(two_families):
    rng = np.random.default_rng(1)
    study = made_up(90 * np.exp(0.2 * rng.standard_normal((24, 1))), [(AL,), (AP,)])
    question = RampQuestion((TWENTY, MOVED), draws=20, minutes=())

    def run(seed):
        found = analyse_ramps(study, replace(OPTIONS, seed=seed), question, MECHANICAL_CAPTURE)
        return [(e.value, e.lower, e.upper) for g in found.parts[0].groups for c in g.policies for e in c.estimates]

    assert run(1) == run(1)
    assert run(1) != run(2)


QUICK = RampQuestion((replace(TWENTY, start_ma=40.0), MOVED), draws=20, minutes=(30,))
STRANGE = replace(MOVED, name="to other", at_maximum=Reposition("other", 20, 60))


def made_up(true, pads, start=40.0, step=10.0, top=140.0, **columns):
    """A study with one row of ``true`` for each patient and one column for each attempt."""
    attempts, steps = [], []
    for i, row in enumerate(np.atleast_2d(np.asarray(true, dtype=float))):
        for k, (threshold, placement) in enumerate(zip(row, pads[i % len(pads)], strict=False)):
            ids = {"patient_id": f"P{i}", "attempt_id": f"A{i}-{k}"}
            others = {name: values[i] for name, values in columns.items()}
            attempts.append({**ids, "attempt_order": k + 1, "placement": placement, "max_output_ma": top, **others})
            for current in np.arange(start, top + 1e-9, step):
                captured = bool(current >= threshold)
                steps.append({**ids, "current_ma": float(current), "mechanical_capture": captured})
                if captured:
                    break
    return study_from_frames(pd.DataFrame(attempts), pd.DataFrame(steps))


def analysed(study, question=QUICK):
    return analyse_ramps(study, OPTIONS, question, MECHANICAL_CAPTURE)


@pytest.fixture
def two_families(monkeypatch):
    """Lognormal and Weibull only: a third family would take half as long again for each small study."""
    monkeypatch.setattr(ramp_laws, "CANDIDATES", (LOGNORMAL, WEIBULL))


@pytest.fixture(scope="module")
def thresholds_ma():
    return 85 * np.exp(0.26 * np.random.default_rng(1).standard_normal((40, 2)))


def test_one_placement_only(thresholds_ma, two_families):
    """Of a move to a placement that the study does not have nothing is known, and the reason says so."""
    study = made_up(thresholds_ma[:, :1], [(AL,)])
    found = analysed(study, replace(QUICK, policies=(*QUICK.policies, STRANGE)))
    (group,) = found.parts[0].groups
    assert (group.label, group.n_patients) == (AL, 40)
    assert "there is no attempt with anterior-posterior" in " ".join(group.notes)
    assert "moves the pads to other; what that does" in " ".join(group.notes)
    assert all(c.policy.at_maximum is None for c in group.policies)
    assert found.parts[0].reposition.curves == ()
    assert "there is no attempt with anterior-posterior" in found.parts[0].reposition.reason


def test_to_a_placement_named_other(thresholds_ma, two_families):
    """Patients with other pads are a group; a move to them is not known for the two that are compared."""
    study = made_up(thresholds_ma[:, :1], [(AL,), (AP,), ("other",)])
    groups = by_label(analysed(study, replace(QUICK, policies=(STRANGE,))))
    assert list(groups) == [AP, AL, "other"]
    assert "moves the pads to other, where they are" in groups["other"].notes[0]
    assert "is not known here" in groups[AL].notes[0]


def test_eight_patients(two_families):
    study = made_up([[t] for t in (62, 71, 78, 83, 88, 96, 104, 125)], [(AP,)])
    (group,) = analysed(study).parts[0].groups
    assert group.n_patients == 8
    # none of eight: what the model says of the tail
    assert 0 < group.policies[0].not_captured.value < 0.2
    assert group.without_model[0].not_captured.value == pytest.approx(0)


def test_all_at_the_first_setting(two_families):
    """Nothing tells how far below the first setting thresholds lie: no law, and a reason."""
    (group,) = analysed(made_up(np.full((20, 1), 30.0), [(AP,)])).parts[0].groups
    assert (group.laws, group.policies, group.comparison) == (None, (), None)
    assert group.reason
    assert group.n_patients == 20


def test_nobody_captured(two_families):
    (group,) = analysed(made_up(np.full((20, 1), 500.0), [(AP,)])).parts[0].groups
    assert group.laws is None
    assert group.reason


def test_policies_that_end_below_all_thresholds(two_families):
    """A ramp to 30 mA captures nobody of a narrow group; a note says that there is nothing to lose."""
    study = made_up(np.linspace(80, 120, 30)[:, None], [(AP,)])
    low = RampPolicy(10, 10, 30, 2.0, name="low")
    (group,) = analysed(study, replace(QUICK, policies=(TWENTY, low))).parts[0].groups
    assert group.policies[1].not_captured.value == pytest.approx(1, abs=1e-4)
    assert group.without_model[1].not_captured.value == 1


def test_final_current_of_nobody(two_families):
    study = made_up(np.linspace(80, 120, 30)[:, None], [(AP,)])
    low = RampPolicy(10, 10, 30, 2.0, name="low")
    (group,) = analysed(study, replace(QUICK, policies=(TWENTY, low))).parts[0].groups
    for final in group.without_model[1].final_ma:
        assert final.value is None
        assert final.reason == "nobody is left on a current"


def test_first_policy_ends_low(two_families, thresholds_ma):
    study = made_up(thresholds_ma, [(AP, AL)])
    low = RampPolicy(5, 5, 20, 2.0, name="low")
    found = analysed(study, replace(QUICK, policies=(low, TWENTY)))
    assert found.parts[0].reposition.reason


def test_refusals(thresholds_ma, two_families):
    study = made_up(thresholds_ma[:, :1], [(AL,)])
    with pytest.raises(UsageError, match="Two policies have the name '20 mA'"):
        analysed(study, replace(QUICK, policies=(TWENTY, TWENTY)))
    with pytest.raises(NotEstimableError, match="assessed for adjudicated capture"):
        analysed(study, replace(QUICK, policies=(replace(TWENTY, capture="adjudicated"),)))
    with pytest.raises(UsageError, match="no column 'shoe_size'"):
        analysed(study, replace(QUICK, by="shoe_size"))
    with pytest.raises(UsageError, match="holds numbers"):
        analysed(study, replace(QUICK, by="max_output_ma"))
    with pytest.raises(UsageError, match="level of discomfort"):
        analysed(study, replace(QUICK, discomfort_ma=-5.0))
    with pytest.raises(UsageError, match="at least as probable"):
        analysed(study, replace(QUICK, errors=JudgementErrors(0.6, 0.7, odds_ratio_per_10_ma=2.0)))


@pytest.mark.parametrize(
    "wrong",
    [
        {"policies": (replace(TWENTY, capture="pulse"),)}, {"factor": -1.0}, {"factor": 0.0}, {"minutes": (0.0,)},
        {"correlation": 1.0}, {"draws": -3},
    ],
    ids=lambda wrong: next(iter(wrong)),
)  # fmt: skip
def test_choices_that_cannot_be_carried_out(thresholds_ma, two_families, wrong):
    study = made_up(thresholds_ma[:, :1], [(AL,), (AP,)])
    with pytest.raises(UsageError):
        analysed(study, replace(QUICK, **wrong))


def test_no_draws(thresholds_ma, two_families):
    (group,) = analysed(made_up(thresholds_ma[:, :1], [(AL,)]), replace(QUICK, draws=0)).parts[0].groups
    assert group.policies[0].not_captured.lower is None
    assert group.comparison.share_dominated == ()


def random_study(seed):
    """A small study: odd medians and spreads, one or two attempts, chosen or repeated placements, few or many settings."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 26))
    median, sd = rng.choice([25, 60, 85, 110, 160, 400]), rng.choice([0.02, 0.1, 0.25, 0.5])
    design = rng.choice(["both", "repeated", "chosen", "named"])
    pads = {
        "both": [(AP, AL), (AL, AP)], "repeated": [(AP, AP), (AP,)], "chosen": [(AP,), (AL,), (AL, AP)],
        "named": [(AP,), (AL,), ("other",), ("unknown",)],
    }[str(design)]  # fmt: skip
    true = median * np.exp(sd * rng.standard_normal((n, 1)) + 0.1 * rng.standard_normal((n, 2)))
    true[rng.random(n) < rng.choice([0, 0.1, 0.6])] = 1e6
    start, step, top = rng.choice([5.0, 20.0, 40.0]), rng.choice([5.0, 10.0, 37.0]), rng.choice([80.0, 140.0, 200.0])
    return made_up(true, pads, start, step, top)


FUZZ = RampQuestion(
    (
        RampPolicy(40, 10, 140, 5.0, name="stay"), MOVED, STRANGE,
        RampPolicy(100, 20, 140, 5.0, direction=Direction.FALLING, name="fall", at_maximum=Reposition(AL, 30, 100)),
    ),
    draws=20, errors=ERRORS, minutes=(30,),
)  # fmt: skip


@pytest.mark.parametrize(
    "seeds",
    [range(6), range(12, 16), *(pytest.param(range(k, k + 20), marks=pytest.mark.slow) for k in (20, 40))],
    ids=lambda seeds: f"{seeds[0]} to {seeds[-1]}",
)
def test_random_small_studies(seeds, two_families):
    """Nothing but the two kinds of refusal comes out, warnings included; shares are shares, limits are in order."""
    for seed in seeds:
        try:
            found = analysed(random_study(seed), FUZZ)
        except (NotEstimableError, UsageError):
            continue
        for group in found.parts[0].groups:
            assert bool(group.reason) == (group.laws is None)
            for estimate in (e for c in (*group.policies, *group.misjudged) for e in c.estimates):
                if estimate.quantity.startswith("share") and estimate.value is not None:
                    assert -1e-9 <= estimate.value <= 1 + 1e-9
                    assert -1e-9 <= estimate.lower <= estimate.upper <= 1 + 1e-9
            for one in group.policies:
                assert one.not_captured.value >= one.left_at_false_capture.value - 1e-9
