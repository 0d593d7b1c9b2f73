"""Range checks against counts made by hand, and against exact limits of a median from order statistics."""

from __future__ import annotations

import time
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from capstat.attempts import read_study, study_from_frames
from capstat.results import NotEstimableError, UsageError
from capstat.synthesis.published_ranges import CENTRES, EXTREMES, TRADE
from capstat.synthesis.range_check import (
    EVERYTHING,
    MUCH_MA,
    RangeCheck,
    check_ranges,
    count_in_range,
    suppress_ranges,
)
from capstat.synthesis.range_reasons import SMALL_COUNTS
from capstat.synthesis.study_arm import EvidenceTable, StudyArm
from capstat.thresholds import (
    CAPTURE_DEFINITIONS,
    ELECTRICAL_CAPTURE,
    MECHANICAL_CAPTURE,
    CensoredThresholds,
    derive_thresholds,
)

AP, AL = "anterior-posterior", "anterior-lateral"


def record(code: str, **fields: Any) -> StudyArm:
    given: dict[str, Any] = {
        "study": code, "citation": "Author A, et al. A study. Journal 1990", "year": 1990, "design": "series",
        "population": "adults", "age_group": "adults", "urgency": "elective", "setting": "research-laboratory",
        "placement": "unknown", "paced": True, "counted": "patients", "provenance": "verified",
        "seen_in": "abstract",
    }  # fmt: skip
    return StudyArm(arm=code, **(given | fields))


def table(*arms: StudyArm) -> EvidenceTable:
    return EvidenceTable(arms, ("invented.csv",), "0")


EVIDENCE = table(
    record("low", current_means="threshold", n=11, median_ma=55.0, minimum_ma=45.0, maximum_ma=90.0,
           capture_definition="undescribed"),
    record("high", current_means="threshold", n=32, mean_ma=93.0, minimum_ma=30.0, maximum_ma=110.0,
           capture_definition="ecg-response"),
    record("al", placement=AL, current_means="threshold", n=13, mean_ma=126.0, non_capture="imputed",
           imputed_as_ma=141.0),
    record("ap", placement=AP, current_means="threshold", n=13, n_captured=13, mean_ma=93.0, compared_with="al",
           n_pairs=13, difference_ma=-33.0, capture_definition="oximeter-rate", overlaps=("al",)),
    record("share1", n=100, n_captured=70, capture_definition="ecg-response", urgency="mixed"),
    record("share2", n=100, n_captured=80, capture_definition="ecg-response", urgency="mixed"),
)  # fmt: skip


def thresholds(centre: float, n: int = 40, **others: Any) -> CensoredThresholds:
    """Thresholds on a grid of 5 mA: ``n`` steps apart evenly from 20 mA below to 20 mA above the centre."""
    upper = centre + 5 * np.round(np.linspace(-4, 4, n))
    return CensoredThresholds.from_bounds(upper - 5, upper, **({"capture": "electrical"} | others))


def reasons(check: RangeCheck) -> dict[str, Any]:
    return {reason.name: reason for reason in check.reasons}


@pytest.mark.parametrize(
    ("lower", "upper", "where"),
    [
        (60, 65, "inside"), (40, 80, "inside"), (75, 80, "inside"), (35, 40, "undecided"), (75, 85, "undecided"),
        (80, 85, "above"), (140, np.inf, "above"), (70, np.inf, "undecided"), (0, 40, "undecided"), (0, 39, "below"),
        (0, 100, "undecided"), (40, 40, "inside"), (80, 80, "inside"), (39.9, 39.9, "below"), (80.1, 80.1, "above"),
    ],
)  # fmt: skip
def test_one_threshold_against_a_range(lower, upper, where):
    found = count_in_range(CensoredThresholds.from_bounds([lower], [upper]), 40, 80)
    assert {
        name: getattr(found, name) for name in ("below", "inside", "above", "undecided") if getattr(found, name)
    } == {where: 1}


intervals = st.tuples(st.integers(0, 30), st.integers(0, 30) | st.none()).map(
    lambda pair: (
        5.0 * pair[0] + (1.0 if pair[1] == 0 else 0.0),
        np.inf if pair[1] is None else 5.0 * (pair[0] + pair[1]) + 1.0,
    )
)


