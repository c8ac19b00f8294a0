"""Planted identities: present everywhere the standard worries about, found by the tracer."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence

from synthetic_scans.writing.identities import (
    PRIVATE_CREATOR,
    PRIVATE_GROUP,
    Identity,
    invent,
    plant,
    traces,
)


def planted(identity: Identity) -> Dataset:
    dataset = Dataset()
    dataset.StudyDate = "20250314"
    plant(dataset, identity)
    return dataset


WHO = invent(np.random.default_rng(1))


def test_every_secret_can_be_found() -> None:
    found = {trace.split(": ")[1] for trace in traces(planted(WHO), WHO)}
    assert found == set(WHO.secrets())


@pytest.mark.parametrize(
    "keyword",
    [
        # Attributes of PS3.15 table E.1-1 that identify patient, staff, site or order.
        "PatientName", "PatientID", "PatientBirthDate", "OtherPatientNames",
        "OtherPatientIDsSequence", "PatientMotherBirthName", "PatientAddress",
        "PatientTelephoneNumbers", "PatientComments", "AccessionNumber", "InstitutionName",
        "InstitutionAddress", "InstitutionalDepartmentName", "ReferringPhysicianName",
        "PerformingPhysicianName", "OperatorsName", "StationName", "DeviceSerialNumber",
        "ImageComments", "RequestAttributesSequence", "OriginalAttributesSequence",
    ],
)  # fmt: skip
def test_identity_is_planted_in(keyword: str) -> None:
    dataset = planted(WHO)
    alone = Dataset()
    alone[keyword] = dataset[keyword]
    assert traces(alone, WHO)


def test_private_text_bytes_and_nested_private_items_are_traced() -> None:
    dataset = planted(WHO)
    block = dataset.private_block(PRIVATE_GROUP, PRIVATE_CREATOR)
    private = Dataset()
    for offset in (1, 2, 3):
        private[block.get_tag(offset)] = block[offset]
    found = "\n".join(traces(private, WHO))
    assert "(0029,1001): patient_name" in found
    assert "(0029,1002): operator" in found
    assert "(0029,1003)[0].(0029,1011): telephone" in found


def test_a_cleaned_dataset_has_no_traces() -> None:
    dataset = planted(WHO)
    for element in list(dataset):
        del dataset[element.tag]
    dataset.PatientName = "SUBJECT^07"
    dataset.ContentSequence = Sequence([Dataset()])
    dataset.PixelData = WHO.patient_name.encode() + b" "
    assert traces(dataset, WHO) == []


def test_a_trace_is_found_whatever_its_case_and_neighbours() -> None:
    dataset = Dataset()
    dataset.StudyDescription = "see " + WHO.patient_name.split("^")[0].upper() + " again"
    assert traces(dataset, WHO) == ["(0008,1030): patient_name"]
    assert traces(dataset, replace(WHO, patient_name="Other^Name")) == []


def test_identities_are_invented_repeatable_and_different() -> None:
    again, other = invent(np.random.default_rng(1)), invent(np.random.default_rng(2))
    assert again == WHO
    assert not set(WHO.secrets().values()) & set(other.secrets().values())
    assert WHO.secrets()["birth_date"] == WHO.birth_date.strftime("%Y%m%d")
    assert date(1941, 1, 1) <= WHO.birth_date < date(1983, 1, 1)
    assert WHO.sex in {"F", "M"}


def test_texts_too_long_for_their_element_are_refused_together() -> None:
    with pytest.raises(ValueError, match="at most 16") as caught:
        replace(WHO, accession_number="A" * 17, institution="B" * 65)
    assert "institution must have at most 64" in str(caught.value)
