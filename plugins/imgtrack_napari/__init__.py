"""The reading and course windows in napari."""