@settings(max_examples=200, deadline=None)
@given(st.lists(intervals, min_size=1, max_size=30), st.integers(0, 150), st.integers(0, 50), st.integers(1, 4))
def test_counts_add_up_and_agree_with_points_inside_the_intervals(pairs, low, width, per_patient):
    lower, upper = (np.array(side) for side in zip(*pairs, strict=True))
    patient = np.arange(lower.size) // per_patient
    found = count_in_range(CensoredThresholds.from_bounds(lower, upper, patient), low, low + width)
    assert found.below + found.inside + found.above + found.undecided == lower.size
    assert 1 <= found.fewest_patients <= np.unique(patient).size
    # every candidate that could tell an interval apart: just above its lower end, its upper end, both ends of the
    # range and their near neighbours
    tiny = 1e-6
    possible = np.zeros(3, dtype=int)
    certain = np.zeros(3, dtype=int)
    for a, b in zip(lower, upper, strict=True):
        top = a + 1000 if np.isinf(b) else b
        candidates = np.array(
            [
                a + tiny,
                b if np.isfinite(b) else top,
                low - tiny,
                low,
                low + tiny,
                low + width - tiny,
                low + width,
                low + width + tiny,
            ]
        )
        if a == b:
            candidates = np.array([a])
        inside = candidates[((candidates > a) | (a == b)) & (candidates <= top)]
        seen = np.array(
            [(inside < low).any(), ((inside >= low) & (inside <= low + width)).any(), (inside > low + width).any()]
        )
        possible += seen
        certain += seen & (seen.sum() == 1)
    assert [found.below, found.inside, found.above] == certain.tolist()
    assert [found.possibly_below, found.possibly_inside, found.possibly_above] == possible.tolist()


def test_hand_counted_study():
    # AP: (50,55] (60,65] (65,70]; AL: (75,85] (0,40] (140,inf)
    found = check_ranges(
        CensoredThresholds.from_bounds(
            [50, 60, 65, 75, 0, 140], [55, 65, 70, 85, 40, np.inf], placement=[AP] * 3 + [AL] * 3, capture="electrical"
        ),
        EVIDENCE,
    )
    assert [group.label for group in found.groups] == [EVERYTHING, AL, AP]
    total, lateral, posterior = found.groups
    trade = total.against(TRADE[0])
    assert trade is not None
    assert trade.counts is not None
    c = trade.counts
    assert (c.below, c.inside, c.above, c.undecided) == (0, 3, 1, 2)
    assert (c.possibly_below, c.possibly_inside, c.possibly_above) == (1, 5, 2)
    assert c.fewest_patients == 1
    assert posterior.against(TRADE[0]).counts.inside == 3
    # (50, 55] against 60 to 90 is below, and (60, 65] lies inside although its lower end is the end of the range
    assert (posterior.against(TRADE[1]).counts.below, posterior.against(TRADE[1]).counts.inside) == (1, 2)
    assert lateral.share.captured == 2
    assert lateral.share.attempts == 3
    assert total.against(CENTRES).counts is None
    assert total.against("nothing of that name") is None


def test_distance_of_the_median_by_hand():
    # nine exact thresholds: the median is the fifth, 34; centres are 55 to 93
    values = [30, 31, 32, 33, 34, 35, 36, 37, 38]
    found = check_ranges(CensoredThresholds.from_bounds(values, values, capture="electrical"), EVIDENCE)
    position = found.groups[0].against(CENTRES)
    assert position.position == found.position == "below"
    assert (position.distance_ma, position.distance_percent) == (-21.0, pytest.approx(-100 * 21 / 55))
    assert position.distance_upper_ma > -21
    assert found.groups[0].against(EXTREMES).position == "inside"
    assert found.groups[0].against(EXTREMES).distance_ma == 0
    assert found.much
    # inside a range that begins at 0
    assert found.groups[0].against("device ceiling").distance_percent == 0


def test_median_limits_against_exact_order_statistics():
    """Without ties or censoring the limits are near the sign test's (order statistics with binomial ranks)."""
    rng = np.random.default_rng(5)
    values = np.sort(rng.lognormal(np.log(70), 0.25, 101))
    found = check_ranges(CensoredThresholds.from_bounds(values, values, capture="electrical"), EVIDENCE)
    low, high = (values[int(k)] for k in (stats.binom.ppf(0.025, 101, 0.5) - 1, 101 - stats.binom.ppf(0.025, 101, 0.5)))
    median = found.groups[0].median
    assert median.value == values[50]
    ranks = np.searchsorted(values, [low, median.lower, median.upper, high])
    assert abs(ranks[1] - ranks[0]) <= 2
    assert abs(ranks[3] - ranks[2]) <= 2


@pytest.mark.parametrize(
    ("centre", "position", "much"),
    [
        (30, "below", True),
        (75, "inside", False),
        (130, "above", True),
        (100, "above", False),
        (95, "cannot be told", False),
    ],
)
def test_position_and_much(centre, position, much):
    found = check_ranges(thresholds(centre, n=400), EVIDENCE)
    assert (found.position, found.much) == (position, much)
    if position == "above":
        assert (found.groups[0].against(CENTRES).distance_ma > MUCH_MA) is much


