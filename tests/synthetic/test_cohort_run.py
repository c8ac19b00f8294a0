"""Making the demo study on disk: the same bytes always, refusals before anything is written."""

from __future__ import annotations

import csv
import json
import shutil
import subprocess
import sys
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from synthetic_scans import __main__ as command
from synthetic_scans.cohort import run as cohort_run
from synthetic_scans.cohort.run import FolderRefused, Settings, make_cohort
from synthetic_scans.montage import course_picture, main, read_series, scan_picture
from synthetic_scans.study_series import Size, StackSize

TINY = Size(
    matrix=24,
    samples=1,
    coronal=StackSize(4, 4.0, 8.0),
    sagittal=StackSize(4, 4.0, 10.0),
    axial=StackSize(2, 4.0, 8.0),
    radiograph_matrix=16,
    radiograph_step_mm=10.0,
)

SETTINGS = Settings(seed=7, repairs=2, size="quick", as_of=date(2024, 6, 30))


@pytest.fixture(autouse=True)
def _tiny(monkeypatch):
    monkeypatch.setattr(cohort_run, "SIZES", {"quick": TINY, "full": TINY})


def tree(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    """A whole tiny study."""
    folder = tmp_path_factory.mktemp("whole") / "study"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(cohort_run, "SIZES", {"quick": TINY, "full": TINY})
        told: list[tuple[int, int]] = []
        made = make_cohort(folder, SETTINGS, progress=lambda *counts: told.append(counts))
    return folder, made, told


def test_every_scan_of_the_manifest_is_there_with_its_truth(study):
    folder, made, told = study
    with (folder / "manifest.csv").open(newline="") as file:
        paths = [row["path"] for row in csv.DictReader(file)]
    assert (made.repairs, made.scans, made.new) == (2, len(paths), len(paths))
    assert told == [(done, len(paths)) for done in range(len(paths) + 1)]
    assert len(paths) >= 4
    for path in paths:
        assert list((folder / path).rglob("*.dcm"))
        assert (folder / "truth" / f"{path.removeprefix('scans/')}.json").is_file()


def test_the_truth_is_nowhere_in_the_scans(study):
    folder, _, _ = study
    assert {path.name for path in folder.iterdir()} == {
        "enrolment.csv",
        "scores.csv",
        "events.csv",
        "manifest.csv",
        "readings.csv",
        "readers.json",
        "scans",
        "truth",
    }
    assert not list((folder / "scans").rglob("*.json"))


def test_several_processes_write_the_same_bytes(study, tmp_path):
    make_cohort(tmp_path / "again", SETTINGS, jobs=2)
    assert tree(tmp_path / "again") == tree(study[0])


def test_an_interrupted_study_is_completed_to_the_same_bytes(study, tmp_path):
    folder = tmp_path / "study"

    def stop(done: int, _total: int) -> None:
        if done == 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        make_cohort(folder, SETTINGS, progress=stop)
    finished = sorted((folder / "truth").rglob("E*.json"))
    assert len(finished) == 2
    finished[1].unlink()  # as if stopped in the middle of the second: images, no truth yet
    left = next((folder / "scans").rglob("*.dcm"))
    left.with_name("half.dcm").write_bytes(b"half")
    left.with_name("half.dcm").rename(finished_folder(folder, finished[1]) / "half.dcm")
    made = make_cohort(folder, SETTINGS)
    assert made.new == made.scans - 1
    assert tree(folder) == tree(study[0])


def finished_folder(folder: Path, truth_file: Path) -> Path:
    """Folder of the images that a truth file is about."""
    return folder / "scans" / truth_file.relative_to(folder / "truth").with_suffix("")


def test_a_finished_study_is_left_alone(study):
    folder, _, _ = study
    stamps = {path: path.stat().st_mtime_ns for path in (folder / "scans").rglob("*.dcm")}
    assert make_cohort(folder, SETTINGS).new == 0
    assert stamps == {p: p.stat().st_mtime_ns for p in (folder / "scans").rglob("*.dcm")}


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"seed": 5}, "made with seed 7, asked for is seed 5"),
        ({"repairs": 3, "size": "full"}, "made with repairs 2, size quick"),
        ({"images": False}, "made with images True, asked for is images False"),
        ({"as_of": date(2024, 1, 1)}, "as_of 2024-06-30"),
    ],
)
def test_another_study_in_the_folder_is_refused(study, changes, said):
    folder, _, _ = study
    before = tree(folder)
    with pytest.raises(FolderRefused, match=said):
        make_cohort(folder, replace(SETTINGS, **changes))
    assert tree(folder) == before


