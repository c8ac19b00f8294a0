"""Private attributes: all removed, but for those a person has declared to be safe."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pydicom import config
from pydicom.dataelem import DataElement
from pydicom.tag import Tag

from imgtrack.dicom.deidentify.values import read, texts

if TYPE_CHECKING:
    from pydicom.dataset import Dataset

_NEVER = frozenset({"SQ", "PN", "UI", "DA", "DT", "AE", "UR"})
"""Value representations that are never safe: items, names, identifiers, dates and addresses."""


@dataclass(frozen=True, slots=True)
class SafePrivate:
    """One private attribute that holds nothing identifying (PS3.15 section E.3.10).

    Attributes
    ----------
    creator
        Private creator of its block.
    group
        Its group, an odd number.
    element
        The last two hexadecimal digits of its element.
    """

    creator: str
    group: int
    element: int


def kept_private(dataset: Dataset, safe: Collection[SafePrivate]) -> Iterator[DataElement]:
    """Yield the declared private attributes of a data set as they are, each after its creator.

    Names, identifiers, dates, addresses and sequences are not kept, declared or not.
    """
    tags = list(dataset.keys()) if safe else []
    creators = [tag for tag in tags if tag.is_private_creator]
    for creator in creators:
        for name in texts(read(dataset, creator)):
            for each in safe:
                tag = Tag(creator.group, creator.element << 8 | each.element)
                if (each.creator, each.group) != (name, creator.group) or tag not in dataset:
                    continue
                element = read(dataset, tag)
                if element is not None and element.VR not in _NEVER:
                    yield DataElement(creator, "LO", name)
                    yield DataElement(tag, element.VR, element.value, config.IGNORE)