def test_few_patients_cannot_be_told():
    found = check_ranges(CensoredThresholds.from_bounds([40, 50], [45, 55], capture="electrical"), EVIDENCE)
    assert found.position == "cannot be told"
    assert found.reasons == ()


def test_limits_beyond_both_ends_cannot_be_told():
    # the median lies in (70, 75], inside 55 to 93, but five patients give limits beyond both ends
    found = check_ranges(
        CensoredThresholds.from_bounds([25, 30, 70, 105, 125], [30, 35, 75, 110, 130], capture="electrical"), EVIDENCE
    )
    median = found.groups[0].median
    assert median.identified == (70.0, 75.0)
    assert median.lower < 55
    assert median.upper > 93
    assert found.position == "cannot be told"


def test_left_censored_median_is_not_called_inside():
    # captured at the first setting of 60 mA: anything from 0 to 60
    found = check_ranges(CensoredThresholds.from_bounds([0] * 30, [60] * 30, capture="electrical"), EVIDENCE)
    assert found.position == "cannot be told"
    # at 40 mA it lies below 55 wherever it is
    found = check_ranges(CensoredThresholds.from_bounds([0] * 30, [40] * 30, capture="electrical"), EVIDENCE)
    assert found.position == "below"
    assert reasons(found)["a ramp that starts high"].count == 30


def test_median_beyond_the_maximum_lies_above():
    found = check_ranges(
        CensoredThresholds.from_bounds([140] * 30 + [100], [np.inf] * 30 + [105], capture="electrical"), EVIDENCE
    )
    position = found.groups[0].against(CENTRES)
    assert found.groups[0].median.value is None
    assert (found.position, position.distance_ma) == ("above", None)
    # at least that far: the lower limit of the median is 105 or 140 mA, the highest centre 93
    assert position.distance_lower_ma >= 12
    assert found.much
    # nothing known at any current
    found = check_ranges(CensoredThresholds.from_bounds([0, 0], [np.inf, np.inf], capture="electrical"), EVIDENCE)
    assert found.position == "cannot be told"


def test_shares_need_both_limits_apart():
    # published 70 and 80 %, Wilson limits 60.4 to 78.1 and 71.1 to 86.7 % (R: prop.test without correction)
    def position(captured: int, n: int) -> tuple[str, float]:
        upper = np.where(np.arange(n) < captured, 70, np.inf)
        found = check_ranges(CensoredThresholds.from_bounds([65] * n, upper, capture="electrical"), EVIDENCE)
        (share,) = found.groups[0].shares
        return share.position, share.distance

    assert position(75, 100) == ("inside", 0.0)
    assert position(190, 200) == ("above", pytest.approx(0.15))
    # beyond both published shares, but inside the limits of the higher one
    assert position(850, 1000) == ("cannot be told", pytest.approx(0.05))
    assert position(5, 20) == ("below", pytest.approx(-0.45))
    # below both, but inside the limits of the lower one
    assert position(650, 1000) == ("cannot be told", pytest.approx(-0.05))
    # so few that their own limits reach into the range
    assert position(1, 3)[0] == "cannot be told"


def test_a_share_outside_only_some_published_ranges_needs_no_reason():
    arrest = record("arrest", n=100, n_captured=10, capture_definition="ecg-response", urgency="arrest")
    upper = np.where(np.arange(400) < 120, 70, np.inf)
    local = CensoredThresholds.from_bounds(
        [65] * 400, upper, capture="electrical", covariates=pd.DataFrame({"arrest": [True] * 400})
    )
    found = check_ranges(local, table(*EVIDENCE, arrest))
    assert [share.position for share in found.groups[0].shares] == ["above", "below"]
    assert "a low device maximum" not in reasons(found)
    assert "a low device maximum" in reasons(check_ranges(local, EVIDENCE))


@pytest.mark.parametrize(
    ("arrest", "compared"),
    [
        (["yes"] * 31 + ["no"] * 29, True), (["yes"] * 30 + ["no"] * 30, False), (["yes"] * 11 + ["no"] * 49, False),
        # of those recorded
        (["yes"] * 11 + ["no"] * 9 + [None] * 40, True), ([None] * 60, False),
    ],
)  # fmt: skip
def test_shares_of_arrest_need_a_study_of_arrests(arrest, compared):
    study, _ = registry_like(arrest=arrest)
    evidence = table(*EVIDENCE, record("a", n=100, n_captured=10, capture_definition="ecg-response", urgency="arrest"))
    local = derive_thresholds(study, capture=ELECTRICAL_CAPTURE)
    found = check_ranges(local, evidence, study=study)
    assert ("share captured, electrical, arrest" in {s.name for s in found.groups[0].shares}) is compared
    assert any("cardiac arrest are left out" in note for note in found.notes) is not compared
    bare = check_ranges(thresholds(75), evidence)
    assert [s.name for s in bare.groups[0].shares] == ["share captured, electrical, mixed"]
    # nothing to leave out, nothing to say
    assert not any("left out:" in note for note in check_ranges(local, EVIDENCE, study=study).notes)


