"""Every command the README shows is run: here in the order it is shown, or where it is named."""

from __future__ import annotations

import ast
import re
import shlex
import sys
from pathlib import Path

import pytest
from typer.main import get_command

from imgtrack.cli import console
from imgtrack.cli import main as cli
from imgtrack.store.database import sqlite_url

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text("utf-8")
SHOWN = [
    line.partition("  #")[0].strip()
    for line in re.findall(r"(?m)^(?:.*&& \S*/)?imgtrack (.+)$", README)
]
ELSEWHERE = {
    "demo": "tests/cli/test_demo.py",
    "read": "tests/whole/test_windows_by_command.py",
    "course": "tests/whole/test_windows_by_command.py",
    "intake": "tests/cli/test_intake_commands.py",
    "place": "tests/cli/test_intake_commands.py",
    "scans": "tests/cli/test_intake_commands.py",
    "relabel": "tests/cli/test_intake_commands.py",
    "listen": "tests/cli/test_intake_commands.py",
    "settle": "tests/cli/test_settle_commands.py",
    "amend": "tests/cli/test_reading_commands.py",
    "grant": "tests/cli/test_settle_commands.py",
    "export": "tests/report/test_report_whole.py",
    "healing": "tests/cli/test_result_commands.py",
    "report": "tests/report/test_report_whole.py",
}
"""Commands that need scans, a server, a display or a code drawn at random, and who runs them."""

SERVER = "postgresql://coordinator@server/healing"
"""Stands for a database of several sites; here a file is one (PostgreSQL: tests/store)."""

SHEETS = {
    "enrolment.csv": "subject,side,operation_date\nS014,right,2020-01-10\nS015,left,2020-02-11\n",
    "scores.csv": "subject,side,assessed_on,score,total\nS014,right,2020-07-11,constant,71\n",
    "events.csv": "subject,side,event,date\nS015,left,withdrawal,2020-09-01\n",
    "widths.csv": "case,reader,width_mm\n"
    + "".join(f"{c},{r},{10 + 2 * c + k}\n" for c in range(9) for k, r in enumerate("AB")),
    "repairs.csv": "patient,sugaya,arm\n"
    + "".join(f"P{n},{g},{'AB'[n % 2]}\n" for n, g in enumerate(["I", "II", "IV", "V", "II"] * 4)),
    "visits.csv": "patient,last_intact,first_torn\n"
    + "".join(f"P{n},{90 * (n % 3)},{'' if n % 2 else 90 * (n % 3) + 91}\n" for n in range(12)),
}
GRADED = "case,reader,sugaya\n" + "".join(
    f"{c},{r},{('I', 'II', 'IV')[(c + (c == k)) % 3]}\n"
    for c in range(9)
    for k, r in enumerate("AB")
)
READINGS = "subject,side,scanned_on,reader,round,sugaya\n" + "".join(
    f"S014,right,2020-07-10,{who},first,II\n" for who in ("R1", "R2")
)


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A folder with the sheets the README names."""
    monkeypatch.chdir(tmp_path)
    for name, text in SHEETS.items():
        (tmp_path / name).write_text(text)
    monkeypatch.setattr(console.OUT, "width", 200)
    monkeypatch.setattr("typer.prompt", lambda *_, **__: "seven slow snails")
    return tmp_path


def typed(line: str, monkeypatch) -> int:
    """Type a command as the README shows it and return its exit code."""
    monkeypatch.setattr(sys, "argv", ["imgtrack", *shlex.split(line)])
    try:
        cli.main()
    except SystemExit as end:
        return int(end.code or 0)
    return 0


def is_here(line: str) -> bool:
    """Whether this file runs the command itself."""
    return line.split(maxsplit=1)[0] not in ELSEWHERE


def test_the_commands_run_in_the_order_they_are_shown(folder, monkeypatch, capsys):
    ran = 0
    shared = sqlite_url(folder / "shared.sqlite")
    for line in filter(is_here, SHOWN):
        if "demo-study" in line:
            continue  # a board of the demo, which is shown before there is another study
        text = READINGS if "import-readings" in line else GRADED
        (folder / "grades.csv").write_text(text)
        if line.endswith('--amend "operation date mistyped"'):
            changed = SHEETS["enrolment.csv"].replace("2020-01-10", "2020-01-09")
            (folder / "enrolment.csv").write_text(changed)
        assert typed(line.replace(SERVER, shared), monkeypatch) == 0, (
            f"imgtrack {line}: {capsys.readouterr().err}"
        )
        ran += 1
    assert ran >= 20


@pytest.mark.parametrize("line", [line for line in SHOWN if not is_here(line)])
def test_the_other_commands_are_run_where_it_is_said(line):
    """The named file types the command, and every option that the README shows with it."""
    name, *words = shlex.split(line)
    tree = ast.parse((ROOT / ELSEWHERE[name]).read_text("utf-8"))
    assert any(is_typed(node, name) for node in ast.walk(tree))
    said = {word for each in ast.walk(tree) for word in words_of(each)}
    assert {word for word in words if word.startswith("--")} <= said


def is_typed(node: ast.AST, name: str) -> bool:
    """Whether a node is a call that types a command, word by word or as a line to be split."""
    if not isinstance(node, ast.Call | ast.List | ast.Tuple):
        return False
    inside = node.args if isinstance(node, ast.Call) else node.elts
    lines = [words_of(each) for each in inside]
    return any(len(words) > 1 and words[0] == name for words in lines) or lines[:1] == [[name]]


def words_of(node: ast.AST) -> list[str]:
    """Return the words of a text; nothing for anything else."""
    is_text = isinstance(node, ast.Constant) and isinstance(node.value, str)
    return node.value.split() if is_text else []


@pytest.mark.parametrize("line", SHOWN)
def test_each_command_line_is_understood(line):
    command = get_command(cli.app).get_command(None, shlex.split(line)[0])
    assert command is not None
    words = shlex.split(line)
    if hasattr(command, "commands"):
        words = words[1:]
        command = command.commands[words[0]]
    known = {option for parameter in command.params for option in parameter.opts}
    assert {word for word in words[1:] if word.startswith("--")} <= known
