"""What the panes show: hanging, scrolling, and following each other."""

from __future__ import annotations

import pytest

from imgtrack.desk.cases.images import ShownImage, ShownSeries
from imgtrack.domain.protocol import Plane, Weighting
from imgtrack.measure.plane import PlaneGeometry
from imgtrack_napari.hanging import PANES, hang
from imgtrack_napari.viewing import Viewing

COR, SAG, AX = PANES
AXES = {COR: ((1, 0, 0), (0, 0, -1)), SAG: ((0, 1, 0), (0, 0, -1)), AX: ((1, 0, 0), (0, 1, 0))}
STEP = {COR: (0, 4, 0), SAG: (-4, 0, 0), AX: (0, 0, 4)}
ORIGIN = {COR: (-40, -20, 40), SAG: (20, -40, 40), AX: (-40, -40, -20)}


def stack(number, plane, weighting, *, earlier=0, slices=11):
    """Slices 4 mm apart through the middle of the patient: by hand."""
    images = []
    for place in range(slices):
        origin = tuple(o + place * s for o, s in zip(ORIGIN[plane], STEP[plane], strict=True))
        row, column = AXES[plane]
        geometry = PlaneGeometry(origin, row, column, (0.5, 0.5), (160, 160), 4.0)
        images.append(ShownImage(f"{earlier}.{number}.{place + 1}", 160, 160, (0.5, 0.5), geometry))
    return ShownSeries(
        f"{earlier}.{number}", earlier, plane, weighting, "magnitude", tuple(images), 4.0
    )


FATSAT, T1, STIR = Weighting.PD_FAT_SUPPRESSED, Weighting.T1, Weighting.STIR


@pytest.fixture
def viewing():
    return Viewing(
        [
            stack(1, COR, T1),
            stack(2, COR, FATSAT),
            stack(3, SAG, T1),
            stack(4, SAG, STIR),
            stack(5, AX, FATSAT),
        ]
    )


def shown(viewing):
    return [viewing.panes[plane].series.alias for plane in PANES]


def test_fluid_hangs_first_and_earlier_scans_last():
    series = [stack(1, COR, FATSAT, earlier=1), stack(1, COR, T1), stack(2, COR, STIR)]
    assert [each.alias for each in hang(series)[COR]] == ["0.2", "0.1", "1.1"]


def test_a_series_without_a_plane_takes_an_empty_pane():
    radiograph = ShownSeries(
        "0.1", 0, None, None, "", (ShownImage("0.1.1", 9, 9, None, None),), None
    )
    hung = hang([radiograph])
    assert hung[COR] == (radiograph,)
    hung = hang([stack(1, COR, FATSAT), stack(2, SAG, T1), stack(3, AX, T1), radiograph])
    assert hung[AX][-1] is radiograph


def test_the_muscle_step_brings_up_fat_bright_series_and_goes_back(viewing):
    assert shown(viewing) == ["0.2", "0.4", "0.5"]
    viewing.hang_for(muscle=True)
    assert shown(viewing) == ["0.1", "0.3", "0.5"]
    viewing.hang_for(muscle=False)
    assert shown(viewing) == ["0.2", "0.4", "0.5"]


def test_a_click_moves_the_slices_of_the_other_panes(viewing):
    """x = 4 lies on sagittal slice (20 - 4) / 4 + 1 = 5, z = 8 on axial slice 8."""
    viewing.panes[COR].place = 3
    viewing.look_at((4.0, -8.0, 8.0), but=COR)
    assert viewing.panes[COR].place == 3
    assert viewing.panes[SAG].place == 4
    assert viewing.panes[AX].place == 7


def test_a_point_outside_a_stack_leaves_its_pane_alone(viewing):
    before = viewing.panes[SAG].place
    viewing.look_at((60.0, 0.0, 0.0), but=COR)
    assert viewing.panes[SAG].place == before


def test_scrolling_stops_at_the_ends_and_carries_the_cursor_along(viewing):
    viewing.look_at((0.0, 0.0, 0.0))
    assert viewing.scroll(COR, 1)
    assert viewing.cursor == pytest.approx((0.0, 4.0, 0.0))
    assert viewing.scroll(COR, 99)
    assert viewing.panes[COR].place == 10
    assert not viewing.scroll(COR, 1)


def test_another_series_stays_at_the_same_place_of_the_body(viewing):
    viewing.panes[COR].place = 7
    assert viewing.next_series(COR)
    assert viewing.panes[COR].series.alias == "0.1"
    assert viewing.panes[COR].place == 7
    assert not viewing.next_series(AX)


def test_an_image_is_brought_up_by_its_alias(viewing):
    assert viewing.show_image("0.3.9") is SAG
    assert viewing.panes[SAG].image.alias == "0.3.9"
    assert viewing.active is SAG
    assert viewing.show_image("9.9.9") is None


def test_words_tell_slice_and_millimetres(viewing):
    pane = viewing.panes[COR]
    pane.place = 2
    assert pane.slice_words == "slice 3 of 11 · 8.0 mm"
    assert pane.words == "coronal oblique · PD fat suppressed"
    assert Viewing([]).panes[Plane.AXIAL].words == "axial: no series"
