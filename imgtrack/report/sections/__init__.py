"""The sections of the study's report, one module each."""
