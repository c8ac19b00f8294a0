"""What is true of a shoulder: measurements, gap slices, grades."""
