"""Agreement, reliability, proportions and interval-censored time: arrays in, frozen results out."""
