"""Walks everything an object leads to and looks for what it must not tell."""

from __future__ import annotations

import gc
from collections.abc import Iterable
from datetime import date
from pathlib import PurePath
from types import FrameType, FunctionType, MethodType, ModuleType

from imgtrack.domain.cases import Case
from imgtrack.domain.reading import Reading


def reachable(start: object) -> list[object]:
    """Return every object that attributes, items, slots and closures lead to.

    Modules, classes and the globals of functions are the program and not the case; they are where
    the walk ends.
    """
    seen: dict[int, object] = {}
    waiting = [start]
    while waiting:
        each = waiting.pop()
        if id(each) in seen or isinstance(each, ModuleType | type):
            continue
        seen[id(each)] = each
        if isinstance(each, FunctionType):
            waiting += [cell.cell_contents for cell in each.__closure__ or ()]
            waiting += [each.__defaults__, each.__kwdefaults__, each.__dict__]
        elif isinstance(each, MethodType):
            waiting += [each.__self__, each.__func__]
        else:
            waiting += gc.get_referents(each)
            waiting += vars(each).values() if hasattr(each, "__dict__") else ()
    return list(seen.values())


def found_in(start: object, tokens: Iterable[str]) -> set[str]:
    """Return the tokens that can be read in anything reachable, and kinds that tell too much."""
    found = set()
    for each in reachable(start):
        if isinstance(each, date | PurePath | FrameType | Case | Reading):
            found.add(type(each).__name__)
        texts = [each] if isinstance(each, str) else [repr(each)]
        if isinstance(each, bytes):
            texts = [each.decode("latin-1")]
        for text in texts:
            found |= {token for token in tokens if token in text}
    return found
