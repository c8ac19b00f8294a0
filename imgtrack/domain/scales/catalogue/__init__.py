"""The published scales, one TOML file per scale and version."""
