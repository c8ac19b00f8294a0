"""Colours of the windows: contrast, and colour vision of every kind. Needs no display.

Contrast is held to WCAG 2.2, 1.4.3 and 1.4.11. Colour vision is simulated by Machado, Oliveira and
Fernandes, IEEE TVCG 2009;15:1291-8, table of matrices at severity 1.0 (from memory).
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest


def luminance(colour: str) -> float:
    """Return the relative luminance as WCAG 2.2 defines it."""
    shares = np.array([int(colour[place : place + 2], 16) for place in (1, 3, 5)]) / 255
    linear = np.where(shares <= 0.04045, shares / 12.92, ((shares + 0.055) / 1.055) ** 2.4)
    return float(linear @ (0.2126, 0.7152, 0.0722))


def contrast_of(one: str, other: str) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


LOOKS = ("DARK", "LIGHT")
SEEN_AS = {
    "protanopia": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deuteranopia": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritanopia": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}


@pytest.mark.parametrize("name", LOOKS)
def test_words_and_controls_stand_out_from_what_is_behind_them(name):
    from imgtrack_napari import look as looks

    look = getattr(looks, name)
    assert looks.contrast("#000000", "#ffffff") == pytest.approx(21)  # WCAG 2.2, the greatest
    words = [getattr(look, tone) for tone in ("text", *looks.TONES)]
    for colour, behind in itertools.product(words, (look.ground, look.panel, look.raised)):
        assert contrast_of(colour, behind) >= 4.5
    assert contrast_of(look.on_strong, look.strong) >= 4.5
    for behind in (look.ground, look.panel, look.raised):
        assert contrast_of(look.strong, behind) >= 3
        assert contrast_of(look.edge, behind) >= 3


@pytest.mark.parametrize("vision", SEEN_AS)
@pytest.mark.parametrize("name", LOOKS)
def test_what_is_chosen_is_told_by_lightness_with_any_colour_vision(name, vision):
    from imgtrack_napari import look as looks

    look = getattr(looks, name)
    seen = {each: as_seen(getattr(look, each), vision) for each in ("strong", "raised", "text")}
    assert contrast_of(seen["strong"], seen["raised"]) >= 3
    assert contrast_of(seen["text"], seen["raised"]) >= 4.5


@pytest.mark.parametrize("vision", SEEN_AS)
def test_what_is_drawn_by_the_reader_and_by_the_program_is_told_apart(vision):
    from skimage.color import deltaE_ciede2000, rgb2lab

    from imgtrack_napari import look as looks

    drawn = (looks.DRAWN, looks.PROPOSED, looks.IN_HAND)
    seen = [rgb2lab(rgb(as_seen(colour, vision))) for colour in drawn]
    for one, other in itertools.combinations(seen, 2):
        assert deltaE_ciede2000(one, other) > 10  # our limit: far above a just visible 2 or so


def rgb(colour: str):
    return np.array([int(colour[place : place + 2], 16) for place in (1, 3, 5)]) / 255


def as_seen(colour: str, vision: str) -> str:
    """Return a colour as somebody with that colour vision sees it."""
    shares = rgb(colour)
    linear = np.where(shares <= 0.04045, shares / 12.92, ((shares + 0.055) / 1.055) ** 2.4)
    seen = np.clip(np.array(SEEN_AS[vision]) @ linear, 0, 1)
    back = np.where(seen <= 0.0031308, seen * 12.92, 1.055 * seen ** (1 / 2.4) - 0.055)
    return "#" + "".join(f"{round(float(share) * 255):02x}" for share in back)


def test_signs_tell_states_apart_without_colour():
    from imgtrack_napari.look import Sign

    assert len({sign.value for sign in Sign}) == len(list(Sign))
