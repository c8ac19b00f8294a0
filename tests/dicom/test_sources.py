"""Folders, archives and media: nothing skipped silently, nothing unpacked, no trap sprung."""

from __future__ import annotations

import os
import shutil
import stat
import zipfile
from pathlib import Path

import mr_objects as objects
import pytest
from pydicom.data import get_testdata_file

from imgtrack.dicom import archives
from imgtrack.dicom.archives import ArchiveLimits
from imgtrack.dicom.headers import Header, read_header
from imgtrack.dicom.sources import Refusal, Source, sources


def found(*paths: Path, **how: object) -> tuple[list[str], list[Refusal]]:
    """Return labels of sources, and refusals."""
    entries = list(sources(paths, **how))
    labels = [entry.label for entry in entries if isinstance(entry, Source)]
    return labels, [entry for entry in entries if isinstance(entry, Refusal)]


def names(labels: list[str], folder: Path) -> list[str]:
    """Return labels relative to a folder."""
    return [label.removeprefix(f"{folder}/") for label in labels]


@pytest.fixture
def mixed(tmp_path: Path) -> Path:
    """A folder with images, rubbish and an archive."""
    folder = tmp_path / "media"
    (folder / "b").mkdir(parents=True)
    (folder / "a").mkdir()
    (folder / "b" / "one").write_bytes(objects.encoded(objects.mr()))
    (folder / "a" / "two.dcm").write_bytes(objects.encoded(objects.mr()))
    (folder / "a" / "notes.txt").write_text("rubbish")
    with zipfile.ZipFile(folder / "c.ZIP", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("in/", "")
        archive.writestr("in/three", objects.encoded(objects.mr()))
        archive.writestr("readme", "rubbish")
    return folder


def test_everything_is_found_once_in_a_stable_order(mixed: Path) -> None:
    labels, refused = found(mixed)
    expected = ["a/notes.txt", "a/two.dcm", "b/one", "c.ZIP!in/three", "c.ZIP!readme"]
    assert names(labels, mixed) == expected
    assert refused == []
    again, _ = found(mixed / "a", mixed, mixed / "b" / "one", mixed)
    assert again == labels


def test_a_member_of_an_archive_is_read_as_it_is(mixed: Path) -> None:
    members = [s for s in sources([mixed]) if isinstance(s, Source) and s.member == "in/three"]
    header = read_header(members[0])
    assert isinstance(header, Header)
    assert header.source is members[0]
    assert sorted(path.name for path in mixed.iterdir()) == ["a", "b", "c.ZIP"]


def test_a_changed_archive_is_opened_anew(mixed: Path) -> None:
    source = Source("x", mixed / "c.ZIP", "readme")
    assert source.open().read() == b"rubbish"
    with zipfile.ZipFile(mixed / "c.ZIP", "w") as archive:
        archive.writestr("readme", "another text of another length")
    assert source.open().read() == b"another text of another length"


def test_progress_is_told(mixed: Path) -> None:
    calls: list[tuple[str, int, int]] = []
    for number in range(120):
        (mixed / f"{number}").write_text("")
    list(sources([mixed], lambda *call: calls.append(call)))
    assert calls == [("files found", 100, 0), ("files found", 125, 0)]


def test_what_cannot_be_looked_into_is_told(tmp_path: Path) -> None:
    (tmp_path / "broken").symlink_to(tmp_path / "nowhere")
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "false.zip").write_text("no archive")
    _, refused = found(tmp_path, tmp_path / "nothing.dcm")
    told = {Path(refusal.source).name: refusal.reason for refusal in refused}
    assert told == {
        "broken": "cannot be looked at",
        "false.zip": "the archive cannot be opened",
        "pipe": "neither a file nor a folder",
    }
    _, refused = found(tmp_path / "nothing.dcm")
    assert refused[0].reason == "cannot be looked at"
    assert "No such file" in str(refused[0].fault)


def test_a_folder_that_vanishes_or_is_locked_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(_: Path) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "iterdir", refuse)
    _, refused = found(tmp_path)
    assert [(refusal.reason, refusal.found) for refusal in refused] == [
        ("the folder cannot be opened", "Permission denied")
    ]


def test_links_in_a_circle_end(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "file").write_text("")
    (tmp_path / "in" / "up").symlink_to(tmp_path)
    labels, refused = found(tmp_path)
    assert names(labels, tmp_path) == ["in/file"]
    assert refused == []


def test_a_file_that_cannot_be_read_is_refused(tmp_path: Path) -> None:
    refusal = read_header(Source("gone", tmp_path / "gone"))
    assert isinstance(refusal, Refusal)
    assert refusal.reason == "the file cannot be read"


def test_traps_in_archives_are_refused(tmp_path: Path) -> None:
    """Bytes that unpack to a thousand times their size, as the deflate format allows at most."""
    path = tmp_path / "trap.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("zeros", bytes(9 * 1024**2))
        archive.writestr("few zeros", bytes(1024**2))
        archive.writestr("inner.zip", b"PK")
    labels, refused = found(path)
    assert labels == [f"{path}!few zeros"]
    assert [(r.source.rpartition("!")[2], r.reason) for r in refused] == [
        ("zeros", "packed like a trap"),
        ("inner.zip", "an archive within an archive"),
    ]
    _, refused = found(path, limits=ArchiveLimits(member_bytes=10, small_bytes=10**9))
    assert refused[0].reason == "the file is too large in its archive"
    _, refused = found(path, limits=ArchiveLimits(members=2))
    assert [(r.source, r.reason) for r in refused] == [
        (str(path), "the archive holds too many files")
    ]


