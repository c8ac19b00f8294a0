"""The demo study: invented patients, what became of them, and their files."""
