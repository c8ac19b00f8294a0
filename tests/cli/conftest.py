"""Type commands as a person does."""

from __future__ import annotations

import pytest

from imgtrack.cli import console
from imgtrack.cli import main as cli


@pytest.fixture
def run(capsys, monkeypatch, tmp_path):
    """Run a command line in a folder of its own; return exit code, standard output and error."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(console.OUT, "width", 200)
    monkeypatch.setattr(console.ERR, "width", 200)

    def typed(*words: object) -> tuple[int, str, str]:
        monkeypatch.setattr("sys.argv", ["imgtrack", *map(str, words)])
        code = 0
        try:
            cli.main()
        except SystemExit as end:
            code = end.code if isinstance(end.code, int) else 0
        shown = capsys.readouterr()
        return code, shown.out, shown.err

    return typed
