"""Proposals from pixels: a reader accepts, moves or rejects them; none is saved by itself."""
