"""Free text rebuilt from known words, everything else left out (PS3.15 section E.3.5, note 2)."""

from __future__ import annotations

import csv
import re
import unicodedata
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from imgtrack.dicom.deidentify.profile import data_lines

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable


class Text(StrEnum):
    """What a text says, which decides the words it may hold."""

    DESCRIPTION = "description"
    EQUIPMENT = "equipment"
    VERSION = "version"
    MEANING = "meaning"


_DESCRIPTION = frozenset(
    {"anatomy", "side", "plane", "weighting", "sequence", "contrast", "view", "units", "general"}
)
_GROUPS = {
    Text.DESCRIPTION: _DESCRIPTION,
    Text.EQUIPMENT: frozenset({"equipment", "coil", "anatomy", "units"}),
    Text.VERSION: frozenset({"equipment", "units"}),
    Text.MEANING: frozenset({"codes", "anatomy", "side", "plane", "contrast", "view", "units"}),
}
"""Groups of ``words.csv`` by text. Makers and models are often people's names as well, so they
may stand only where equipment is named."""

_TOKEN = re.compile(r"[A-Za-z0-9]+")
_CODED = re.compile(r"([a-z]{2,})(?:\d{1,3}|\d{1,2}[a-z]\d{0,2})[a-z]?")
_SIZE = re.compile(r"\d{1,2}(?:mm|cm)")
_VERSION = re.compile(r"[A-Za-z]{0,3}\d{1,4}(?:[._-][A-Za-z]{0,3}\d{1,4}){0,3}(?:[._-]?[A-Za-z])?")
_VERSION_DIGITS = 6


@dataclass(frozen=True, slots=True)
class Vocabulary:
    """The words that may stay, by the kind of text they may stand in."""

    words: dict[Text, frozenset[str]]

    @classmethod
    def load(cls, extra: Collection[str] = ()) -> Vocabulary:
        """Return the vocabulary kept beside this file, with the study's own words in every text.

        Parameters
        ----------
        extra
            Words a person declares to be safe: letters and digits, compared without case.
        """
        _, *lines = data_lines("words.csv")
        rows = list(csv.DictReader(lines))
        own = {word.casefold() for word in extra}
        return cls(
            {
                text: frozenset({row["word"] for row in rows if row["group"] in groups} | own)
                for text, groups in _GROUPS.items()
            }
        )

    def rebuilt(self, text: str, kind: Text) -> str:
        """Return the known words of a text in their order, parted by spaces; empty when none.

        A word may carry digits as pulse sequences and models do (``tse2d1``, ``MR450w``), a
        number a unit of length (``3mm``); a version may be one (``5.3.0``). Accents are dropped.
        """
        if kind is Text.VERSION:
            pieces: Iterable[str] = re.split(r"[\s:/\\]+", _plain(text))
            return " ".join(each for each in pieces if self._is_version(each))
        return " ".join(each for each in _TOKEN.findall(_plain(text)) if self._is_known(each, kind))

    def _is_known(self, token: str, kind: Text) -> bool:
        word = token.casefold()
        if word in self.words[kind] or _SIZE.fullmatch(word):
            return True
        coded = _CODED.fullmatch(word)
        return coded is not None and coded[1] in self.words[kind]

    def _is_version(self, piece: str) -> bool:
        few_digits = sum(map(str.isdigit, piece)) <= _VERSION_DIGITS
        is_version = _VERSION.fullmatch(piece) is not None and few_digits
        return is_version or piece.casefold() in self.words[Text.VERSION]


def _plain(text: str) -> str:
    """Return a text in ASCII: accents dropped, other signs turned into spaces."""
    parted = unicodedata.normalize("NFKD", text)
    letters = "".join(each for each in parted if not unicodedata.combining(each))
    return letters.encode("ascii", "replace").decode().replace("?", " ")
