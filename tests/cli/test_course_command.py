"""``imgtrack course`` as a person types it; the window itself is tested in tests/gui."""

from __future__ import annotations

from types import SimpleNamespace

from imgtrack.cli import course as command


def test_the_window_opens_on_the_repair_for_the_person_at_the_desk(run, monkeypatch):
    opened = []
    window = SimpleNamespace(course=lambda desk, repair: opened.append((desk.who, repair)))
    monkeypatch.setattr(command, "NEEDED", ())
    monkeypatch.setattr(command, "import_module", lambda _: window)
    assert run("start", "study")[0] == 0
    assert run("course", "S014-R", "--study", "study")[0] == 0
    assert opened == [("C1", "S014-R")]


def test_without_the_extra_it_says_what_to_install(run, monkeypatch):
    monkeypatch.setattr(command, "NEEDED", ("a_package_nobody_has",))
    code, _, err = run("course", "S014-R")
    assert code == 2
    assert "imgtrack[reading]" in err
