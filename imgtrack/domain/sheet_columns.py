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

ALL_COLUMNS = frozenset((*ENROLMENT, *SCORES, *EVENTS, *MANIFEST))

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
