"""Closed lists of words of the evidence table.

At least five definitions of capture are in use in published work; a count without its definition means nothing, so
every record names one.
"""

from __future__ import annotations

from typing import Final

from capstat.attempts.vocabulary import Term, Vocabulary

__all__ = [
    "AGE_GROUP",
    "CAPTURE_DEFINITION",
    "COUNTED",
    "CURRENT_MEANS",
    "DESIGN",
    "EVIDENCE_SETTING",
    "MECHANICAL_DEFINITIONS",
    "NON_CAPTURE",
    "PROVENANCE",
    "SEEN_IN",
    "URGENCY",
]

AGE_GROUP: Final = Vocabulary(
    "age_group",
    (
        Term("adults", "adults", ("adult",)),
        Term("children", "children", ("child", "paediatric", "pediatric")),
        Term("mixed", "adults and children, or not said", ("not stated", "unknown")),
    ),
)

URGENCY: Final = Vocabulary(
    "urgency",
    (
        Term("elective", "volunteers, planned procedures and tests: nobody in danger", ("volunteers", "planned")),
        Term("emergency", "paced for a slow heart with an output, or a mixture in which arrest is the exception",
             ("bradycardia",)),
        Term("arrest", "paced during cardiac arrest", ("cardiac arrest",)),
        Term("mixed", "several of these together, not told apart, or not said", ("not stated", "unknown")),
    ),
)  # fmt: skip

EVIDENCE_SETTING: Final = Vocabulary(
    "setting",
    (
        Term("prehospital", "before arrival at a hospital", ("pre-hospital", "EMS", "ambulance")),
        Term("emergency-department", "emergency department", ("ED", "emergency room")),
        Term("hospital", "wards, intensive care and emergencies in a hospital", ("ward", "intensive care")),
        Term("procedure-laboratory", "electrophysiology or catheterisation laboratory", ("EP lab", "cath lab")),
        Term("operating-theatre", "operating theatre", ("operating room", "theatre")),
        Term("research-laboratory", "volunteers in a laboratory", ("laboratory",)),
        Term("mixed", "several of these, or not said", ("not stated", "unknown", "several")),
    ),
)

DESIGN: Final = Vocabulary(
    "design",
    (
        Term("randomised", "patients allocated by chance", ("RCT", "randomized")),
        Term("crossover", "both placements in the same patients", ("cross-over",)),
        Term("controlled", "allocated by day, district or choice", ("alternate days", "quasi-randomised")),
        Term("series", "one group without a control", ("case series", "cohort", "volunteers")),
        Term("review", "numbers pooled by a review: never pooled again", ("systematic review",)),
    ),
)

CAPTURE_DEFINITION: Final = Vocabulary(
    "capture_definition",
    (
        Term("ecg-response", "any definite response in the electrocardiogram", ("any ECG response",)),
        Term("share-of-beats", "a stated share of impulses captured while the current was raised (75 % in one study)"),
        Term("sustained", "at least 90 % of impulses captured, kept until pacing ended"),
        Term("qrs-and-t", "a wide QRS and a T wave after impulses, read afterwards from the recording",
             ("adjudicated", "reviewed")),
        Term("intracardiac", "activation seen by an electrode in the heart"),
        Term("oximeter-rate", "pulse-oximeter rate equal to the set rate for 10 s", ("oximeter",)),
        Term("pulse", "a pulse felt, or a blood pressure measured", ("palpated pulse", "blood pressure")),
        Term("improvement", "clinical improvement with pacing", ("clinical improvement",)),
        Term("as-claimed", "what the crew documented; nobody read it again", ("claimed", "documented")),
        Term("electrical-undescribed", "called electrical capture; the criterion was not seen"),
        Term("undescribed", "called capture or pacing; the criterion was not seen", ("not stated", "unknown")),
    ),
)  # fmt: skip

MECHANICAL_DEFINITIONS: Final = frozenset({"oximeter-rate", "pulse", "improvement"})
"""Definitions that ask whether blood was moved."""

NON_CAPTURE: Final = Vocabulary(
    "non_capture",
    (
        Term("none", "everybody was captured", ("all captured", "no non-capture")),
        Term("left-out", "patients who were not captured are not in the statistic", ("dropped", "captured only")),
        Term("imputed", "a number stands for 'not captured' (imputed_as_ma)", ("maximum + 1",)),
        Term("censored", "analysed as above the highest current"),
        Term("not-stated", "not said", ("unknown", "not stated")),
    ),
)

CURRENT_MEANS: Final = Vocabulary(
    "current_means",
    (
        Term("threshold", "lowest current that captured"),
        Term("applied", "current that was set, with or without capture: never a threshold", ("set current", "maximum")),
    ),
)

COUNTED: Final = Vocabulary(
    "counted",
    (
        Term("patients", "one count for each patient", ("patient",)),
        Term("episodes", "one count for each episode of pacing; patients may have several", ("episode",)),
        Term("trials", "several trials in each patient", ("attempts",)),
    ),
)

PROVENANCE: Final = Vocabulary(
    "provenance",
    (
        Term("verified", "the numbers were read on a published page"),
        Term("memory", "a pointer to a study, without numbers"),
        Term("own", "added by the user", ("user", "local")),
    ),
)

SEEN_IN: Final = Vocabulary(
    "seen_in",
    (
        Term("abstract", "the study's own abstract"),
        Term("paper", "the full paper", ("full text",)),
        Term("secondary", "a summary by somebody else", ("secondary summary",)),
        Term("not-seen", "nothing was read", ("none",)),
    ),
)
