"""Shoulder MRI with a known truth, simulated readers and the demo cohort."""
