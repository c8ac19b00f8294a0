"""Names of the spreadsheet columns imgtrack reads, before a protocol maps them."""

from __future__ import annotations

IDENTITY = ("name", "hospital_number", "birth_date")
"""Columns that go to the key file and never into the study."""

ENROLMENT_REQUIRED = ("subject", "side", "operation_date")
ENROLMENT = (
    *ENROLMENT_REQUIRED,
    "sex",
    "age",
    "birth_year",
    "tear_size_mm",
    "tendons",
    "technique",
    "arm",
    "site",
    "revision",
    *IDENTITY,
)

SCORES_REQUIRED = ("subject", "side", "assessed_on")
SCORES = (*SCORES_REQUIRED, "timepoint", "score", "total")

EVENTS_REQUIRED = ("subject", "event", "date")
EVENTS = (*EVENTS_REQUIRED, "side", "note")

MANIFEST_REQUIRED = ("path", "subject")
MANIFEST = (*MANIFEST_REQUIRED, "side", "timepoint")

READINGS_REQUIRED = ("subject", "side", "reader")
READINGS = (
    *READINGS_REQUIRED,
    "timepoint",
    "scanned_on",
    "modality",
    "round",
    "read_on",
    "assessable",
    "reason",
)
"""Columns of a sheet of readings that are about the reading; the others are its findings."""

FINDINGS = frozenset(
    {
        "tendon_defect",
        "gap_slices_coronal_oblique",
        "gap_slices_sagittal_oblique",
        "tear_width",
        "straight_retraction",
        "retraction_along_the_head",
        "tendon_thickness",
        "reference_thickness",
        "bright_signal",
        "partial_tear_depth",
        "footprint_coverage",
        "signal_ratio",
        "occupation_ratio",
        "fat_fraction",
        "acromiohumeral_interval",
        "critical_shoulder_angle",
        "free_note",
    }
)
"""Findings that are no grades, as columns: names of questions with underscores."""

MUSCLES = ("supraspinatus", "infraspinatus", "subscapularis", "teres_minor")


def grade_columns(scale: str) -> frozenset[str]:
    """Return the columns that may hold grades of a scale: its id, alone or with a muscle."""
    return frozenset({scale, *(f"{scale}_{muscle}" for muscle in MUSCLES)})


ALL_COLUMNS = frozenset((*ENROLMENT, *SCORES, *EVENTS, *MANIFEST, *READINGS, *FINDINGS))
"""Every column but those of grades, which depend on the protocol's scales."""

LOOKS_LIKE_IDENTITY = frozenset(
    {
        "address",
        "birthday",
        "birthdate",
        "date_of_birth",
        "dob",
        "email",
        "e_mail",
        "family_name",
        "first_name",
        "forename",
        "given_name",
        "insurance_number",
        "last_name",
        "medical_record_number",
        "mobile",
        "mrn",
        "national_id",
        "patient_id",
        "patient_name",
        "phone",
        "postcode",
        "social_security_number",
        "ssn",
        "street",
        "surname",
        "telephone",
        "zip",
    }
)
"""Column names that are refused unless the protocol maps them or lists them under ``keep``."""