def few(*values: float) -> RangeCheck:
    return check_ranges(CensoredThresholds.from_bounds(values, values, capture="electrical"), EVIDENCE)


def test_a_median_outside_with_limits_that_reach_in():
    twelve = (91, 91, 92, 96, 120, 130, 136, 140, 145, 150, 153, 155)
    found = few(*twelve)
    median = found.groups[0].median
    assert median.lower < 93 < median.value
    assert (found.position, found.leaning, found.much) == ("cannot be told", "above", False)
    high = [reason.name for reason in found.reasons if reason.side == "high"]
    assert high[-1] == "currents that were set and not thresholds"
    # the mirror image, around 74
    low = few(*[148 - value for value in twelve if value < 148])
    assert (low.position, low.leaning) == ("cannot be told", "below")
    assert low.reasons[0].name == "false capture"
    # ten or less beyond the end, or limits that hold the whole range, tell nothing
    assert few(*[value - 27 for value in twelve]).leaning == ""
    assert few(40, 41, 42, 50, 120, 130, 136, 140, 145, 150, 153).leaning == ""
    assert few(*[140.0] * 20).leaning == ""


def test_a_median_that_was_not_reached_may_lean():
    # 5 of 12 captured, the first two below the highest centre: the limits reach into the range
    lower = [80, 82, 84, 86, 88] + [140] * 7
    upper = [85, 87, 89, 91, 93] + [np.inf] * 7
    found = check_ranges(CensoredThresholds.from_bounds(lower, upper, capture="electrical"), EVIDENCE)
    assert found.groups[0].median.value is None
    assert (found.position, found.leaning) == ("cannot be told", "above")
    # the same with devices that end at 100 mA
    lower = np.minimum(lower, 100)
    found = check_ranges(CensoredThresholds.from_bounds(lower, upper, capture="electrical"), EVIDENCE)
    assert (found.position, found.leaning) == ("cannot be told", "")


def test_capture_at_the_first_setting_is_counted():
    def first(at_once: int) -> Any:
        lower, upper = [0] * at_once + [60] * (10 - at_once), [60] * at_once + [65] * (10 - at_once)
        return check_ranges(CensoredThresholds.from_bounds(lower, upper, capture="electrical"), EVIDENCE)

    found = first(5).first_setting
    assert (found.captured, found.attempts, found.patients, found.other_patients) == (5, 10, 5, 5)
    assert first(4).first_setting is None
    assert suppress_ranges(first(5), 5).first_setting == found
    assert suppress_ranges(first(7), 5).first_setting.captured is None
    # nobody outside: nothing follows
    assert suppress_ranges(first(10), 5).first_setting.captured == 10


def test_notes_on_placement():
    local = thresholds(75, placement=[AL] * 40)
    notes = check_ranges(local, EVIDENCE).notes
    assert "All 40 attempts have anterior-lateral pads." in notes
    (note,) = [one for one in notes if "of anterior-lateral pads (" in one]
    assert "Author 1990 is left out because a number (141 mA) may stand for 'not captured' in its centre" in note
    mixed = check_ranges(thresholds(75, placement=[AL] * 20 + [AP] * 20), EVIDENCE)
    assert not any(one.startswith("All ") for one in mixed.notes)
    assert any("expected to lie above" in one for one in mixed.notes)
    assert not any("expected" in one for one in check_ranges(thresholds(75, placement=[AP] * 40), EVIDENCE).notes)
    lateral = table(*EVIDENCE, record("al2", placement=AL, current_means="threshold", n=9, mean_ma=90.0))
    found = check_ranges(local, lateral)
    assert not any("expected" in one for one in found.notes)
    assert found.groups[0].against(CENTRES).remark == ""
    # extremes still rest on none
    assert found.groups[0].against(EXTREMES).remark != ""
    assert "no published" not in reasons(check_ranges(thresholds(130, placement=[AL] * 40), lateral))[
        "anterior-lateral pads"
    ].in_short.lower()  # fmt: skip
    pads = reasons(check_ranges(thresholds(130, placement=[AL] * 40), EVIDENCE))["anterior-lateral pads"]
    assert pads.observed.endswith("No published mean or median here is of such pads.")
    assert pads.in_short == "40 of 40 attempts, and no published centre is of such pads"