def test_a_folder_with_other_files_is_refused(tmp_path):
    (tmp_path / "holiday.jpg").write_bytes(b"x")
    with pytest.raises(FolderRefused, match="expected an empty folder or a demo study"):
        make_cohort(tmp_path, SETTINGS)
    assert tree(tmp_path) == {"holiday.jpg": b"x"}


def test_a_file_in_the_place_of_the_folder_is_refused(tmp_path):
    (tmp_path / "study").write_bytes(b"x")
    with pytest.raises(FolderRefused, match="expected an empty folder or a demo study"):
        make_cohort(tmp_path / "study", SETTINGS)


def test_too_small_a_disk_is_refused_before_anything_is_written(tmp_path, monkeypatch):
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(shutil, "disk_usage", lambda _path: usage._replace(free=1000))
    with pytest.raises(FolderRefused, match=r"GB free for the scans, found 0\.0"):
        make_cohort(tmp_path / "study", SETTINGS)
    assert list(tmp_path.iterdir()) == []


def test_readings_without_images_are_those_with_images(study, tmp_path):
    """Images change neither truth nor readings."""
    settings = replace(SETTINGS, images=False)
    make_cohort(tmp_path / "study", settings)
    assert not (tmp_path / "study" / "scans").exists()
    for name in ("enrolment.csv", "readings.csv", "manifest.csv"):
        assert (tmp_path / "study" / name).read_bytes() == (study[0] / name).read_bytes()


def arguments(folder: Path, *more: str) -> list[str]:
    return [str(folder), "--seed", "7", "--repairs", "2", "--as-of", "2024-06-30", *more]


def test_the_command_makes_a_study_and_completes_it(study, tmp_path, capsys):
    folder = tmp_path / "study"
    assert command.main(arguments(folder, "--quick", "--jobs", "1")) == 0
    told = "".join(capsys.readouterr().err.split())
    assert "2repairs" in told
    assert tree(folder) == tree(study[0])
    assert command.main(arguments(folder, "--quick", "--jobs", "1")) == 0
    assert "0madenow" in "".join(capsys.readouterr().err.split())


def test_the_command_refuses_in_plain_words(tmp_path, capsys):
    (tmp_path / "holiday.jpg").write_bytes(b"x")
    assert command.main(arguments(tmp_path, "--no-images")) == 2
    assert "Refused" in capsys.readouterr().err


def test_the_command_can_be_interrupted(tmp_path, capsys, monkeypatch):
    def stop(*_args, **_named):
        raise KeyboardInterrupt

    monkeypatch.setattr(command, "make_cohort", stop)
    assert command.main(arguments(tmp_path / "study")) == 130
    assert "goes on where it stopped" in capsys.readouterr().err


@pytest.mark.parametrize("wrong", ["0", "-3"])
def test_impossible_counts_are_refused(tmp_path, capsys, wrong):
    with pytest.raises(SystemExit):
        command.main([str(tmp_path / "study"), "--repairs", wrong])
    assert f"expected at least 1, found {wrong}" in capsys.readouterr().err


def test_pictures_of_a_scan_and_of_a_course_are_saved(study, tmp_path):
    folder, _, _ = study
    scan = next(path for path in (folder / "scans").rglob("S001")).parent
    main(["scan", str(scan), str(tmp_path / "scan.png"), "--columns", "3"])
    repairs = json.loads((folder / "truth" / "cohort.json").read_text())["repairs"]
    main(["course", str(folder), repairs[0]["repair"], str(tmp_path / "course.png")])
    for name in ("scan.png", "course.png"):
        picture = (tmp_path / name).read_bytes()
        assert picture.startswith(b"\x89PNG")
        assert len(picture) > 10_000


def test_the_course_of_an_unknown_repair_is_refused(study, tmp_path):
    with pytest.raises(ValueError, match=r"expected one of .*, found X99-R"):
        course_picture(study[0], "X99-R", tmp_path / "x.png")


def test_a_picture_of_enhanced_images_shows_their_frames(study, tmp_path):
    file = next((study[0] / "scans").rglob("EMR001.dcm"))
    series = read_series(file.parent.parent)
    assert [len(one.pixels) for one in series[:4]] == [4, 4, 4, 2]
    scan_picture(file.parent.parent, tmp_path / "scan.png")
    assert (tmp_path / "scan.png").stat().st_size > 10_000


@pytest.mark.parametrize("module", ["synthetic_scans", "synthetic_scans.montage"])
def test_the_modules_run_as_programs(module):
    asked = [sys.executable, "-m", module, "--help"]
    done = subprocess.run(asked, capture_output=True, text=True, check=True)
    assert f"python -m {module}" in done.stdout
