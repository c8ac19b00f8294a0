"""Simulated readers: people who err in known ways."""