def test_currents_that_were_set():
    applied = [
        record(f"set{i}", current_means="applied", n=9, median_ma=value, **others)
        for i, (value, others) in enumerate([(70.0, {}), (95.0, {}), (200.0, {"age_group": "children"})])
    ]
    evidence = table(*EVIDENCE, *applied)
    name = "currents that were set and not thresholds"
    bare = reasons(check_ranges(CensoredThresholds.from_bounds(range(120, 132), range(120, 132)), evidence))[name]
    assert (bare.verdict, bare.count, bare.total) == ("cannot be told", 12, 12)
    assert bare.observed.endswith("Published applied currents have medians of 70 to 95 mA.")
    # without a published one nothing is said of them; limits that were typed in refute nothing
    typed = reasons(check_ranges(thresholds(130), EVIDENCE))[name]
    assert (typed.verdict, typed.count) == ("cannot be told", 0)
    assert "Published" not in typed.observed
    # a ramp that was recorded does
    attempts = pd.DataFrame(
        {
            "attempt_id": [f"a{i}" for i in range(40)], "patient_id": [f"p{i}" for i in range(40)],
            "placement": [AP] * 40, "max_output_ma": [200.0] * 40,
        }
    )  # fmt: skip
    steps = pd.DataFrame(
        {
            "attempt_id": np.repeat(attempts["attempt_id"].to_numpy(), 2), "current_ma": [125.0, 130.0] * 40,
            "electrical_capture": ["no", "yes"] * 40,
        }
    )  # fmt: skip
    ramp = reasons(checked(study_from_frames(attempts, steps)))[name]
    assert (ramp.verdict, ramp.count) == ("against", 0)
    assert "lower settings were tried" in ramp.observed


def test_share_reads_stopping_early_as_not_captured():
    frame = pd.DataFrame(
        {
            "patient_id": list("abcd"), "placement": [AP] * 4, "max_output_ma": [140.0] * 4,
            "highest_no_capture_ma": [60, 65, 90, 140], "lowest_capture_ma": [65, 70, None, None],
            "capture_criterion": ["electrical"] * 4,
        }
    )  # fmt: skip
    study = study_from_frames(frame)
    found = check_ranges(derive_thresholds(study, capture=ELECTRICAL_CAPTURE), EVIDENCE, study=study)
    share = found.groups[0].share
    assert (share.captured, share.attempts, share.stopped_early, share.fewest_patients) == (2, 4, 1, 1)
    assert share.estimate.value == 0.5
    assert "75 %" in share.estimate.notes[0]


def registry_like(n: int = 60, **columns: Any) -> Any:
    """A study of ``n`` attempts with thresholds around 120 mA, and the columns given."""
    rng = np.random.default_rng(3)
    upper = 5 * np.ceil(rng.lognormal(np.log(115), 0.1, n) / 5)
    frame = pd.DataFrame(
        {
            "patient_id": [f"p{i}" for i in range(n)], "placement": [AP] * n, "max_output_ma": [200.0] * n,
            "highest_no_capture_ma": upper - 5, "lowest_capture_ma": upper, "capture_criterion": ["electrical"] * n,
            **columns,
        }
    )  # fmt: skip
    return study_from_frames(frame), upper


def checked(study: Any, **others: Any) -> RangeCheck:
    return check_ranges(derive_thresholds(study, capture=ELECTRICAL_CAPTURE), EVIDENCE, study=study, **others)


def test_reasons_for_higher_thresholds_in_their_order():
    study, _ = registry_like(
        placement=[AL] * 57 + [AP] * 3, arrest=["yes"] * 3 + ["no"] * 57, weight_kg=[101.0] * 20 + [70.0] * 40,
        pacing_start_s=[1201.0] * 15 + [60.0] * 45, pulse_width_ms=[5.0] * 2 + [20.0] * 58,
    )  # fmt: skip
    found = checked(study)
    assert [reason.name for reason in found.reasons] == [
        "anterior-lateral pads", "high body weight", "cardiac arrest", "late pacing", "short pulses",
        "currents that were set and not thresholds",
        # everybody was captured, and published shares are 70 and 80 %
        "false capture", "another definition of capture",
    ]  # fmt: skip
    by_name = reasons(found)
    lateral = by_name["anterior-lateral pads"]
    # three attempts without are too few for a median of theirs
    assert (lateral.count, lateral.total, lateral.verdict, lateral.patients_without) == (57, 60, "for", 3)
    assert "33 mA higher than with anterior-posterior pads in 13 patients (Author 1990)" in lateral.observed
    arrest = by_name["cardiac arrest"]
    assert (arrest.count, arrest.total, arrest.verdict) == (3, 60, "against")
    assert arrest.observed.startswith("3 of 60 attempts began in cardiac arrest.")
    assert (by_name["high body weight"].count, by_name["late pacing"].count) == (20, 15)
    # 1 / (1 - exp(-5 / 2.4)) = 1.14, the factor at 5 ms in the project's notes on published facts
    assert "1.14 times" in by_name["short pulses"].observed
    assert by_name["short pulses"].verdict == "against"
    assert all(reason.side in ("high", "captured more often") for reason in found.reasons)


