"""The manifest is one that npe2, napari's plugin engine, takes, and what it names is there."""

from __future__ import annotations

from importlib import resources

import pytest

npe2 = pytest.importorskip("npe2", reason="needs the reading extra")

pytestmark = pytest.mark.filterwarnings("ignore::DeprecationWarning")


@pytest.fixture
def manifest():
    return npe2.PluginManifest.from_file(resources.files("imgtrack_napari") / "napari.yaml")


def test_the_manifest_is_valid_and_offers_both_panels(manifest):
    names = [widget.display_name for widget in manifest.contributions.widgets]
    assert names == ["Read cases", "Measure a loose DICOM folder"]


def test_every_command_names_something_that_exists(manifest):
    manifest.validate_imports()
