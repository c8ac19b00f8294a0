"""What listeners of a session are told about."""

from __future__ import annotations

from enum import StrEnum


class Event(StrEnum):
    """What listeners are told about."""

    CASE = "another case, or none"
    ANSWERS = "an answer changed"
    TOOL = "the tool in hand, its points, or a proposal"
    VIEW = "series, slice or cursor"
    MESSAGE = "words for the reader"
    STEP = "the step of the form"
    SIGNED = "a reading was signed"