def test_a_feature_explains_when_the_rest_lies_inside():
    lateral = np.arange(60) % 3 > 0
    study, _ = registry_like(
        placement=np.where(lateral, AL, AP), highest_no_capture_ma=np.where(lateral, 115.0, 75.0),
        lowest_capture_ma=np.where(lateral, 120.0, 80.0), weight_kg=np.where(np.arange(60) % 2, 120.0, 70.0),
    )  # fmt: skip
    by_name = reasons(checked(study))
    assert by_name["anterior-lateral pads"].verdict == "for"
    assert "between 75 and 80 mA" in by_name["anterior-lateral pads"].observed
    # weight has nothing to do with it: the others lie above as well
    assert by_name["high body weight"].verdict == "against"
    assert "between 115 and 120 mA" in by_name["high body weight"].observed


def test_what_was_not_recorded_cannot_be_told():
    study, _ = registry_like(placement=["unknown"] * 60, pacing_start_s=[0.0] * 60, weight_kg=[120.0] + [None] * 59)
    by_name = reasons(checked(study))
    verdicts = [
        by_name[name].verdict for name in ("anterior-lateral pads", "cardiac arrest", "late pacing", "short pulses")
    ]
    assert verdicts == ["cannot be told"] * 4
    assert by_name["cardiac arrest"].observed == "Not recorded in the file."
    assert "time zero" in by_name["late pacing"].observed
    assert "not recorded in 59" in by_name["high body weight"].observed
    # a third of the patients were weighed, none of them heavy: that refutes nothing
    study, _ = registry_like(weight_kg=[70.0] * 20 + [None] * 40)
    assert reasons(checked(study))["high body weight"].verdict == "cannot be told"
    study, _ = registry_like(weight_kg=[70.0] * 40 + [None] * 20)
    assert reasons(checked(study))["high body weight"].verdict == "against"
    # without the study nothing but the thresholds is known
    alone = check_ranges(thresholds(130), EVIDENCE)
    assert reasons(alone)["late pacing"].verdict == "cannot be told"


def low_study(reviewed: int, false: int, **columns: Any) -> Any:
    """Fifty patients, captured in the second of two settings, 25 and 30 mA; some claims reviewed, some false."""
    n = 50
    attempts = pd.DataFrame(
        {
            "attempt_id": [f"a{i}" for i in range(n)], "patient_id": [f"p{i}" for i in range(n)],
            "placement": [AP] * n, "max_output_ma": [140.0] * n, **columns,
        }
    )  # fmt: skip
    steps = pd.DataFrame(
        {
            "attempt_id": np.repeat(attempts["attempt_id"].to_numpy(), 2), "current_ma": [25.0, 30.0] * n,
            "electrical_capture": ["no", "yes"] * n,
            "adjudicated_capture": [
                None if k == 0 or i >= reviewed else ("no" if i < false else "yes") for i in range(n) for k in (0, 1)
            ],
        }
    )  # fmt: skip
    return study_from_frames(attempts, steps)


@pytest.mark.parametrize(
    ("reviewed", "false", "verdict"),
    [(50, 20, "for"), (50, 0, "against"), (3, 0, "cannot be told"), (0, 0, "cannot be told")],
)
def test_false_capture_is_read_from_the_reference(reviewed, false, verdict):
    found = checked(low_study(reviewed, false))
    reason = found.reasons[0]
    assert (found.position, reason.name, reason.verdict) == ("below", "false capture", verdict)
    if reviewed:
        assert (reason.count, reason.total) == (false, reviewed)
    else:
        assert reason.observed == "There is no reference in the file."


def test_reasons_for_lower_thresholds_in_their_order():
    found = checked(low_study(50, 20, pulse_width_ms=[45.0] * 50))
    low = [reason for reason in found.reasons if reason.side == "low"]
    assert [reason.name for reason in low] == [
        "false capture", "wrong unit", "another definition of capture", "long pulses", "a ramp that starts high",
    ]  # fmt: skip
    by_name = {reason.name: reason for reason in low}
    # even steps refute nothing
    assert (by_name["wrong unit"].verdict, by_name["wrong unit"].in_short) == ("cannot be told", "nothing odd")
    definition = by_name["another definition of capture"]
    assert definition.verdict == "for"
    assert "1 of 3 published centres ask for the same kind" in definition.observed
    # all pulses are long, and still that explains next to nothing
    assert (by_name["long pulses"].count, by_name["long pulses"].verdict) == (50, "against")
    assert by_name["a ramp that starts high"].count == 0


