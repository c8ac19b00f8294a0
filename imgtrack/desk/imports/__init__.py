"""Readings a group already has, brought in from sheets."""
