"""The installed distribution has what the program reads at run time, and no personal traces."""

from __future__ import annotations

import subprocess
from importlib import resources
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


@pytest.mark.parametrize(
    ("package", "name"),
    [("imgtrack.desk", "starter.toml"), ("imgtrack", "py.typed")],
)
def test_data_files_come_with_the_package(package, name):
    assert resources.files(package).joinpath(name).is_file()


def test_the_top_level_holds_what_it_should():
    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    ).stdout.split()
    if not listed:
        pytest.skip("not a git checkout")
    top = {name.split("/")[0] for name in listed if not name.startswith(".")}
    assert top == {
        "CHANGELOG.md",
        "DEVELOPERS.md",
        "LICENSE",
        "README.md",
        "imgtrack",
        "plugins",
        "pyproject.toml",
        "synthetic_scans",
        "tests",
    }
