"""The one table of fields: reading, checking, data dictionary, templates and schema are all made from it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from capstat.attempts import vocabulary as words
from capstat.attempts.field import Field

if TYPE_CHECKING:
    from capstat.attempts.field import Table, When

__all__ = [
    "ATTEMPT_FIELDS",
    "DEVICE_CEILING_SOURCE",
    "PATIENT_FIELDS",
    "PERIOD_FIELDS",
    "STEP_FIELDS",
    "TABLES",
    "TABLE_MEANINGS",
    "field_named",
]

DEVICE_CEILING_SOURCE: Final = "US 21 CFR 870.5550"
"""Special controls for external pacemakers: not above 200 mA, not above 50 ms."""

_CEILING_MA: Final = 200.0
_CEILING_MS: Final = 50.0
_LONGEST_S: Final = 1e7


def _current(
    name: str, table: Table, meaning: str, why: str, when: When, *, required: bool = False, minimum: float = 0.0,
    plausible_minimum: float | None = None, blank_means: str = "",
) -> Field:  # fmt: skip
    return Field(
        name, table, meaning, "number", "mA", when=when, required=required, minimum=minimum, maximum=_CEILING_MA,
        plausible_minimum=plausible_minimum, why=why, blank_means=blank_means,
        limit_source=DEVICE_CEILING_SOURCE,
    )  # fmt: skip


def _yes_no(name: str, table: Table, meaning: str, why: str, when: When, blank_means: str = "") -> Field:
    return Field(name, table, meaning, "yes_no", when=when, allowed=words.YES_NO, why=why, blank_means=blank_means)


def _seconds(name: str, table: Table, meaning: str, why: str, when: When) -> Field:
    return Field(name, table, meaning, "number", "s", when=when, minimum=-_LONGEST_S, maximum=_LONGEST_S, why=why)


def _sign(name: str, meaning: str) -> Field:
    why = "how well bedside signs tell capture from its imitation"
    return _yes_no(name, "steps", meaning, why, "after", "the sign was not looked for")


ATTEMPT_FIELDS: Final[tuple[Field, ...]] = (
    Field("attempt_id", "attempts", "code of the attempt, the same in the steps table", "identifier", when="record",
          why="joins the steps to their attempt; needed only when there is a steps table"),
    Field("patient_id", "attempts", "study code of the patient; never a name or a record number",
          "identifier", when="record", required=True, why="attempts in one patient are not independent of each other"),
    Field("placement", "attempts", "where the pads were", "category", when="with", allowed=words.PLACEMENT,
          required=True, why="the comparison of placements"),
    Field("attempt_order", "attempts", "1 for the patient's first attempt, 2 for the second, and so on", "whole",
          when="after", minimum=1, maximum=1000, plausible_maximum=20,
          why="order effects when a patient had both placements"),
    Field("study_month", "attempts", "months since the study's own first month, which is 1; never a date", "whole",
          when="before", minimum=1, maximum=1200, plausible_maximum=240,
          why="whether false captures became rarer, for example after training"),
    Field("setting", "attempts", "where the patient was paced", "category", when="before", allowed=words.SETTING,
          why="describes to whom the results apply"),
    Field("assignment", "attempts", "how the placement was decided", "category", when="record",
          allowed=words.ASSIGNMENT, why="a chosen placement needs adjustment for what the choice was based on"),
    _current("max_output_ma", "attempts", "highest current that the device can give",
             "a threshold that was not reached lies above it", "before", required=True, minimum=1.0,
             plausible_minimum=80.0),
    _current("start_ma", "attempts", "current at which the ramp began",
             "capture at the first setting says only that the threshold is at or below it", "with"),
    Field("step_ma", "attempts", "change of current from one setting to the next", "number", "mA", when="with",
          minimum=0.1, maximum=100.0, plausible_minimum=1.0, plausible_maximum=20.0,
          why="the width of the interval that holds the threshold"),
    Field("pulse_width_ms", "attempts", "duration of one pulse", "number", "ms", when="with", minimum=0.01,
          maximum=_CEILING_MS, plausible_minimum=5.0, why="short pulses need more current",
          limit_source=DEVICE_CEILING_SOURCE),
    Field("rate_ppm", "attempts", "pulses per minute that were set", "number", "ppm", when="with", minimum=1.0,
          maximum=400.0, plausible_minimum=30.0, plausible_maximum=200.0,
          why="time to capture and pulses delivered"),
    Field("pacing_mode", "attempts", "demand or fixed-rate pacing", "category", when="with", allowed=words.PACING_MODE,
          why="demand pacing may be inhibited by artefacts"),
    Field("rhythm", "attempts", "rhythm when pacing began", "category", when="before", allowed=words.RHYTHM,
          why="describes to whom the results apply"),
    _yes_no("arrest", "attempts", "in cardiac arrest when pacing began",
            "capture in cardiac arrest is another question", "before"),
    _yes_no("conscious", "attempts", "conscious when pacing began",
            "ramps are stopped earlier in conscious patients", "before"),
    _yes_no("sedation", "attempts", "sedated during pacing", "sedated patients tolerate higher currents", "with"),
    _seconds("onset_s", "attempts",
             "onset of the slow rhythm or of the arrest as reported, in seconds from a time zero that the study "
             "chooses and that all attempts of a patient share",
             "time from onset to capture", "before"),
    _seconds("arrival_s", "attempts", "arrival of the crew at the patient, in seconds from the same time zero",
             "time from arrival to capture", "before"),
    _seconds("pads_on_s", "attempts", "pads placed, in seconds from the same time zero",
             "time from pads to capture", "with"),
    _seconds("pacing_start_s", "attempts",
             "first pulse, in seconds from a time zero that the study chooses",
             "time to capture; how a threshold changes between repeated checks of a patient", "with"),
    _seconds("first_capture_s", "attempts", "first capture, in seconds from the same time zero",
             "time to capture", "after"),
    _seconds("pacing_end_s", "attempts", "last pulse, in seconds from the same time zero",
             "time to capture, and how long an attempt without capture was followed", "after"),
    _current("highest_no_capture_ma", "attempts", "highest current that did not capture",
             "the threshold lies above it", "after", blank_means="the first setting captured"),
    _current("lowest_capture_ma", "attempts", "lowest current that captured",
             "the threshold lies at or below it", "after", plausible_minimum=20.0,
             blank_means="no capture was seen"),
    Field("capture_criterion", "attempts", "what capture means in the two columns before", "category", when="record",
          allowed=words.CAPTURE_CRITERION,
          why="electrical and mechanical capture are different thresholds"),
    Field("ended", "attempts", "why the ramp ended", "category", when="after", allowed=words.ENDED,
          why="stopping early may depend on the threshold"),
    Field("pacing_ended", "attempts", "why pacing ended at pacing_end_s, with capture or without", "category",
          when="after", allowed=words.PACING_ENDED, why="ends that compete with capture, and what followed a loss"),
    Field("data_origin", "attempts", "whether the record is of a real patient", "category", when="record",
          allowed=words.DATA_ORIGIN, why="reports on invented data say so on every page"),
)  # fmt: skip

STEP_FIELDS: Final[tuple[Field, ...]] = (
    Field("attempt_id", "steps", "code of the attempt, as in the attempts table", "identifier", when="record",
          required=True, why="joins the steps to their attempt"),
    Field("step_order", "steps", "1 for the first setting of the attempt, 2 for the second, and so on", "whole",
          when="with", minimum=0, maximum=1e6, why="the direction of the ramp", blank_means="the order of the file"),
    _current("current_ma", "steps", "current of the setting", "the threshold", "with", required=True),
    _seconds("time_s", "steps", "when the setting began, in seconds from the time zero of the attempt",
             "time to capture", "with"),
    _yes_no("electrical_capture", "steps", "a QRS complex and a T wave followed each pulse",
            "electrical threshold", "after", "not assessed"),
    _yes_no("mechanical_capture", "steps", "each pulse was followed by a heart beat that ejects blood",
            "mechanical threshold", "after", "not assessed"),
    _yes_no("adjudicated_capture", "steps", "capture by later review of the recorded strip",
            "the reference against which bedside judgement is checked", "after", "not reviewed"),
    _yes_no("second_review_capture", "steps", "capture by a second reviewer who did not know the first one's answer",
            "how far reviewers of strips agree", "after", "not reviewed twice"),
    _sign("qrs_with_t_wave", "wide QRS complex with a T wave after each pulse on the monitor"),
    _sign("femoral_pulse", "femoral pulse felt at the paced rate"),
    _sign("carotid_pulse", "carotid pulse felt at the paced rate"),
    _sign("oximetry_waveform", "pulse-oximetry waveform at the paced rate"),
    _sign("arterial_line", "arterial pressure waveform at the paced rate"),
    _sign("ultrasound", "ventricles contract at the paced rate on ultrasound"),
    Field("etco2_rise_mmhg", "steps", "rise of end-tidal carbon dioxide from before pacing", "number",
          "mmHg", when="after", minimum=-150.0, maximum=150.0, plausible_minimum=-40.0, plausible_maximum=60.0,
          why="a sign of mechanical capture"),
    Field("systolic_mmhg", "steps", "systolic blood pressure at the setting", "number", "mmHg", when="after",
          minimum=0.0, maximum=400.0, plausible_maximum=280.0, why="a sign of mechanical capture"),
)  # fmt: skip

PERIOD_FIELDS: Final[tuple[Field, ...]] = (
    Field("attempt_id", "periods", "code of the attempt, as in the attempts table", "identifier", when="record",
          required=True, why="joins the periods to their attempt"),
    Field("from_s", "periods", "beginning of a period with capture, in seconds from the time zero of the attempt",
          "number", "s", when="after", required=True, minimum=-_LONGEST_S, maximum=_LONGEST_S, why="time to capture"),
    Field("to_s", "periods", "end of the period, in seconds from the same time zero", "number", "s", when="after",
          required=True, minimum=-_LONGEST_S, maximum=_LONGEST_S, why="how long capture was kept"),
    _yes_no("lost", "periods", "capture was lost at the end of the period, although pacing went on",
            "loss of capture, and how often it comes back", "after", "pacing or the record ended with capture"),
    Field("capture_criterion", "periods", "what capture means in this row", "category", when="record",
          allowed=words.CAPTURE_CRITERION, why="electrical and mechanical capture are different things"),
)  # fmt: skip

PATIENT_FIELDS: Final[tuple[Field, ...]] = (
    Field("patient_id", "patients", "study code of the patient, as in the attempts table", "identifier", when="record",
          required=True, why="joins the patients to their attempts"),
    Field("age_years", "patients", "age; 90 stands for 90 or older, which may also be written 90+ or >89",
          "number", "years", when="before", minimum=0.0, maximum=90.0,
          why="describes to whom the results apply; adjustment"),
    Field("sex", "patients", "sex", "category", when="before", allowed=words.SEX,
          why="describes to whom the results apply; adjustment"),
    Field("height_cm", "patients", "height", "number", "cm", when="before", minimum=20.0, maximum=260.0,
          plausible_minimum=45.0, plausible_maximum=220.0, why="body size in the comparison of placements"),
    Field("weight_kg", "patients", "weight", "number", "kg", when="before", minimum=0.3, maximum=700.0,
          plausible_minimum=2.0, why="body size in the comparison of placements"),
    Field("chest_circumference_cm", "patients", "circumference of the chest", "number", "cm", when="before",
          minimum=15.0, maximum=250.0, plausible_minimum=30.0, plausible_maximum=170.0,
          why="the path that the current takes"),
    _yes_no("emphysema", "patients", "emphysema", "may raise the threshold", "before"),
    _yes_no("pericardial_effusion", "patients", "pericardial effusion", "may raise the threshold", "before"),
    _yes_no("positive_pressure_ventilation", "patients", "ventilated with positive pressure during pacing",
            "may raise the threshold", "with"),
    _yes_no("recent_cardiac_surgery", "patients", "cardiac surgery in the days before pacing",
            "may raise the threshold", "before"),
    _yes_no("hypothermia", "patients", "hypothermic when paced", "may change the threshold", "before"),
    _yes_no("survived_to_arrival", "patients", "alive on arrival at hospital", "outcome", "after"),
    _yes_no("survived_to_admission", "patients", "alive on admission to a ward", "outcome", "after"),
    _yes_no("survived_to_discharge", "patients", "alive at discharge from hospital", "outcome", "after"),
    _yes_no("survived_30_days", "patients", "alive 30 days after pacing", "outcome", "after"),
    _yes_no("good_neurological_outcome", "patients", "independent in daily life at the last contact",
            "outcome", "after"),
    _seconds("followed_until_s", "patients",
             "death or last contact, in seconds from the time zero of the patient's attempts",
             "survival in time, so that capture is not credited with the time until it came", "after"),
    _yes_no("died", "patients", "dead at followed_until_s", "survival in time", "after"),
)  # fmt: skip

TABLES: Final[dict[Table, tuple[Field, ...]]] = {
    "attempts": ATTEMPT_FIELDS,
    "steps": STEP_FIELDS,
    "periods": PERIOD_FIELDS,
    "patients": PATIENT_FIELDS,
}

TABLE_MEANINGS: Final[dict[Table, str]] = {
    "attempts": "one row for each placement tried in one patient (required)",
    "steps": "one row for each current setting of an attempt (optional)",
    "periods": "one row for each period with capture, from its beginning to its loss or the end (optional)",
    "patients": "one row for each patient (optional; may also be columns of the attempts table)",
}


def field_named(table: Table, name: str) -> Field:
    """Return one field; ``KeyError`` when the table has none of that name."""
    for field in TABLES[table]:
        if field.name == name:
            return field
    raise KeyError(f"The table {table} has no field {name}.")
