"""Data sets rebuilt attribute by attribute, items within items."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any

from pydicom import config
from pydicom.dataelem import DataElement
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from pydicom.tag import BaseTag

from imgtrack.dicom.deidentify.codes import cleaned_code
from imgtrack.dicom.deidentify.kinds import Place
from imgtrack.dicom.deidentify.private import SafePrivate, kept_private
from imgtrack.dicom.deidentify.rules import Action, Rule
from imgtrack.dicom.deidentify.uncleanable import Uncleanable
from imgtrack.dicom.deidentify.values import (
    Replacements,
    cleaned,
    decided,
    read,
    stand_in,
)

DEEPEST = 12
"""Sequences within sequences; those that may stay are nested four deep at most."""


@dataclass(frozen=True, slots=True)
class Rebuilding:
    """How data sets of one kind of image are rebuilt for one subject.

    Attributes
    ----------
    rules
        Rule of every attribute that may stay; what has none is removed.
    by
        What values are replaced by.
    safe_private
        Private attributes that are declared to be safe.
    """

    rules: Mapping[Place, Rule]
    by: Replacements
    safe_private: Collection[SafePrivate]

    def dataset(self, original: Dataset, parent: str = "", depth: int = 0) -> Dataset:
        """Return a new data set with only what may stay; the original is not altered.

        Parameters
        ----------
        original
            Data set or item.
        parent
            Keyword of the sequence an item is of; empty for a data set.
        depth
            Number of sequences it lies in.

        Raises
        ------
        Uncleanable
            If sequences are nested deeper than the standard's.
        """
        if depth > DEEPEST:
            raise Uncleanable("sequences are nested too deep", f"at most {DEEPEST} levels")
        new = Dataset()
        for tag in list(original.keys()):
            rule = self.rules.get(Place(parent, int(tag)))
            if rule is not None and rule.action is not Action.REMOVE:
                self._keep(new, original, tag, rule, depth)
        for element in kept_private(original, self.safe_private):
            new.add(element)
        return new

    def _keep(self, new: Dataset, original: Dataset, tag: BaseTag, rule: Rule, depth: int) -> None:
        element = read(original, tag)
        values = None
        if element is not None:
            rule = decided(rule, element)
            values = self._values(element, rule, depth)
        if values is None:
            values = stand_in(rule)
        if values is not None:
            new.add(_written(tag, rule.vr, values))

    def _values(self, element: DataElement, rule: Rule, depth: int) -> list[Any] | None:
        if rule.vr != "SQ":
            return cleaned(element, rule, self.by)
        if rule.action is Action.EMPTY:
            return []
        if element.VR != "SQ":
            return None
        items = [self._item(item, rule, depth + 1) for item in element.value]
        return [item for item in items if item is not None] or None

    def _item(self, item: Dataset, rule: Rule, depth: int) -> Dataset | None:
        rebuilt = self.dataset(item, rule.keyword, depth)
        if rule.action is Action.ITEMS:
            return rebuilt
        code = cleaned_code(item, self.by.words)
        if code is not None:
            for element in rebuilt:
                if element.VR == "SQ":
                    code.add(element)
        return code


def _written(tag: int, vr: str, values: list[Any]) -> DataElement:
    """Return an element to write, its values not checked again."""
    value: Any = values
    if vr == "SQ":
        value = Sequence(values)
    elif len(values) < 2:
        value = values[0] if values else ""
    return DataElement(tag, vr, value, validation_mode=config.IGNORE)
