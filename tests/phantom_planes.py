"""A phantom's stack as the measuring room has it: planes and volumes."""

from __future__ import annotations

from imgtrack.measure.plane import PlaneGeometry
from imgtrack.measure.stack import Stack
from imgtrack.measure.suggest.volume import Volume


def planes_of(stack) -> tuple[PlaneGeometry, ...]:
    """Return where the slices of a phantom's stack lie."""
    return tuple(
        PlaneGeometry.from_attributes(
            position=position,
            orientation=[*stack.row, *stack.column],
            pixel_spacing=stack.pixel_spacing,
            rows=stack.pixels.shape[1],
            columns=stack.pixels.shape[2],
            thickness=stack.thickness,
        )
        for position in stack.positions
    )


def volume_of(stack) -> Volume:
    """Return a phantom's stack with its geometry."""
    return Volume(stack.pixels, Stack(planes_of(stack)))
