"""One file per schema revision; each spells its tables out and imports none of today's."""
