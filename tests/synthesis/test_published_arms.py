"""The published table: complete, without numbers from memory, and with the numbers of the fact sheet.

Spot values were typed from the fact sheet of this project, which marks how each is known: [V] read in an abstract or on
a primary page, [V-] read in a secondary summary, [D] worked out from [V] values.
"""

from __future__ import annotations

import re
from collections import Counter
from itertools import chain

import pytest

from capstat.synthesis.evidence_fields import EVIDENCE_FIELDS
from capstat.synthesis.evidence_file import PUBLISHED, join_evidence, published_evidence

TABLE = published_evidence()
ARMS = {arm.arm: arm for arm in TABLE}
NUMBERS = [f.name for f in EVIDENCE_FIELDS if f.kind in ("number", "whole") and f.name not in ("pmid", "year")]


def test_the_table_passes_every_check():
    assert TABLE.sources == (PUBLISHED,)
    assert not [f for f in TABLE.findings if f.severity == "error"]
    # means without SD, and nothing else, are worth a warning
    assert Counter(f.rule for f in TABLE.findings) == {"no-sd": 4}
    assert {TABLE.arms[f.row - 2].arm for f in TABLE.findings} == {
        "moayedi2022_AP_threshold",
        "moayedi2022_AL_threshold",
        "altamura1990_emergency",
        "chapman1992_volunteers",
    }
    assert join_evidence([TABLE]) == TABLE
    assert published_evidence() is TABLE


def test_totals():
    """Sums of the columns of the table that was collected for this project (58 rows), and what was changed on purpose."""
    assert len(TABLE) == 58 + 3  # three rows hold two definitions of capture
    assert Counter(arm.provenance for arm in TABLE) == {"verified": 56, "memory": 5}
    assert Counter(arm.seen_in for arm in TABLE) == {"abstract": 50, "secondary": 6, "not-seen": 5}
    for name, (count, total) in {
        "mean_ma": (11, 803.5),
        "sd_ma": (5, 69.3),
        "median_ma": (2 + 3, 114 + 95 + 70 + 90),  # the applied currents stood in the notes
        "minimum_ma": (6 + 2, 220 + 85 + 55),
        "maximum_ma": (6 + 2, 542 + 110 + 160),
        "max_output_ma": (7, 1030),
        "pulse_width_ms": (4, 100),
        # electrical and mechanical counts were two columns; trials and what was claimed stood elsewhere
        "n_captured": (18 + 7 + 2, 450 + 50 + 53 + 23),
        # captures were outcomes too: 14, 8, 53 and 9
        "outcome_events": (28 - 4, 478 - 14 - 8 - 53 - 9),
    }.items():
        values = [getattr(arm, name) for arm in TABLE if getattr(arm, name) is not None]
        assert (len(values), sum(values)) == (count, pytest.approx(total)), name


def test_records_from_memory_hold_no_number():
    memory = [arm for arm in TABLE if arm.provenance == "memory"]
    assert {arm.arm for arm in memory} == {"falk_ngai1986", "barthell1988", "hedges1991", "sodeck2007", "falk1983"}
    for arm in memory:
        assert all(getattr(arm, name) is None for name in (*NUMBERS, "pmid")), arm.arm
        assert arm.seen_in == "not-seen"
        assert not re.search("[0-9]", arm.notes + arm.population + arm.pads + arm.outcome + arm.derived)


def test_pointers_hold_nothing_but_the_number_of_people():
    for code, n in {"holger2003_ultrasound": 15, "battinelli1993": 32, "heller1989": 10, "klein1988": 16}.items():
        given = {name: getattr(ARMS[code], name) for name in NUMBERS if getattr(ARMS[code], name) is not None}
        assert given == {"n": n}
        assert ARMS[code].provenance == "verified"


def test_every_number_has_its_citation_and_its_definition():
    for arm in TABLE:
        assert arm.citation
        assert arm.study
        assert arm.n_captured is None or arm.capture_definition
        assert arm.current_means != "threshold" or (arm.capture_definition and arm.non_capture)
    assert len({arm.capture_definition for arm in TABLE if arm.n_captured is not None}) >= 5


def test_overlaps_are_named_on_both_sides():
    for arm in TABLE:
        for other in arm.overlaps:
            assert arm.arm in ARMS[other].overlaps, (arm.arm, other)


