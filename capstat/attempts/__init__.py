"""What was done and what was seen: reading, checking and holding the data of a study."""

from capstat.attempts.dictionary import field_table_text, table_schema, template_csvs
from capstat.attempts.export import study_to_csv_texts
from capstat.attempts.field import Field
from capstat.attempts.fields import ATTEMPT_FIELDS, PATIENT_FIELDS, STEP_FIELDS, TABLES
from capstat.attempts.findings import Finding, count_by_rule, count_by_severity, render_findings
from capstat.attempts.frames import study_from_frames
from capstat.attempts.read import CheckResult, check_study, read_study
from capstat.attempts.study import Study, StudyError, attempt_covariates

__all__ = [
    "ATTEMPT_FIELDS",
    "PATIENT_FIELDS",
    "STEP_FIELDS",
    "TABLES",
    "CheckResult",
    "Field",
    "Finding",
    "Study",
    "StudyError",
    "attempt_covariates",
    "check_study",
    "count_by_rule",
    "count_by_severity",
    "field_table_text",
    "read_study",
    "render_findings",
    "study_from_frames",
    "study_to_csv_texts",
    "table_schema",
    "template_csvs",
]