@pytest.mark.parametrize(
    ("capture", "verdict"),
    [("mechanical", "cannot be told"), ("adjudicated", "against"), ("electrical", "cannot be told")],
)
def test_false_capture_depends_on_the_definition(capture, verdict):
    found = check_ranges(thresholds(30, capture=capture), EVIDENCE)
    assert reasons(found)["false capture"].verdict == verdict


def test_wrong_units():
    tenth = check_ranges(CensoredThresholds.from_bounds([6, 7, 8] * 20, [6.5, 7.5, 8.5] * 20), EVIDENCE)
    assert reasons(tenth)["wrong unit"].verdict == "for"
    assert "above 20 mA" in reasons(tenth)["wrong unit"].observed
    # biphasic selections: 5, 10, 20, 30, 50 in uneven steps
    joules = check_ranges(CensoredThresholds.from_bounds([5, 10, 20, 30] * 20, [10, 20, 30, 50] * 20), EVIDENCE)
    assert reasons(joules)["wrong unit"].verdict == "for"
    assert "energies" in reasons(joules)["wrong unit"].observed
    # a ramp of 10 mA has even steps, although 10, 20 and 30 are energies too
    ramp = check_ranges(CensoredThresholds.from_bounds([10, 20] * 20, [20, 30] * 20), EVIDENCE)
    assert reasons(ramp)["wrong unit"].verdict == "cannot be told"


def test_captured_less_often_asks_for_the_device():
    study, _ = registry_like(
        highest_no_capture_ma=[80.0] * 50 + [60.0] * 10, lowest_capture_ma=[None] * 50 + [65.0] * 10,
        max_output_ma=[80.0] * 40 + [200.0] * 20,
    )  # fmt: skip
    found = checked(study)
    less = [reason for reason in found.reasons if reason.side == "captured less often"]
    assert [reason.name for reason in less][:2] == ["a low device maximum", "ramps stopped early"]
    assert [(reason.count, reason.verdict) for reason in less[:2]] == [(40, "for"), (10, "for")]


def test_unusual_thresholds_are_listed_by_their_row():
    study, upper = registry_like()
    upper[:4] = [20.0, 25.0, 150.0, 145.0]
    attempts = study.attempts.assign(lowest_capture_ma=upper, highest_no_capture_ma=upper - 5)
    study = replace(study, attempts=attempts, attempt_source_rows=np.arange(60) * 2 + 7)
    found = checked(study)
    # 25 mA is not below 25; 140 to 145 lies above 140
    assert [(u.row, u.side, u.upper_ma) for u in found.unusual if u.row < 15] == [
        (7, "under", 20.0), (11, "over", 150.0), (13, "over", 145.0),
    ]  # fmt: skip
    assert found.n_under == 1
    assert "p0" not in repr(found)
    # without the study there is no file to name a row of
    alone = check_ranges(thresholds(40), EVIDENCE).unusual
    assert alone
    assert all(u.row is None and u.upper_ma == 20 for u in alone)


def test_suppression_hides_small_groups_and_counts():
    placement = np.array([AP] * 57 + [AL] * 3)
    study, _ = registry_like(placement=placement, arrest=["yes"] * 3 + ["no"] * 57)
    found = checked(study)
    assert suppress_ranges(found, 1) is found
    small = suppress_ranges(found, 5)
    # AL is gone, and with it the total, from which it would follow
    assert [group.label for group in small.groups] == [AP]
    assert small.unusual == ()
    assert reasons(small)["cardiac arrest"].observed == SMALL_COUNTS
    assert reasons(small)["cardiac arrest"].count is None
    assert reasons(small)["cardiac arrest"].verdict == "against"
    assert reasons(small)["anterior-lateral pads"].patients_with is None
    for position in small.groups[0].medians:
        assert position.counts is None or position.counts.fewest_patients >= 5
    assert small.n_over is None or small.n_over == 0


def test_suppression_hides_a_total_where_one_part_is_hidden():
    # inside 40 to 80 mA and above: anterior-posterior 20 and 0, anterior-lateral 18 and 2, other 5 and 5
    upper = np.array([70.0] * 38 + [100.0] * 2 + [70.0] * 5 + [100.0] * 5)
    placement = [AP] * 20 + [AL] * 20 + ["other"] * 10

    def suppressed(ends: np.ndarray) -> RangeCheck:
        local = CensoredThresholds.from_bounds(upper - 5, ends, placement=placement, capture="electrical")
        return suppress_ranges(check_ranges(local, EVIDENCE), 3)

    found = suppressed(upper)
    assert [group.label for group in found.groups] == [EVERYTHING, AL, AP, "other"]
    # the total has 7 above, but 7 less 0 and 5 is what is hidden
    assert [group.against(TRADE[0]).counts is None for group in found.groups] == [True, True, False, False]
    # everybody was captured: no small count in the shares
    assert all(group.share is not None for group in found.groups)
    missed = np.where(np.isin(np.arange(50), [0, 45, 46, 47]), np.inf, upper)
    found = suppressed(missed)
    assert [group.share is None for group in found.groups] == [True, False, True, False]
    assert [group.shares == () for group in found.groups] == [True, False, True, False]


