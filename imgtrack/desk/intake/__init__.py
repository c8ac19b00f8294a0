"""Taking scans in: from files of any kind to records that can be read, nothing skipped silently."""
