"""A study of two enrolled patients, copied from one that was started once."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

import pytest

from imgtrack.desk import study as studies

sys.path.insert(0, str(Path(__file__).parent))  # for the helpers beside the tests


@pytest.fixture(scope="session")
def enrolled_template(tmp_path_factory):
    """A folder with a study of two enrolled patients and its key file, to be copied."""
    import intake_samples

    place = tmp_path_factory.mktemp("enrolled")
    intake_samples.start_enrolled(place, *intake_samples.ENROLMENT)
    return place


@pytest.fixture
def enrolled(enrolled_template, tmp_path):
    """A study of two enrolled patients that has no scan yet."""
    import intake_samples

    shutil.copytree(enrolled_template, tmp_path, dirs_exist_ok=True)
    with studies.open_study(tmp_path / "study", who="C1", now=intake_samples.now) as opened:
        yield opened


@pytest.fixture
def scans(tmp_path):
    """A folder of originals outside the study."""
    return tmp_path / "originals"
