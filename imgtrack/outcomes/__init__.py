"""Signed readings, repairs and the protocol become tidy tables."""