def test_series_of_one_service_may_hold_the_same_people():
    others = {"clinton1985", "eitel1987_electrical", "eitel1987_pulse"}
    assert set(ARMS["circulation1985"].overlaps) == others
    assert all("circulation1985" in ARMS[code].overlaps for code in others)


def test_a_criterion_from_a_secondary_summary_says_so():
    words = "The capture criterion is from a secondary summary."
    assert {arm.arm for arm in TABLE if arm.notes.endswith(words)} == {
        "moayedi2022_AP_threshold", "moayedi2022_AL_threshold",
    }  # fmt: skip


def test_arms_of_one_study_that_are_not_compared_overlap_or_are_apart_by_intention():
    """People are apart: two indications, two results of an audit, and the arms of a controlled comparison."""
    apart = set()
    for first in TABLE:
        for second in TABLE:
            linked = second.arm in (*first.overlaps, first.compared_with) or first.arm == second.compared_with
            if first.arm < second.arm and first.study == second.study and not linked:
                apart.add(first.study)
    assert apart == {"madsen1988_ahj", "sherbino2006"}


def test_derived_numbers_say_so():
    named = {arm.arm: arm.derived for arm in TABLE if arm.derived}
    assert set(named) == {
        "moayedi2022_AP_threshold", "moayedi2022_AP_capture", "moayedi2022_AL_capture", "altamura1990_emergency",
        "madsen1988_ahj_indicated", "madsen1988_ahj_elective", "clinton1985", "kimbrell2024_all", "kimbrell2024_true",
    }  # fmt: skip
    names = {field.name for field in EVIDENCE_FIELDS}
    for arm in TABLE:
        fields = re.findall(r"(?:^|; )((?:\w+, )*\w+):", arm.derived)
        assert all(name in names for name in chain(*(part.split(", ") for part in fields)))
        assert not arm.derived or fields


def test_what_may_never_be_pooled():
    assert {arm.arm for arm in TABLE if arm.not_pooled} == {
        "altamura1989_subset", "beland1987_all_trials", "prochaczek1989_volunteers", "otoole1987", "kimbrell2024_claimed",
        "pace1988_32pts",
        *(arm.arm for arm in TABLE if arm.study == "sherbino2006"),
    }  # fmt: skip
    assert sum(arm.study == "sherbino2006" for arm in TABLE) == 7
    assert {arm.arm for arm in TABLE if arm.current_means == "applied"} == {
        "kimbrell2024_true", "kimbrell2024_false", "ress2025_multicentre",
    }  # fmt: skip


