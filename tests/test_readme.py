"""The README shows only commands and options the program has."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
from typer.main import get_command

from imgtrack.cli.main import app

README = Path(__file__).parents[1] / "README.md"
SHOWN = re.findall(r"(?m)^(?:.*&& \S*/)?imgtrack (.+)$", README.read_text("utf-8"))


@pytest.mark.parametrize("line", SHOWN)
def test_each_command_line_is_understood(line):
    group = get_command(app)
    words = shlex.split(line)
    command = group.get_command(None, words[0])
    assert command is not None, f"imgtrack has no command {words[0]}"
    if hasattr(command, "commands"):
        words = words[1:]
        command = command.commands[words[0]]
    known = {option for parameter in command.params for option in parameter.opts}
    assert {word for word in words[1:] if word.startswith("--")} <= known


def test_commands_are_shown():
    assert len(SHOWN) > 10
