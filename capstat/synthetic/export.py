"""Invented studies as files: clean tables, or the kind of spreadsheet export that services really have."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from capstat.attempts import study_from_frames
from capstat.output import csv_text
from capstat.synthetic.scenario import LABEL
from capstat.thresholds import MECHANICAL_CAPTURE, derive_thresholds

if TYPE_CHECKING:
    from capstat.synthetic.scenario import SyntheticStudy

__all__ = ["clean_files", "messy_files"]

PAD_SPELLINGS = {
    "anterior-posterior": ("A/P", "ant-post", "AP ", "front+back"),
    "anterior-lateral": ("A/L", "ant-lat", "AL", "side"),
}
NO_CAPTURE = "NC"

MAPPING = f"""# {LABEL}
# How the columns and words of the export are to be read.

[attempts]
ignore = ["Remarks"]

[attempts.columns]          # ours = "theirs"
attempt_id = "Case no"
patient_id = "Pat. code"
placement = "Pad site"
attempt_order = "Try"
max_output_ma = "I max (mA)"
highest_no_capture_ma = "no capture up to"
lowest_capture_ma = "capture from"
ended = "Outcome of ramp"
arrest = "Arrest?"
conscious = "Awake?"
age_years = "Age"
sex = "M/F"
height_cm = "Ht"
weight_kg = "Wt"

[attempts.recode.placement]  # theirs -> ours
"front+back" = "anterior-posterior"
"side" = "anterior-lateral"

[attempts.recode.lowest_capture_ma]
"{NO_CAPTURE}" = ""

[attempts.recode.ended]
"too painful" = "stopped-pain"
"own beat back" = "stopped-own-rhythm"
"top reached" = "maximum-reached"
"OK" = "captured"

[attempts.constants]
capture_criterion = "mechanical"
setting = "prehospital"
assignment = "chosen"
data_origin = "synthetic"
"""


def clean_files(study: SyntheticStudy) -> dict[str, bytes]:
    """Tables as UTF-8 CSV, and the truth as JSON."""
    files = {
        "attempts.csv": csv_text(study.attempts).encode("utf-8"),
        "steps.csv": csv_text(study.steps).encode("utf-8"),
        "patients.csv": csv_text(study.patients).encode("utf-8"),
    }
    if study.periods is not None:
        files["periods.csv"] = csv_text(study.periods).encode("utf-8")
    return files | _labels(study.truth)


def _labels(known: dict[str, Any]) -> dict[str, bytes]:
    truth = json.dumps(known, indent=2, ensure_ascii=False) + "\n"
    return {"truth.json": truth.encode("utf-8"), "SYNTHETIC.txt": f"{LABEL}\n".encode()}


def _decimal_comma(values: pd.Series[float]) -> list[str]:
    return ["" if np.isnan(v) else f"{v:g}".replace(".", ",") for v in values.to_numpy(dtype=float)]


def messy_files(study: SyntheticStudy, seed: int) -> dict[str, bytes]:
    """One semicolon-separated Windows-1252 file with local column names and words, and its mapping file.

    It holds one row for each attempt with the mechanical threshold as two currents, as a person would have
    copied it from the steps, with decimal commas and several spellings.
    """
    rng = np.random.default_rng(seed)
    checked = study_from_frames(study.attempts, study.steps, study.patients)
    thresholds = derive_thresholds(checked, capture=MECHANICAL_CAPTURE)
    attempts = study.attempts.merge(study.patients, on="patient_id", how="left", validate="many_to_one")
    upper = ["NC" if np.isinf(u) else f"{u:g}" for u in thresholds.upper_ma]
    lower = ["" if low == 0 else f"{low:g}" for low in thresholds.lower_ma]
    words = {
        "stopped-pain": "too painful",
        "stopped-own-rhythm": "own beat back",
        "maximum-reached": "top reached",
        "captured": "OK",
    }
    # what a person writes follows from the currents that the row holds
    ended = np.where(
        np.isfinite(thresholds.upper_ma),
        "captured",
        np.where(attempts["ended"] == "captured", "maximum-reached", attempts["ended"]),
    )
    remarks = rng.choice(["", "", "", "pads changed once", "noisy trace; \u00e9t\u00e9 heat", "=1+1"], len(attempts))
    table = pd.DataFrame(
        {
            "Case no": attempts["attempt_id"],
            "Pat. code": attempts["patient_id"],
            "Try": attempts["attempt_order"],
            "Pad site": [str(rng.choice(PAD_SPELLINGS[name])) for name in attempts["placement"]],
            "I max (mA)": [f"{v:g}" for v in attempts["max_output_ma"]],
            "no capture up to": lower,
            "capture from": upper,
            "Outcome of ramp": [words[name] for name in ended],
            "Arrest?": attempts["arrest"].map({"yes": "Y", "no": "N"}),
            "Awake?": attempts["conscious"].map({"yes": "Y", "no": "N"}),
            "Age": ["90+" if age == 90 else f"{age}" for age in attempts["age_years"]],
            "M/F": attempts["sex"].map({"female": "F", "male": "M"}),
            "Ht": _decimal_comma(attempts["height_cm"]),
            "Wt": _decimal_comma(attempts["weight_kg"]),
            "Remarks": remarks,
        }
    )
    # the export knows ramps only, not what came after them
    ramps_only = {name: value for name, value in study.truth.items() if name != "course"}
    text = table.to_csv(index=False, sep=";", lineterminator="\r\n")
    return {"export.csv": text.encode("cp1252"), "mapping.toml": MAPPING.encode("utf-8")} | _labels(ramps_only)
