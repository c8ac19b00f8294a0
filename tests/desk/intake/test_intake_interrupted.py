"""An intake that is killed at any moment is completed by the next one, as if nothing had been."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import intake_samples as samples
import pytest

HERE = Path(__file__).parent
SECONDS = 6.0
POINTS = 40
FEWEST = 3


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_killed_at_many_moments_it_ends_the_same(enrolled_template, tmp_path):
    """Every moment must end with the same log (hash chain), files and key file."""
    folder = shutil.copytree(enrolled_template, tmp_path / "begun")
    samples.write_study(folder / "originals" / "a", slices=1)
    samples.write(folder / "originals" / "b", "x.dcm", samples.image(study="1.2.2", day="20310901"))
    stranger = {"PatientID": "X", "PatientName": "X", "PatientBirthDate": ""}
    samples.write(folder / "originals" / "c", "x.dcm", samples.image(study="1.2.3", **stranger))
    done = subprocess.run(
        [sys.executable, HERE / "intake_killer.py", folder, str(POINTS), str(SECONDS)],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert done.returncode == 0, done.stderr
    points = [json.loads(line) for line in done.stdout.splitlines()]
    assert len(points) >= FEWEST
    assert {point["ended"] for point in points} == {-9}
    assert {point["again"] for point in points} == {0}
    for point in points:
        assert point["found"] == point["wanted"], f"killed at {point['moment']} of {point['of']}"
        assert point["found"]["faults"] == []


def test_half_written_files_of_an_interrupted_intake_are_swept(enrolled, scans):
    from imgtrack.desk.intake.run import take_in

    samples.write_study(scans)
    take_in(enrolled, [scans])
    stored = samples.files_below(enrolled.folder / "scans")
    first = next((enrolled.folder / "scans").rglob("*.dcm"))
    first.with_name("left.dcm.part").write_bytes(b"half")
    first.unlink()
    take_in(enrolled, [scans])
    assert samples.files_below(enrolled.folder / "scans") == stored
