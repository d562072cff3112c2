"""What may follow what in the life of a rod: every pair of states."""

from __future__ import annotations

import pytest

from labkit.core.case.rod_life import (
    ENDS,
    IN_CIRCULATION,
    OUT_OF_HOUSE,
    TRANSITIONS,
    WHO_HAS_IT,
    RodState,
    may_follow,
    next_words,
)

#: Rows: a rod's state; columns: what is to be recorded; x where it may be. Written by hand.
TABLE = """
            delivered fitted returned lost broken withdrawn rejected
reserved    .         .      .        .    .      .         .
abandoned   .         .      .        .    .      .         .
made        x         .      .        x    x      x         x
released    x         .      .        x    x      x         x
withheld    .         .      .        x    x      x         x
delivered   .         x      x        x    x      x         x
fitted      x         .      x        x    x      x         x
returned    x         .      .        x    x      x         x
lost        .         .      .        .    .      .         .
broken      .         .      .        .    .      .         .
withdrawn   .         .      .        .    .      .         .
rejected    .         .      .        .    .      .         .
"""
_HEAD, *_ROWS = (line.split() for line in TABLE.strip().splitlines())
ALLOWED = {
    (state, wanted): mark == "x"
    for state, *marks in _ROWS for wanted, mark in zip(_HEAD, marks, strict=True)
}


@pytest.mark.parametrize("wanted", RodState)
@pytest.mark.parametrize("state", RodState)
def test_every_pair_of_states(state, wanted):
    assert may_follow(state, wanted) is ALLOWED.get((state, wanted), False)


def test_every_state_has_a_row_words_and_one_place():
    assert set(TRANSITIONS) == set(WHO_HAS_IT) == set(RodState)
    assert len(set(WHO_HAS_IT.values())) == len(RodState)
    assert not {*IN_CIRCULATION} & {*ENDS}
    assert {*OUT_OF_HOUSE} < {*IN_CIRCULATION}


@pytest.mark.parametrize("state", RodState)
def test_what_may_follow_in_words(state):
    words = next_words(state)
    for wanted in RodState:
        assert (str(wanted) in words) is may_follow(state, wanted)
    assert (words == "nothing more") is not any(may_follow(state, each) for each in RodState)
