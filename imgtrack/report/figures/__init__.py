"""Pictures of the results, each drawn from one small table."""
