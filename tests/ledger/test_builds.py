"""Builds in the record: what may be said of them, where a rod lay, and which rods failed."""

from __future__ import annotations

import pytest

from labkit.errors import LabkitError, LedgerError
from labkit.ledger.builds import builds_of, cases_of_build, last_build
from labkit.ledger.events import Kind
from labkit.ledger.store import open_ledger
from tests.support.ledgers import Pen, built

CASE, OTHER = "QF-1043", "QF-2"


@pytest.fixture
def pen(tmp_path):
    """A pen on a ledger of two cases with a made set each."""
    with open_ledger(str(tmp_path / "ledger.sqlite")) as ledger:
        pen = Pen(ledger)
        for case in (CASE, OTHER):
            pen.open_case(case)
            pen.make(case, f"{case}-r1")
        yield pen


def rods_of(pen, case):
    return [one.identifier for one in pen.ledger.rods(case)]


def test_a_build_of_two_cases_and_what_failed_of_it(pen):
    first, second, *_ = rods_of(pen, CASE)
    pen(Kind.BUILD, CASE, built(1, first, second))
    pen(Kind.BUILD, OTHER, built(1, *rods_of(pen, OTHER), bed=2))
    pen(Kind.BUILD_FAILED, CASE, {"build": 1, "reason": "resin ran out", "rods": [second]})
    (build,) = builds_of(pen.ledger, CASE)
    assert build.given == {first}
    assert build.failed == {second: "resin ran out"}
    assert [(piece.bed, piece.place) for piece in build.pieces_of(second)] == [(1, 2)]
    assert last_build(pen.ledger) == 1
    assert cases_of_build(pen.ledger, 1) == (CASE, OTHER)
    assert cases_of_build(pen.ledger, 2) == ()


WRONG = {
    "no rod of it": (Kind.BUILD, lambda rods: built(4, "48294829173065"), "has no rod 4829"),
    "number of before": (Kind.BUILD, lambda rods: built(2, rods[0]), "the last one is build 3"),
    "one place twice": (
        Kind.BUILD,
        lambda rods: {**built(4, rods[0]), "pieces": built(4, rods[0])["pieces"] * 2},
        "two pieces at one place",
    ),
    "a rod that is lost": (Kind.BUILD, lambda rods: built(4, rods[1]), "lost; only rods of a"),
    "no such build": (
        Kind.BUILD_FAILED, lambda rods: {"build": 9, "reason": "x", "rods": rods[:1]},
        "has no rod in build 9",
    ),
    "no such rod": (
        Kind.BUILD_FAILED, lambda rods: {"build": 3, "reason": "x", "rods": rods[2:3]},
        "did not lie there",
    ),
    "no rods": (
        Kind.BUILD_FAILED, lambda rods: {"build": 3, "reason": "x", "rods": []},
        "it must be a list of rod identifiers",
    ),
}


@pytest.mark.parametrize("name", WRONG)
def test_what_contradicts_the_record_is_refused(pen, name):
    rods = rods_of(pen, CASE)
    pen(Kind.BUILD, CASE, built(3, rods[0]))
    pen(Kind.ROD_STATE, CASE, {"identifier": rods[1], "state": "lost"})
    kind, body, words = WRONG[name]
    with pytest.raises(LabkitError, match=words):
        pen(kind, CASE, body(rods))


def test_what_failed_fails_once(pen):
    rods = rods_of(pen, CASE)
    pen(Kind.BUILD, CASE, built(1, rods[0]))
    told = {"build": 1, "reason": "fell off the bed", "rods": rods[:1]}
    pen(Kind.BUILD_FAILED, CASE, told)
    with pytest.raises(LedgerError, match="it failed there already"):
        pen(Kind.BUILD_FAILED, CASE, told)
    pen(Kind.BUILD, CASE, built(2, rods[0]))
    assert [one.given for one in builds_of(pen.ledger, CASE)] == [frozenset(), {rods[0]}]
