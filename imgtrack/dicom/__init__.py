"""Files become series with geometry, or a refusal with its reason."""
