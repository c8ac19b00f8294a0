"""The course of one repair, for those who may see results."""
