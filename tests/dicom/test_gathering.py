"""Headers of a study come together, however many files there are."""

from __future__ import annotations

from random import Random

import mr_objects as objects
import pytest

from imgtrack.dicom.gathering import by_study
from imgtrack.dicom.headers import Header


def some(studies: int, each: int) -> list[Header]:
    """Return headers of several studies, mixed."""
    made = [
        objects.header(
            objects.mr(StudyInstanceUID=f"1.2.{study}", ImagePositionPatient=[0, 0, place])
        )
        for study in range(studies)
        for place in range(each)
    ]
    Random(3).shuffle(made)
    return made


@pytest.mark.parametrize("in_memory", [0, 1, 7, 1000])
def test_studies_come_whole_and_headers_as_they_were(in_memory: int) -> None:
    headers = [*some(5, 6), objects.header(objects.enhanced([(0, 0, 0), (0, 3, 0)]))]
    found = list(by_study(iter(headers), in_memory))
    order = list(dict.fromkeys(header.study_uid for header in headers))
    assert [study[0].study_uid for study in found] == order
    for study in found:
        uid = study[0].study_uid
        assert list(study) == [header for header in headers if header.study_uid == uid]


def test_nothing_comes_of_nothing() -> None:
    assert list(by_study([])) == []


def test_few_headers_wait_in_memory_at_a_time() -> None:
    """The headers put aside are let go of: none of them is the object that was read."""
    headers = some(2, 10)
    found = [header for study in by_study(iter(headers), in_memory=5) for header in study]
    kept = {id(header) for header in headers}
    assert sum(id(header) in kept for header in found) <= 5
    assert sorted(map(repr, found)) == sorted(map(repr, headers))
