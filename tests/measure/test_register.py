"""Laying a follow-up on the first scan, against motions that are known because we made them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from register_scans import HEALED, STILL, moved_scans

from imgtrack.domain.errors import Refused
from imgtrack.domain.subjects import Side
from imgtrack.measure.motion import RigidTransform
from imgtrack.measure.registration import align
from imgtrack.measure.registration.align import register_humerus
from imgtrack.measure.registration.humerus import find_humerus
from imgtrack.measure.registration.laid import laid_on
from imgtrack.measure.registration.likeness import SeriesPair
from imgtrack.measure.stack import Stack
from imgtrack.measure.suggest.volume import Volume

OBLIQUE = ("coronal_oblique", "sagittal_oblique")


@pytest.fixture(scope="module")
def torn_since():
    """A shoulder that tore between two scans, and was turned by 8 degrees."""
    return moved_scans(3, size="fair")


@pytest.fixture(scope="module")
def registered(torn_since):
    return register_humerus(torn_since.pairs, torn_since.side)


def test_a_known_motion_is_found_though_the_tendon_tore(torn_since, registered):
    # Truth: the motion we made; limits: those the project sets itself, 0.5 mm and 0.5 degrees.
    off_mm, off_degrees = torn_since.error(registered.to_first)
    assert off_mm <= 0.5
    assert off_degrees <= 0.5
    assert torn_since.truth.degrees > 3
    assert registered.planes == 3


def test_the_residual_is_small_and_not_nothing(registered):
    assert 0 < registered.residual_mm <= 0.5
    assert registered.head_mm <= 1.5


def test_the_follow_up_seen_in_a_slice_of_the_first_scan_is_like_it(torn_since, registered):
    # Correlation of independent pixels over the head: without the motion it must be clearly less.
    pair = torn_since.pairs[0]
    plane = pair.first.stack.planes[len(pair.first.stack.planes) // 2]
    head = find_humerus([each.first for each in torn_since.pairs], torn_since.side)
    pixels = np.indices(plane.shape).reshape(2, -1).T
    inside = head.holds(plane.to_patient(pixels)).reshape(plane.shape)
    picture = pair.first.image(len(pair.first.stack.planes) // 2)[inside]
    with_it = laid_on(plane, pair.follow, registered.to_first)[inside]
    without = laid_on(plane, pair.follow, STILL)[inside]
    assert np.corrcoef(picture, with_it)[0, 1] > np.corrcoef(picture, without)[0, 1] + 0.2


def test_what_lies_beyond_the_follow_up_is_its_darkest_value(torn_since):
    pair = torn_since.pairs[0]
    away = RigidTransform.about((0, 0, 0), axis=(0, 0, 1), degrees=0, shift=(900, 0, 0))
    seen = laid_on(pair.first.stack.planes[0], pair.follow, away)
    assert (seen == pair.follow.pixels.min()).all()


def test_one_plane_alone_is_refused(torn_since):
    with pytest.raises(Refused, match="two planes or more"):
        register_humerus(torn_since.pairs[:1], torn_since.side)


def test_a_series_with_lost_slices_does_not_count(torn_since):
    coronal, sagittal, _ = torn_since.pairs
    whole = sagittal.follow
    kept = [place for place in range(len(whole.stack.planes)) if place not in (8, 9)]
    planes = tuple(whole.stack.planes[place] for place in kept)
    holed = Volume(whole.pixels[kept], Stack(planes))
    with pytest.raises(Refused, match="evenly spaced"):
        register_humerus([coronal, replace(sagittal, follow=holed)], torn_since.side)


@pytest.fixture(scope="module")
def quick():
    """A right shoulder at coarse resolution, in the two oblique planes."""
    return moved_scans(3, later=HEALED, planes=OBLIQUE)


def test_another_shoulder_is_refused(quick):
    # A left shoulder laid on a right one: no rigid motion does that.
    left = moved_scans(4, later=HEALED, planes=OBLIQUE)
    pairs = [
        SeriesPair(one.first, other.first)
        for one, other in zip(quick.pairs, left.pairs, strict=True)
    ]
    with pytest.raises(Refused):
        register_humerus(pairs, Side.RIGHT)


def test_noise_alone_has_no_head(quick):
    rng = np.random.default_rng(1)
    noise = [
        Volume(rng.normal(100, 20, pair.first.pixels.shape), pair.first.stack)
        for pair in quick.pairs
    ]
    with pytest.raises(Refused, match="no humeral head"):
        find_humerus(noise, quick.side)


@pytest.mark.parametrize(("residual", "heads"), [(1.6, 0.2), (0.2, 4.1)])
def test_a_search_that_failed_is_refused(quick, monkeypatch, residual, heads):
    # By the limits that `align` states: 1.5 mm between searches, 4 mm between the heads.
    monkeypatch.setattr(align, "_disagreement", lambda *_: residual)
    monkeypatch.setattr(align, "_between", lambda *_: heads)
    monkeypatch.setattr(align, "_search", lambda likeness, start, **_: start)
    with pytest.raises(Refused, match="laying the scans on each other failed"):
        register_humerus(quick.pairs, quick.side)
