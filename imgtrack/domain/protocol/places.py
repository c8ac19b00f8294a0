"""Where in a TOML text each key stands, so that a fault can name its line."""

from __future__ import annotations

from typing import TYPE_CHECKING

import tree_sitter
import tree_sitter_toml

if TYPE_CHECKING:
    from collections.abc import Iterator

Place = tuple[str | int, ...]


def lines_of(text: str) -> dict[Place, int]:
    """Return the 1-based line of every key path, as ``("timepoint", 1, "window", 0)``.

    The text must be valid TOML; array elements and inline tables have lines of their own.
    """
    parser = tree_sitter.Parser(tree_sitter.Language(tree_sitter_toml.language()))
    root = parser.parse(text.encode()).root_node
    lines: dict[Place, int] = {(): 1}
    counts: dict[Place, int] = {}
    for node in root.children:
        if node.type == "pair":
            _note_pair(node, (), lines)
        elif node.type in {"table", "table_array_element"}:
            place = _header_place(node, counts)
            lines[place] = node.start_point.row + 1
            for pair in node.children:
                if pair.type == "pair":
                    _note_pair(pair, place, lines)
    return lines


def line_for(place: Place, lines: dict[Place, int]) -> int:
    """Return the line of a place, or of the nearest place around it that the text has."""
    while place not in lines:
        place = place[:-1]
    return lines[place]


def _header_place(node: tree_sitter.Node, counts: dict[Place, int]) -> Place:
    """Return the full place of a table header, with the index of every array on its way."""
    names = list(_key_names(next(child for child in node.children if child.is_named)))
    place: Place = ()
    for depth, name in enumerate(names):
        place = (*place, name)
        last = depth == len(names) - 1
        if last and node.type == "table_array_element":
            counts[place] = counts.get(place, -1) + 1
        if place in counts:
            place = (*place, counts[place])
    return place


def _note_pair(pair: tree_sitter.Node, around: Place, lines: dict[Place, int]) -> None:
    key, value = (child for child in pair.children if child.is_named and child.type != "comment")
    place: Place = (*around, *_key_names(key))
    lines[place] = pair.start_point.row + 1
    _note_value(value, place, lines)


def _note_value(value: tree_sitter.Node, place: Place, lines: dict[Place, int]) -> None:
    if value.type == "inline_table":
        for pair in value.children:
            if pair.type == "pair":
                _note_pair(pair, place, lines)
    elif value.type == "array":
        elements = [child for child in value.children if child.is_named]
        for index, element in enumerate(e for e in elements if e.type != "comment"):
            lines[*place, index] = element.start_point.row + 1
            _note_value(element, (*place, index), lines)


def _key_names(key: tree_sitter.Node) -> Iterator[str]:
    if key.type == "dotted_key":
        for child in key.children:
            if child.is_named:
                yield from _key_names(child)
    else:
        yield (key.text or b"").decode().strip("\"'")
