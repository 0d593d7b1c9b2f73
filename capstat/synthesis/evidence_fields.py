"""The one table of fields of the evidence table: reading, checking, template and listing are all made from it.

One record is one arm of one study under one definition of capture.  Two records of the same people name each other in
``overlaps`` and are never pooled together.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from capstat.attempts import vocabulary as attempt_words
from capstat.synthesis import evidence_words as words

if TYPE_CHECKING:
    from capstat.attempts.vocabulary import Vocabulary

__all__ = [
    "EVIDENCE_FIELDS",
    "EvidenceField",
    "EvidenceKind",
]

EvidenceKind = Literal["code", "text", "codes", "whole", "number", "category"]

_CEILING_MA: Final = 200.0
_CEILING_SOURCE: Final = "US 21 CFR 870.5550"


@dataclass(frozen=True, slots=True)
class EvidenceField:
    """One column of the evidence table.

    Attributes
    ----------
    name : str
        Column name; a unit is part of it.
    meaning : str
        What one cell says.
    kind : {"code", "text", "codes", "whole", "number", "category"}
        A code is letters, digits, ``-``, ``_`` and ``.``; codes are several of them with spaces between.
    unit : str
        Unit of a number.
    allowed : Vocabulary or None
        Words of a category.
    required : bool
        Whether every record needs it.
    minimum, maximum : float or None
        Limits, inclusive.
    limit_source : str
        Where the maximum comes from.
    """

    name: str
    meaning: str
    kind: EvidenceKind
    unit: str = ""
    allowed: Vocabulary | None = None
    required: bool = False
    minimum: float | None = None
    maximum: float | None = None
    limit_source: str = ""


def _current(name: str, meaning: str) -> EvidenceField:
    return EvidenceField(name, meaning, "number", "mA", minimum=0.0, maximum=_CEILING_MA, limit_source=_CEILING_SOURCE)


def _count(name: str, meaning: str) -> EvidenceField:
    return EvidenceField(name, meaning, "whole", minimum=0.0, maximum=1e7)


EVIDENCE_FIELDS: Final[tuple[EvidenceField, ...]] = (
    EvidenceField("arm", "code of the record, unique", "code", required=True),
    EvidenceField("study", "code of the study, the same in all its records", "code", required=True),
    EvidenceField("citation", "authors, title, journal, year, pages", "text", required=True),
    EvidenceField("doi", "digital object identifier", "text"),
    EvidenceField("pmid", "PubMed number", "whole", minimum=1.0, maximum=1e9),
    EvidenceField("year", "year of publication", "whole", minimum=1950.0, maximum=2100.0),
    EvidenceField("design", "how patients came into the arm", "category", allowed=words.DESIGN, required=True),
    EvidenceField("population", "who was studied, in words", "text", required=True),
    EvidenceField("age_group", "adults or children", "category", allowed=words.AGE_GROUP, required=True),
    EvidenceField("urgency", "why they were paced", "category", allowed=words.URGENCY, required=True),
    EvidenceField("setting", "where they were paced", "category", allowed=words.EVIDENCE_SETTING, required=True),
    EvidenceField("placement", "where the pads were", "category", allowed=attempt_words.PLACEMENT, required=True),
    EvidenceField("paced", "yes for an arm that was paced, no for a control", "category",
                  allowed=attempt_words.YES_NO, required=True),
    EvidenceField("pads", "size and kind of the pads, in words", "text"),
    EvidenceField("pulse_width_ms", "duration of one pulse", "number", "ms", minimum=0.01, maximum=50.0,
                  limit_source=_CEILING_SOURCE),
    _current("max_output_ma", "highest current that the device or the study allowed"),
    EvidenceField("counted", "what the counts count", "category", allowed=words.COUNTED, required=True),
    _count("n", "patients (episodes, trials) in the arm"),
    EvidenceField("capture_definition", "what counted as capture", "category", allowed=words.CAPTURE_DEFINITION),
    _count("n_captured", "captured, under this definition, up to the highest current"),
    EvidenceField("current_means", "what the currents in the next columns are", "category",
                  allowed=words.CURRENT_MEANS),
    EvidenceField("non_capture", "how 'not captured' enters the statistic", "category", allowed=words.NON_CAPTURE),
    _current("imputed_as_ma", "the number that stands for 'not captured'"),
    _count("n_current", "patients in the statistic"),
    _current("mean_ma", "mean current"),
    _current("sd_ma", "standard deviation of the current"),
    _current("median_ma", "median current"),
    _current("q1_ma", "lower quartile"),
    _current("q3_ma", "upper quartile"),
    _current("minimum_ma", "lowest current"),
    _current("maximum_ma", "highest current among those in the statistic"),
    EvidenceField("compared_with", "arm that this arm was compared with: the second of a difference or ratio, the "
                  "control of an outcome", "code"),
    _count("n_pairs", "patients in a comparison within patients"),
    EvidenceField("difference_ma", "mean current of this arm minus that of the other", "number", "mA",
                  minimum=-_CEILING_MA, maximum=_CEILING_MA),
    EvidenceField("difference_lower_ma", "lower confidence limit", "number", "mA", minimum=-_CEILING_MA,
                  maximum=_CEILING_MA),
    EvidenceField("difference_upper_ma", "upper confidence limit", "number", "mA", minimum=-_CEILING_MA,
                  maximum=_CEILING_MA),
    EvidenceField("ratio", "threshold of this arm divided by that of the other", "number", minimum=0.01, maximum=100.0),
    EvidenceField("ratio_lower", "lower confidence limit", "number", minimum=0.001, maximum=1000.0),
    EvidenceField("ratio_upper", "upper confidence limit", "number", minimum=0.001, maximum=1000.0),
    EvidenceField("interval_percent", "confidence level of the limits", "number", "%", minimum=50.0, maximum=99.9),
    EvidenceField("outcome", "what happened, in words; the same words in arms that are compared", "text"),
    _count("outcome_events", "patients with the outcome"),
    _count("outcome_n", "patients in whom the outcome is known"),
    EvidenceField("overlaps", "records that hold some of the same people", "codes"),
    EvidenceField("not_pooled", "why the record may never be pooled; empty when it may", "text"),
    EvidenceField("provenance", "how the numbers are known", "category", allowed=words.PROVENANCE, required=True),
    EvidenceField("seen_in", "what was read", "category", allowed=words.SEEN_IN, required=True),
    EvidenceField("derived", "fields that were worked out here, with the arithmetic", "text"),
    EvidenceField("notes", "what a reader must know", "text"),
)  # fmt: skip

_BY_NAME: Final = {field.name: field for field in EVIDENCE_FIELDS}