SPOT = [
    ("moayedi2022_AP_threshold", {"mean_ma": 93, "non_capture": "left-out", "max_output_ma": 140, "n_current": 13}),  # [V], [D]
    ("moayedi2022_AL_threshold", {"mean_ma": 126, "sd_ma": None, "non_capture": "imputed", "n_current": 13}),  # [V]
    ("moayedi2022_AP_threshold", {"difference_ma": -33, "difference_lower_ma": -45, "difference_upper_ma": -20}),  # [V]
    ("moayedi2022_AP_capture", {"n_captured": 14, "n": 18, "n_pairs": 17, "capture_definition": "oximeter-rate"}),  # [D]
    ("moayedi2022_AL_capture", {"n_captured": 8, "n": 19}),  # [D]
    ("altamura1990_emergency", {"n": 32, "n_captured": 30, "mean_ma": 81, "pulse_width_ms": 20, "outcome_events": 5}),  # [V]
    ("altamura1990_activation", {"n": 8, "mean_ma": 74, "sd_ma": 14, "max_output_ma": 150, "outcome_events": 4}),  # [V]
    ("altamura1989_subset", {"n": 4, "mean_ma": 70}),  # [V]
    ("madsen1988_ahj_indicated", {"n": 24, "n_captured": 22, "minimum_ma": 30, "maximum_ma": 110}),  # [V-]
    ("madsen1988_ahj_elective", {"median_ma": 55, "minimum_ma": 45, "maximum_ma": 90}),  # [V-]
    ("madsen1988_ahj_elective", {"n": 11, "n_captured": 11}),  # [D] 33/35 less 22/24
    ("madsen1988_pace_volunteers", {"n": 10, "median_ma": 59, "minimum_ma": 38, "maximum_ma": 70, "pmid": 2459672}),  # [V]
    ("chapman1992_volunteers", {"n": 30, "mean_ma": 80, "outcome_events": 29, "capture_definition": "share-of-beats"}),  # [V]
    ("prochaczek1989_volunteers", {"n": 15, "n_captured": 10, "mean_ma": 42}),  # [V]
    ("pulse_shape_ga_rectangular", {"n": 58, "mean_ma": 70.5, "sd_ma": 18.3, "max_output_ma": 120, "pulse_width_ms": 40}),  # [V-]
    ("beland1987_all_trials", {"n": 56, "n_captured": 53, "counted": "trials"}),  # [V]
    ("beland1987_large", {"n": None, "n_current": None, "mean_ma": 63, "sd_ma": 14, "minimum_ma": 42, "maximum_ma": 98}),  # [V]
    ("beland1987_medium", {"mean_ma": 53, "sd_ma": 12, "minimum_ma": 36, "maximum_ma": 92}),  # [V]
    ("beland1987_small", {"mean_ma": 51, "sd_ma": 11, "minimum_ma": 29, "maximum_ma": 82}),  # [V]
    ("circulation1985", {"n": 134, "n_captured": 105, "outcome_events": 73, "outcome_n": 82}),  # [V-]
    ("paris1985_electrical", {"n": 105, "n_captured": 55}),  # [V]
    ("paris1985_pulse", {"n": 112, "n_captured": 9, "outcome_events": 0, "outcome_n": 112}),  # [V]
    ("eitel1987_electrical", {"n": 91, "n_captured": 85, "capture_definition": "electrical-undescribed"}),  # [V]
    ("eitel1987_pulse", {"n": 91, "n_captured": 10, "capture_definition": "pulse", "outcome_events": 0}),  # [V]
    ("quan1992_electrical", {"n": 9, "n_captured": 2}),  # [V]
    ("quan1992_pulse", {"n": 9, "n_captured": 0}),  # [V]
    ("clinton1985", {"n": 37, "n_captured": 8, "outcome_events": 6 + 5}),  # [V], sum [D]
    ("pace1988_32pts", {"n": 32, "n_captured": 5, "max_output_ma": 200, "pulse_width_ms": 20}),  # [V]
    ("cummins1993_pacing", {"n": 278, "outcome_events": 11, "compared_with": "cummins1993_control"}),  # [V]
    ("cummins1993_control", {"n": 259, "outcome_events": 5, "paced": False}),  # [V]
    ("morrison2008_pacing", {"outcome_events": 29, "outcome_n": 42, "compared_with": "morrison2008_dopamine"}),  # [V]
    ("morrison2008_dopamine", {"outcome_events": 28, "outcome_n": 40, "paced": False}),  # [V]
    ("sherbino2006_arrest_trials_paced", {"outcome_events": 16, "outcome_n": 509}),  # [V]
    ("kimbrell2024_all", {"n": 23, "n_captured": 23 - 19, "outcome_events": 19, "capture_definition": "qrs-and-t"}),  # [V], [D]
    ("kimbrell2024_claimed", {"n": 23, "n_captured": 23, "capture_definition": "as-claimed"}),  # [V]
    ("kimbrell2024_true", {"n_current": 4, "median_ma": 95, "minimum_ma": 85, "maximum_ma": 110}),  # [V]
    ("kimbrell2024_false", {"n_current": 19, "median_ma": 70, "minimum_ma": 55, "maximum_ma": 160}),  # [V]
    ("ress2025_multicentre", {"n": 299, "n_captured": 29, "median_ma": 90, "q1_ma": 70, "q3_ma": 110, "outcome_events": 124}),  # [V]
    ("ress2025_fire_ems", {"n": 56, "n_captured": 18, "capture_definition": "qrs-and-t"}),  # [V]
    ("smida2024_mortality", {"n": 13270, "outcome_n": 2560, "outcome_events": None}),  # [V]
    ("smida2024_failure", {"n": 7930, "outcome_events": None}),  # [V]
]  # fmt: skip


@pytest.mark.parametrize(("code", "values"), SPOT, ids=[f"{at}-{code}" for at, (code, _) in enumerate(SPOT)])
def test_spot_values(code, values):
    assert {name: getattr(ARMS[code], name) for name in values} == values
