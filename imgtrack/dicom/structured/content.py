"""One finding as one measurement group of TID 1500 (PS3.16 Annex A)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from highdicom import sr

from imgtrack.dicom.structured.drawing import CONTAINS, Drawing, code
from imgtrack.dicom.structured.findings import Finding
from imgtrack.dicom.structured.scheme import (
    CUFF_TENDON,
    FREE_TEXTS,
    IMPLIED,
    IMPLIED_BECAUSE,
    LEFT,
    MUSCLES,
    READING,
    RIGHT,
    SHOULDER,
    SIGNED,
    TEXTS,
    WORDS,
    level_concept,
    option_concept,
    own,
    quantity_of,
    scale_concept,
)
from imgtrack.domain.form import Graded, Implants, names
from imgtrack.domain.imaging import Modality
from imgtrack.domain.protocol import Measure
from imgtrack.domain.subjects import Side

if TYPE_CHECKING:
    from collections.abc import Iterator

    from imgtrack.dicom.structured.context import Context
    from imgtrack.dicom.structured.findings import Key
    from imgtrack.domain.reading import Reading
    from imgtrack.domain.scales import Concept, Scale

NOT_INFERRED = frozenset(
    {("spacing_mm",), ("thickness_mm",), ("sd",), ("sd_percent",), ("voxels",), ("implants",)}
)
"""Numbers beside the one that was measured, which alone names images and points."""

PROGRAM = "imgtrack"
OF_THE_MUSCLE = frozenset(
    {Measure.TANGENT_LINE.value, Measure.OCCUPATION_RATIO.value, Measure.FAT_FRACTION.value}
)


Group = sr.MeasurementsAndQualitativeEvaluations | sr.PlanarROIMeasurementsAndQualitativeEvaluations


@dataclass(frozen=True, slots=True)
class Groups:
    """Makes measurement groups of one reading.

    Attributes
    ----------
    reading, context
        What is written, and with what.
    """

    reading: Reading
    context: Context

    @property
    def drawing(self) -> Drawing:
        """Makes the items of what was drawn."""
        return Drawing(self.context)

    def of(self, finding: Finding) -> Group:
        """Return the group of a finding: planar (TID 1410) for an outline, else TID 1501."""
        shared = self._shared(finding) | {
            "measurements": list(self._numbers(finding)) or None,
            "qualitative_evaluations": list(self._coded(finding)) or None,
        }
        group: Group
        if finding.is_outline:
            group = sr.PlanarROIMeasurementsAndQualitativeEvaluations(
                referenced_region=self.drawing.outline(finding), **shared
            )
        else:
            group = sr.MeasurementsAndQualitativeEvaluations(**shared)
            if not finding.numbers:
                group[0].ContentSequence.extend(self.drawing.loose(finding))
        for key, words in finding.words.items():
            if key in TEXTS and (self.context.with_notes or key not in FREE_TEXTS):
                group[0].ContentSequence.append(_text(WORDS[key].concept, words))
        return group

    def of_the_reading(self) -> sr.MeasurementsAndQualitativeEvaluations:
        """Return the group that says what the reading was signed under."""
        reading = self.reading
        seconds = reading.active_seconds
        group = sr.MeasurementsAndQualitativeEvaluations(
            tracking_identifier=self._tracking(READING.code),
            session=reading.round.value,
            finding_type=code(READING.concept),
            measurements=None if seconds is None else [_number(("seconds",), seconds)],
        )
        said = [
            ("reading", reading.key),
            ("protocol", reading.protocol_hash),
            ("program", reading.software_version),
            ("amends", reading.amends),
            *(("shown", each) for each in reading.shown),
            *(("mismatch", each) for each in reading.mismatches),
        ]
        items = [_text(SIGNED[key].concept, words) for key, words in said if words]
        group[0].ContentSequence.extend(items)
        return group

    def of_the_implied(self) -> Iterator[Group]:
        """Yield a group for every grade that the measurements imply; marked as computed."""
        for question, found in self.reading.derived.items():
            scale = self._implied_scale(question)
            if scale is None or not (found["possible"] or found["value"] is not None):
                continue
            name = scale_concept(scale, self.reading.protocol_hash)
            finding = Finding((IMPLIED.code, question))
            shared = self._shared(finding) | {"finding_type": code(name)}
            levels = [
                sr.QualitativeEvaluation(
                    code(name), code(level_concept(scale, each, self.reading.protocol_hash))
                )
                for each in found["possible"]
            ]
            value = found["value"]
            group = sr.MeasurementsAndQualitativeEvaluations(
                algorithm_id=sr.AlgorithmIdentification(PROGRAM, self.reading.software_version),
                measurements=None if value is None else [_number(("value",), value, is_index=True)],
                qualitative_evaluations=levels or None,
                **shared,
            )
            group[0].ContentSequence.append(_text(IMPLIED_BECAUSE.concept, found["reason"]))
            yield group

    def tracking_uid(self, name: str) -> str:
        """Return the UID that a finding and its segment share."""
        return self.context.uid(f"finding {name}", self.reading.key)

    def _tracking(self, name: str) -> sr.TrackingIdentifier:
        return sr.TrackingIdentifier(uid=self.tracking_uid(name), identifier=name)

    def _shared(self, finding: Finding) -> dict[str, Any]:
        """Return what all groups say: which finding, in which round, of what, and where."""
        side = LEFT if self.context.side is Side.LEFT else RIGHT
        site = sr.FindingSite(code(self._site(finding.path)), laterality=code(side))
        return {
            "tracking_identifier": self._tracking(finding.name),
            "session": self.reading.round.value,
            "finding_type": code(self._concept(finding.path)),
            "finding_sites": [site],
        }

    def _scale(self, path: Key) -> Scale | None:
        question = self.context.form.question(path[0])
        asks = question.asks if question else None
        if isinstance(asks, Implants):
            return next((each for each in asks.scales if each.id == path[-1]), None)
        return asks.scale if isinstance(asks, Graded) else None

    def _implied_scale(self, question: str) -> Scale | None:
        """Return the scale of a grade that may not be asked, and may be of one muscle."""
        return next(
            (each for each in self.context.form.scales if f"{question} ".startswith(f"{each.id} ")),
            None,
        )

    def _concept(self, path: Key) -> Concept:
        if (scale := self._scale(path)) is not None:
            return scale_concept(scale, self.reading.protocol_hash)
        question = self.context.form.question(path[0])
        return own(path[0], question.title if question else "")

    def _site(self, path: Key) -> Concept:
        for muscle, concept in MUSCLES.items():
            if any(each.endswith(f" {muscle}") for each in path):
                return concept
        if path[0] in OF_THE_MUSCLE:
            return MUSCLES[names.SUPRASPINATUS]
        question = self.context.form.question(path[0])
        is_tendon = self.context.form.modality is Modality.MR and not (
            path[0] == names.NOTE or (question is not None and question.is_adequacy)
        )
        return CUFF_TENDON if is_tendon else SHOULDER

    def _numbers(self, finding: Finding) -> Iterator[sr.Measurement]:
        scale = self._scale(finding.path)
        for key, value in finding.numbers.items():
            from_images = key not in NOT_INFERRED
            yield _number(
                key,
                value,
                question=finding.path[-1],
                is_index=scale is not None,
                referenced_images=self.drawing.images(finding.images) if from_images else None,
                referenced_coordinates=(
                    self.drawing.coordinates(finding)
                    if from_images and not finding.is_outline
                    else None
                ),
            )

    def _coded(self, finding: Finding) -> Iterator[sr.QualitativeEvaluation]:
        scale = self._scale(finding.path)
        for key, words in finding.words.items():
            if key in TEXTS:
                continue
            name, value = WORDS[key].concept, option_concept(WORDS[key].code, words)
            if key == "value":
                name = self._concept(finding.path)
                value = option_concept(finding.path[0], words)
                if scale is not None and words in scale.codes:
                    value = level_concept(scale, words, self.reading.protocol_hash)
            yield sr.QualitativeEvaluation(code(name), code(value))


def _number(
    key: Key, value: float, *, question: str = "", is_index: bool = False, **more: Any
) -> sr.Measurement:
    quantity = quantity_of(key, question, is_index=is_index)
    derivation = None if quantity.derivation is None else code(quantity.derivation)
    return sr.Measurement(
        name=code(quantity.concept),
        value=float(value),
        unit=code(quantity.unit),
        derivation=derivation,
        **more,
    )


def _text(concept: Concept, words: str) -> sr.TextContentItem:
    return sr.TextContentItem(code(concept), words, CONTAINS)
