"""The use cases of a reading study: enrol, schedule, take in, allot, read, settle."""
