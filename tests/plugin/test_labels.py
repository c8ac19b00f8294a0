"""Places for words: whatever is asked for, none covers another, nor what must stay seen."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from imgtrack_napari.labels import CLEAR, Words, nearest, places

ROOM = (4.0, 4.0, 250.0, 190.0)
"""A small pane: five scans side by side on a small screen."""

spot = st.tuples(st.floats(-30, 280), st.floats(-30, 220))
words = st.builds(Words, spot, st.floats(20, 130), st.floats(12, 20))


def apart(one, other):
    """By the definition of two rectangles that do not overlap."""
    return one[2] <= other[0] or other[2] <= one[0] or one[3] <= other[1] or other[3] <= one[1]


@settings(max_examples=60, deadline=None)
@given(st.lists(words, max_size=8), st.lists(spot, max_size=12))
def test_no_words_cover_others_or_leave_the_room(wanted, figures):
    taken = [(120.0, 4.0, 135.0, 20.0), (4.0, 90.0, 24.0, 106.0), (4.0, 170.0, 90.0, 190.0)]
    found = places(wanted, ROOM, taken=taken, figures=figures)
    assert len(found) == len(wanted)
    placed = [box for box in found if box is not None]
    for number, box in enumerate(placed):
        assert all(apart(box, other) for other in (*placed[:number], *taken))
        assert box[0] >= ROOM[0]
        assert box[1] >= ROOM[1]
        assert box[2] <= ROOM[2]
        assert box[3] <= ROOM[3]
    for each, box in zip(wanted, found, strict=True):
        if box is not None:
            assert box[2] - box[0] == pytest.approx(each.width)
            assert box[3] - box[1] == pytest.approx(each.height)


def test_six_names_of_one_place_all_find_room():
    wanted = [Words((200.0, 60.0), 110.0, 16.0)] * 6
    assert None not in places(wanted, ROOM)


def test_words_stand_beside_their_point_and_off_the_figure():
    point, end = (60.0, 80.0), (90.0, 80.0)
    (box,) = places([Words(end, 80.0, 16.0)], ROOM, figures=[point, (75.0, 80.0), end])
    for x, y in (point, (75.0, 80.0), end):
        near = nearest(box, (x, y))
        assert ((near[0] - x) ** 2 + (near[1] - y) ** 2) ** 0.5 >= CLEAR
    near = nearest(box, end)
    assert ((near[0] - end[0]) ** 2 + (near[1] - end[1]) ** 2) ** 0.5 < 20


def test_words_that_are_wider_than_the_room_have_no_place():
    assert places([Words((50.0, 50.0), 400.0, 16.0)], ROOM) == [None]


def test_words_have_no_place_where_all_is_taken():
    assert places([Words((50.0, 50.0), 60.0, 16.0)], ROOM, taken=[ROOM]) == [None]
