"""The words of the study: repairs, timepoints, scans, readings, scales and the protocol."""