def test_encrypted_members_are_told(tmp_path: Path) -> None:
    """Bit 0 of the general purpose flag (.ZIP File Format Specification 4.4.4)."""
    path = tmp_path / "locked.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("one", "content")
    raw = bytearray(path.read_bytes())
    for head, offset in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        raw[raw.index(head) + offset] |= 1
    path.write_bytes(raw)
    _, refused = found(path)
    assert [refusal.reason for refusal in refused] == ["the file is encrypted in its archive"]
    refusal = read_header(Source("one", path, "one"))
    assert isinstance(refusal, Refusal)
    assert "encrypted" in refusal.found


def test_a_damaged_member_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "damaged.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("one", objects.encoded(objects.mr()))
    raw = bytearray(path.read_bytes())
    raw[40:60] = bytes(20)
    path.write_bytes(raw)
    refusal = read_header(Source("one", path, "one"))
    assert isinstance(refusal, Refusal)
    assert refusal.reason == "the file cannot be read"
    assert isinstance(read_header(Source("two", path, "two")), Refusal)


MEDIUM = Path(get_testdata_file("DICOMDIR")).parent
"""A medium bundled with pydicom 3: 31 images in its DICOMDIR."""


@pytest.fixture
def medium(tmp_path: Path) -> Path:
    folder = tmp_path / "cd"
    shutil.copytree(MEDIUM, folder, ignore=shutil.ignore_patterns("DICOMDIR-*", "TINY*", "README*"))
    for path in folder.rglob("*"):
        path.chmod(path.stat().st_mode | stat.S_IWUSR)
    return folder


def test_a_medium_is_read_through_its_directory(medium: Path) -> None:
    (medium / "stray").write_text("not listed")
    labels, refused = found(medium / "DICOMDIR")
    assert len(labels) == 31
    assert refused == []
    assert f"{medium}/stray" not in labels
    walked, refused = found(medium)
    assert sorted(walked) == sorted([*labels, f"{medium}/stray"])
    assert refused == []


def test_files_a_medium_lacks_are_told(medium: Path) -> None:
    (medium / "77654033" / "CR1" / "6154").unlink()
    for given in (medium, medium / "DICOMDIR"):
        labels, refused = found(given)
        assert len(labels) == 30
        assert [(refusal.reason, refusal.expected) for refusal in refused] == [
            ("the directory of the medium lists a file that is not on it", "77654033/CR1/6154")
        ]


def test_a_medium_in_lower_case_and_in_an_archive(medium: Path, tmp_path: Path) -> None:
    path = tmp_path / "cd.zip"
    with zipfile.ZipFile(path, "w") as archive:
        for file in sorted(medium.rglob("*")):
            if file.is_file() and file.name != "6154":
                archive.write(file, f"disc/{file.relative_to(medium)}".lower())
    labels, refused = found(path)
    assert len(labels) == 30
    assert [refusal.expected for refusal in refused] == ["77654033/CR1/6154"]
    lower = tmp_path / "lower"
    with zipfile.ZipFile(path) as archive:
        archive.extractall(lower)
    labels, refused = found(lower / "disc" / "dicomdir")
    assert len(labels) == 30
    assert [refusal.expected for refusal in refused] == ["77654033/CR1/6154"]


@pytest.mark.parametrize("kind", ["bigEnd", "implicit", "nopatient", "reordered"])
def test_directories_in_other_encodings(kind: str, medium: Path) -> None:
    """Variants bundled with pydicom 3 list the same files."""
    shutil.copy(MEDIUM / f"DICOMDIR-{kind}", medium / "DICOMDIR")
    labels, refused = found(medium / "DICOMDIR")
    assert refused == []
    assert len(labels) == 31


def test_a_directory_with_wrong_lengths_leaves_the_folder_to_be_walked(medium: Path) -> None:
    """A variant bundled with pydicom 3 whose items are shorter than they say."""
    shutil.copy(MEDIUM / "DICOMDIR-nooffset", medium / "DICOMDIR")
    labels, refused = found(medium)
    assert len(labels) == 31
    assert [refusal.reason for refusal in refused] == ["the file ends within its header"]
    assert "folder" in refused[0].next_step


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (b"rubbish", "not a DICOM file"),
        (objects.encoded(objects.mr()), "the directory of the medium lists nothing"),
    ],
)
def test_a_directory_that_is_none(content: bytes, reason: str, tmp_path: Path) -> None:
    (tmp_path / "DICOMDIR").write_bytes(content)
    labels, refused = found(tmp_path)
    assert labels == []
    assert [refusal.reason for refusal in refused] == [reason]
    with zipfile.ZipFile(tmp_path / "cd.zip", "w") as archive:
        archive.writestr("DICOMDIR", content)
    (tmp_path / "DICOMDIR").unlink()
    labels, refused = found(tmp_path)
    assert labels == []
    assert [refusal.reason for refusal in refused] == [reason]


@pytest.mark.filterwarnings("ignore:Invalid value for VR CS")
def test_a_directory_that_points_elsewhere_or_cannot_be_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ds = objects.base("1.2.840.10008.1.3.10", "OT")
    ds.DirectoryRecordSequence = objects.item(ReferencedFileID=["..", "SECRET"])
    (tmp_path / "DICOMDIR").write_bytes(objects.encoded(ds))
    _, refused = found(tmp_path)
    assert [r.reason for r in refused] == ["the directory of the medium points out of it"]

    def refuse(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)
    _, refused = found(tmp_path)
    assert [r.reason for r in refused] == ["the file cannot be read"]


def test_archives_are_kept_open_in_each_process_alone(mixed: Path) -> None:
    first = archives._opened(mixed / "c.ZIP")
    assert archives._opened(mixed / "c.ZIP") is first
