"""Finding a scale: the published ones that come with the program, and a study's own."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib import resources
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from imgtrack.domain.errors import Fault, InvalidInput
from imgtrack.domain.scales.model import Scale, closest
from imgtrack.domain.scales.parse import scale_in

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

CATALOGUE = "imgtrack.domain.scales.catalogue"

DEFAULT_VERSIONS: Mapping[str, str] = MappingProxyType({"sugaya": "2007"})
"""The version meant when none is named, for scales that have more than one."""


@cache
def _published() -> tuple[Scale, ...]:
    """Read the packaged scales, once."""
    files = (file for file in resources.files(CATALOGUE).iterdir() if file.name.endswith(".toml"))
    read = (scale_in(tomllib.loads(file.read_text("utf-8")), file.name) for file in files)
    return tuple(sorted(read, key=lambda scale: (scale.id, scale.version)))


def known() -> tuple[str, ...]:
    """Return the ids of the published scales, sorted."""
    return tuple(sorted({scale.id for scale in _published()}))


def versions(name: str) -> tuple[str, ...]:
    """Return the versions of a published scale, the oldest first; empty for an unknown one."""
    return tuple(scale.version for scale in _published() if scale.id == name)


def get(name: str, version: str | None = None, *, own: Iterable[Scale] = ()) -> Scale:
    """Return a scale by its id.

    Parameters
    ----------
    name
        Id, as ``"sugaya"``.
    version
        Published variant; ``None`` or empty for the usual one (Sugaya: 2007).
    own
        Scales the study adds, see :func:`from_mapping`.

    Raises
    ------
    InvalidInput
        If there is no such scale or version; the known ones and the closest match are named.
    """
    candidates = [scale for scale in (*own, *_published()) if scale.id == name]
    if not candidates:
        raise InvalidInput(_unknown(name, own))
    wanted = version or DEFAULT_VERSIONS.get(name, candidates[0].version)
    for scale in candidates:
        if scale.version == wanted:
            return scale
    there = tuple(scale.version for scale in candidates)
    what = f"the scale {name!r} has no version {wanted!r}"
    raise InvalidInput(Fault(what, expected="one of " + ", ".join(there), found=repr(wanted)))


def _unknown(name: str, own: Iterable[Scale]) -> Fault:
    names = tuple(sorted({*known(), *(scale.id for scale in own)}))
    return Fault(
        "there is no scale of that name",
        expected="one of " + ", ".join(names),
        found=repr(name),
        next_step=closest(name, names),
    )


def from_mapping(mapping: Mapping[str, Any], *, where: str) -> Scale:
    """Return the scale a study describes in its protocol.

    Parameters
    ----------
    mapping
        A parsed TOML table with the keys of a packaged scale: ``id``, ``title``, ``grades``,
        ``modalities`` and either two or more ``[[level]]`` (``code``, ``title``, ``criteria``,
        ``rank``) or a ``[range]`` (``low``, ``high``); and, where they apply, ``version``
        ("1"), ``unit`` ("repair"), ``ordered`` (true), ``views``, ``provenance`` ("own rule"),
        ``derived_from``, ``only_with``, ``cautions`` and ``[[citation]]``.
    where
        How to name the table in a fault, as ``protocol.toml, scale 3``.

    Raises
    ------
    InvalidInput
        With every fault of the table, or when id and version are those of a published scale.
    """
    scale = scale_in(mapping, where)
    if scale.version in versions(scale.id):
        raise InvalidInput(
            Fault(
                f"{scale.name} is a published scale",
                where,
                next_step="give your scale another id or version",
            )
        )
    return scale
