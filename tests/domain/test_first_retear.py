"""Between which days a repair tore, by hand from the definition of interval censoring:
(last day without, first day with] (Turnbull, J R Stat Soc B 1976;38:290-95)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgtrack.domain.first_retear import FirstRetear, first_retear
from imgtrack.domain.scales import Healing

HEALED, RETEAR = Healing.HEALED, Healing.RETEAR


@pytest.mark.parametrize(
    ("outcomes", "expected"),
    [
        ([], FirstRetear(0, None)),
        ([(-10, RETEAR)], FirstRetear(0, None)),
        ([(0, RETEAR), (90, HEALED)], FirstRetear(90, None)),
        ([(90, HEALED), (180, None)], FirstRetear(90, None)),
        ([(90, None), (180, RETEAR)], FirstRetear(0, 180)),
        ([(90, HEALED), (180, None), (365, RETEAR)], FirstRetear(90, 365)),
        ([(365, HEALED), (181, RETEAR), (90, HEALED)], FirstRetear(90, 181, (365,))),
        ([(90, RETEAR), (180, RETEAR)], FirstRetear(0, 90)),
    ],
)
def test_intervals_by_hand(outcomes, expected):
    assert first_retear(outcomes) == expected


@pytest.mark.parametrize(
    ("interval", "words"),
    [
        (FirstRetear(0, None), "No assessable scan after the operation."),
        (FirstRetear(365, None), "No retear up to day 365, the last assessable scan."),
        (FirstRetear(90, 181), "First retear after day 90, by day 181."),
        (
            FirstRetear(90, 181, (365,)),
            "First retear after day 90, by day 181. Read as healed again on day 365:"
            " look at those scans again.",
        ),
    ],
)
def test_in_words(interval, words):
    assert interval.words == words


@given(
    st.lists(
        st.tuples(st.integers(-200, 900), st.sampled_from([HEALED, RETEAR, None])),
        unique_by=lambda each: each[0],
    )
)
def test_every_scan_after_surgery_is_accounted_for(outcomes):
    found = first_retear(outcomes)
    assert found == first_retear(outcomes[::-1])
    by = float("inf") if found.by is None else found.by
    assert 0 <= found.after < by
    for day, outcome in outcomes:
        if day > 0 and outcome is HEALED:
            assert day <= found.after or day in found.healed_again
        if day > 0 and outcome is RETEAR:
            assert day >= by
