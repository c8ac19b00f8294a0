"""The grades that measurements imply; the reader decides, and a mismatch is recorded."""

from imgtrack.domain.scales.derive.integrity import sugaya
from imgtrack.domain.scales.derive.muscle import fuchs, gfdi, tangent_sign, thomazeau
from imgtrack.domain.scales.derive.radiograph import hamada
from imgtrack.domain.scales.derive.result import Derived, Flag
from imgtrack.domain.scales.derive.tear import (
    davidson_burkhart,
    deorio_cofield,
    ellman_depth,
    patte_stage,
)

__all__ = [
    "Derived",
    "Flag",
    "davidson_burkhart",
    "deorio_cofield",
    "ellman_depth",
    "fuchs",
    "gfdi",
    "hamada",
    "patte_stage",
    "sugaya",
    "tangent_sign",
    "thomazeau",
]