def test_a_study_smaller_than_the_fewest_shows_nothing():
    whole = check_ranges(
        CensoredThresholds.from_bounds([0] * 4, [30] * 4, capture="electrical", placement=[AL] * 4), EVIDENCE
    )
    assert whole.reasons
    found = suppress_ranges(whole, 5)
    assert (found.groups, found.reasons, found.first_setting, found.position) == ((), (), None, "cannot be told")
    assert "4 attempts" not in repr(found)
    assert suppress_ranges(found, 5) == found


@settings(max_examples=15, deadline=None)
@given(st.sampled_from([0.3, 0.5, 0.6]), st.integers(1, 1000))
def test_a_scaled_study_comes_out_below(factor, seed):
    rng = np.random.default_rng(seed)
    upper = 5 * np.ceil(rng.lognormal(np.log(73), 0.2, 80) / 5)
    whole = check_ranges(CensoredThresholds.from_bounds(upper - 5, upper, capture="electrical"), EVIDENCE)
    part = check_ranges(
        CensoredThresholds.from_bounds(factor * (upper - 5), factor * upper, capture="electrical"), EVIDENCE
    )
    assert whole.position == "inside"
    assert part.position == "below"
    assert part.groups[0].median.value == pytest.approx(factor * whole.groups[0].median.value)


def test_registry_is_checked_quickly_and_repeatably(shipped):
    study = read_study(shipped / "registry")
    for capture in CAPTURE_DEFINITIONS[:3]:
        derived = derive_thresholds(study, capture=capture)
        found = check_ranges(derived, EVIDENCE, study=study)
        assert found == check_ranges(derived, EVIDENCE, study=study)
        assert found.capture == capture.name
        for group in found.groups:
            counts = group.against(TRADE[0]).counts
            assert counts.below + counts.inside + counts.above + counts.undecided == group.attempts
        suppress_ranges(found, 5)
    derived = derive_thresholds(study, capture=MECHANICAL_CAPTURE)
    times = 5000 // len(derived) + 1
    many = CensoredThresholds.from_bounds(
        np.tile(derived.lower_ma, times), np.tile(derived.upper_ma, times),
        np.concatenate([derived.patient + 10_000 * k for k in range(times)]), np.tile(derived.placement, times),
        covariates=pd.concat([derived.covariates] * times), capture="mechanical",
    )  # fmt: skip
    start = time.perf_counter()
    check_ranges(many, EVIDENCE, study=study)
    assert time.perf_counter() - start < 1


def test_currents_off_every_grid_take_no_longer():
    rng = np.random.default_rng(1)
    lower = rng.lognormal(np.log(75), 0.25, 5000)
    upper = lower + rng.uniform(1, 9, 5000)
    local = CensoredThresholds.from_bounds(lower, upper, capture="electrical")
    start = time.perf_counter()
    found = check_ranges(local, EVIDENCE)
    assert time.perf_counter() - start < 1
    median = found.groups[0].median
    assert "widened" in median.notes[-1]
    # the median of the middles is 80; a grid of 1 or 2 mA moves it by no more than that
    assert median.lower <= np.median((lower + upper) / 2) <= median.upper
    assert median.upper - median.lower < 8
    exact = CensoredThresholds.from_bounds(np.arange(40, 100, 0.1), np.arange(40, 100, 0.1), capture="electrical")
    assert check_ranges(exact, EVIDENCE).groups[0].median.value == pytest.approx(70, abs=1)


def test_children_and_missing_evidence_are_said():
    study, _ = registry_like()
    attempts = derive_thresholds(study, capture=ELECTRICAL_CAPTURE)
    young = replace(attempts, covariates=attempts.covariates.assign(age_years=[12.0] + [50.0] * 59))
    assert any("under 18" in note for note in check_ranges(young, EVIDENCE).notes)
    assert not any("under 18" in note for note in check_ranges(attempts, EVIDENCE).notes)
    bare = check_ranges(attempts, table())
    assert bare.position == "cannot be told"
    assert any("no mean or median" in note for note in bare.notes)


def test_refusals():
    with pytest.raises(UsageError, match="between 0 and 1, not be 95"):
        check_ranges(thresholds(75), EVIDENCE, level=95)
    with pytest.raises(NotEstimableError, match="no attempts"):
        check_ranges(CensoredThresholds.from_bounds([], []), EVIDENCE)
