"""The course window: the scans of a repair side by side, laid on each other."""
