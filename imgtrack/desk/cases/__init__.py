"""Blind cases: allotted, opened behind a screen, and shown without a way back."""
