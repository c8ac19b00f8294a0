"""What a protocol asks of one modality: its scales, and what must or may be measured."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

from imgtrack.domain import scales
from imgtrack.domain.protocol import Measure, Protocol
from imgtrack.domain.scales import Scale, Unit

if TYPE_CHECKING:
    from imgtrack.domain.imaging import Modality

MEASURED_FOR: Mapping[str, tuple[Measure, ...]] = MappingProxyType(
    {
        "coronal_gap_slices": (Measure.GAP_SLICES,),
        "sagittal_gap_slices": (Measure.GAP_SLICES,),
        "thickness_ratio": (Measure.THICKNESS,),
        "stump_mm": (Measure.PATTE_LANDMARKS,),
        "length_mm": (Measure.RETRACTION,),
        "width_mm": (Measure.WIDTH,),
        "greatest_diameter_mm": (Measure.WIDTH, Measure.RETRACTION),
        "height_above_line_mm": (Measure.TANGENT_LINE,),
        "occupation_ratio": (Measure.OCCUPATION_RATIO,),
        "acromiohumeral_interval_mm": (Measure.ACROMIOHUMERAL_INTERVAL,),
    }
)
"""What gives each input that a scale may be derived from."""

ALWAYS = (Measure.WIDTH, Measure.RETRACTION)
"""Asked by default whatever the scales: reports without size and retraction are of little use."""

AFTER_REPAIR_SCALES = frozenset({"sugaya", "hayashida", "retear_pattern"})
AFTER_REPAIR_MEASURES = frozenset(
    {Measure.IMPLANTS, Measure.FOOTPRINT_COVERAGE, Measure.SIGNAL_RATIO}
)


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is asked of one modality.

    Attributes
    ----------
    protocol
        Where it comes from.
    scales
        Those made for the modality, in the order of the protocol.
    required, optional
        Measurements that must and that may be given.
    """

    protocol: Protocol
    scales: tuple[Scale, ...]
    required: frozenset[Measure]
    optional: frozenset[Measure]

    def has(self, measure: Measure) -> bool:
        """Whether a measurement is asked at all."""
        return measure in self.required or measure in self.optional

    def uses(self, *ids: str) -> bool:
        """Whether any of these scales is in use."""
        return any(scale.id in ids for scale in self.scales)

    def of_unit(self, *units: Unit) -> tuple[Scale, ...]:
        """Return the scales that grade one of these units."""
        return tuple(scale for scale in self.scales if scale.unit in units)


def wanted(protocol: Protocol, modality: Modality, *, before_repair: bool) -> Wanted:
    """Return what a protocol asks of a modality, see :func:`imgtrack.domain.form.form_for`."""
    used = _scales(protocol, modality)
    if before_repair:
        used = tuple(
            scale
            for scale in used
            if scale.id not in AFTER_REPAIR_SCALES and scale.unit is not Unit.ANCHOR
        )
    optional = frozenset(protocol.form.optional)
    ask = protocol.form.ask
    required = frozenset(ask) if ask is not None else _needed(used) - optional
    left = AFTER_REPAIR_MEASURES if before_repair else frozenset()
    return Wanted(protocol, used, required - left, optional - left)


def _scales(protocol: Protocol, modality: Modality) -> tuple[Scale, ...]:
    own = [scales.from_mapping(mapping, where="own_scale") for mapping in protocol.own_scale]
    used = [scales.get(use.name, use.version, own=own) for use in protocol.scale]
    ids = {scale.id for scale in used}
    if "gfdi" in ids and "goutallier" not in ids:
        used.append(scales.get("goutallier"))
    return tuple(scale for scale in used if modality in scale.modalities)


def _needed(used: tuple[Scale, ...]) -> frozenset[Measure]:
    inputs = {name for scale in used for name in scale.derived_from}
    measures = {measure for name in inputs for measure in MEASURED_FOR.get(name, ())}
    if any(scale.unit is Unit.ANCHOR for scale in used):
        measures.add(Measure.IMPLANTS)
    return frozenset(measures | {*ALWAYS})
