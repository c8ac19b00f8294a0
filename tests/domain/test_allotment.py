"""The draws of the allotment: the same everywhere, balanced, and stable when scans are added."""

from __future__ import annotations

from collections import Counter
from itertools import combinations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from imgtrack.domain.allotment import assign, order_key, to_repeat
from imgtrack.domain.cases import Case
from imgtrack.domain.reading import Round

SCANS = [f"2.25.{number}" for number in range(60)]


def test_the_order_is_by_sha_256_of_the_text_it_says():
    """Computed by GNU coreutils: printf '20417|first|R1|2.25.7' | sha256sum."""
    expected = "ebedccef4eec6501db3f35824598a6f344167ec885129b554189882b0c5af8b5"
    assert order_key(20417, "first", "R1", "2.25.7") == expected


def cases(batch: int, scans, reader: str = "R1"):
    return [
        Case(f"{batch}-{scan}", reader, scan, Round.FIRST, batch, place)
        for place, scan in enumerate(scans, 1)
    ]


@pytest.mark.parametrize(("readers", "per_scan"), [(2, 2), (3, 2), (4, 2), (5, 3), (3, 1), (4, 4)])
def test_readers_and_pairs_get_alike_many_scans(readers, per_scan):
    names = [f"R{number}" for number in range(readers)]
    given_ = assign(SCANS, {}, names, per_scan=per_scan, seed=1)
    assert set(given_) == set(SCANS)
    assert all(len(set(chosen)) == per_scan for chosen in given_.values())
    loads = Counter(reader for chosen in given_.values() for reader in chosen)
    assert max(loads.values()) - min(loads.values()) <= 1
    if per_scan > 1:
        pairs = Counter(
            frozenset(pair) for chosen in given_.values() for pair in combinations(chosen, 2)
        )
        assert len(pairs) == readers * (readers - 1) // 2
        assert max(pairs.values()) - min(pairs.values()) <= 6


@settings(max_examples=40, deadline=None)
@given(
    scans=st.lists(st.sampled_from(SCANS), unique=True, min_size=1),
    order=st.randoms(use_true_random=False),
    seed=st.integers(0, 2**40),
)
def test_the_order_of_arrival_does_not_matter(scans, order, seed):
    names = ["R1", "R2", "R3"]
    first = assign(scans, {}, names, per_scan=2, seed=seed)
    order.shuffle(scans)
    assert assign(scans, {}, names, per_scan=2, seed=seed) == first


def test_work_given_before_counts_and_is_not_given_again():
    have = dict.fromkeys(SCANS[:10], ("R1",)) | {"2.25.900": ("R1", "R2")}
    added = assign(SCANS[:10], have, ["R1", "R2", "R3"], per_scan=2, seed=5)
    assert set(added) == set(SCANS[:10])
    loads = Counter(reader for chosen in added.values() for reader in chosen)
    assert "R1" not in loads
    assert loads["R3"] == 5 or loads["R3"] == 6  # R2 begins with one scan more
    assert (
        assign(
            SCANS[:10], dict.fromkeys(SCANS[:10], ("R1", "R2")), ["R1", "R2"], per_scan=2, seed=5
        )
        == {}
    )


def test_too_few_readers_give_what_they_can():
    assert assign(["2.25.1"], {}, ["R1"], per_scan=2, seed=0) == {"2.25.1": ("R1",)}


@pytest.mark.parametrize(("share", "number"), [(0.0, 0), (0.1, 6), (0.5, 30), (1.0, 60)])
def test_so_many_scans_are_read_again(share, number):
    assert len(to_repeat(cases(1, SCANS), share=share, seed=3)) == number


def test_a_later_batch_leaves_the_draw_of_the_earlier_as_it_is():
    early = cases(1, SCANS[:20])
    before = to_repeat(early, share=0.1, seed=3)
    after = to_repeat([*cases(2, SCANS[20:]), *early], share=0.1, seed=3)
    assert len(before) == 2
    assert after & set(SCANS[:20]) == before
    assert len(after) == 6


def test_small_batches_add_up_to_the_share():
    drawn = to_repeat(
        [case for number in range(20) for case in cases(number + 1, [SCANS[number]])],
        share=0.1,
        seed=3,
    )
    assert len(drawn) == 2


def test_readers_repeat_different_scans():
    drawn = [to_repeat(cases(1, SCANS, reader), share=0.2, seed=3) for reader in ("R1", "R2")]
    assert drawn[0] != drawn[1]
