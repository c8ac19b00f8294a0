"""The command line: parse, join the rooms, show progress, set the exit code."""
