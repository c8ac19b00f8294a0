"""What the commands of the reading desk ask a person for: a pass phrase, and answers in a file."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import typer

from imgtrack.domain.errors import Fault, InvalidInput


def ask_phrase(words: str = "Pass phrase", *, twice: bool = False) -> str:
    """Ask for a pass phrase without showing it."""
    phrase: str = typer.prompt(words, hide_input=True, confirmation_prompt=twice)
    return phrase


def answers_in(path: Path) -> dict[str, Any]:
    """Return the answers of a JSON file."""
    try:
        values = json.loads(path.read_text("utf-8"))
    except (OSError, ValueError) as error:
        raise InvalidInput(
            Fault("the answers cannot be read", str(path), "a JSON file", str(error))
        ) from error
    if not isinstance(values, dict):
        raise InvalidInput(Fault("these are no answers", str(path), "a JSON object"))
    return values
