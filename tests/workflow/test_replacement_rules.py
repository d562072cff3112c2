"""What the record allows to be said about rejected rods and those that take their place."""

from __future__ import annotations

import pytest

from labkit.core.case.identifier import check_digit, rod_identifier
from labkit.errors import LedgerError
from labkit.ledger.events import Kind
from tests.support.making import CASE, START, again, rod_at

FIRST = f"{CASE}-r1"
UNKNOWN = "111111111" + check_digit("111111111")


def said_of(recorded, kind, body, corrects=None):
    with pytest.raises(LedgerError) as caught:
        recorded.ledger.record(kind, CASE, body, "anna", START, corrects)
    return str(caught.value)


def test_the_record_never_has_two_rods_in_one_place(recorded, out):
    ledger, old = recorded.ledger, rod_at(recorded, FIRST, 1, "left")
    state = {"identifier": old.identifier, "state": "rejected", "reason": None}
    rejected = ledger.record(Kind.ROD_STATE, CASE, state, "anna", START)
    assert "rejected already" in said_of(recorded, Kind.ROD_STATE, state)
    for other in ("delivered", "fitted", "returned"):
        said = said_of(recorded, Kind.ROD_STATE, {**state, "state": other})
        assert f"cannot be {other} unless that is taken back" in said
    again(out, recorded, old.identifier)
    said = said_of(recorded, Kind.CORRECTION, {"reason": "was good"}, rejected.seq)
    assert "which is in its place" in said
    said = said_of(recorded, Kind.ROD_STATE, {**state, "state": "fitted"}, rejected.seq)
    assert "which is in its place" in said


def test_a_rejection_without_replacement_can_be_taken_back(recorded):
    ledger, old = recorded.ledger, rod_at(recorded, FIRST, 1, "left")
    state = {"identifier": old.identifier, "state": "rejected", "reason": None}
    rejected = ledger.record(Kind.ROD_STATE, CASE, state, "anna", START)
    ledger.record(Kind.CORRECTION, CASE, {"reason": "another rod"}, "anna", START, rejected.seq)
    assert ledger.find(old.identifier).state == "made"


def test_a_release_of_its_set_brings_no_rejected_rod_back(recorded):
    ledger, old = recorded.ledger, rod_at(recorded, FIRST, 1, "left")
    state = {"identifier": old.identifier, "state": "rejected", "reason": None}
    ledger.record(Kind.ROD_STATE, CASE, state, "anna", START)
    ledger.record(Kind.RELEASE, CASE, {"set": FIRST, "decision": "released"}, "anna", START)
    states = {(r.step, r.side): r.state for r in ledger.rods_of_set(FIRST)}
    assert states == {
        (1, "left"): "rejected", (1, "right"): "released", (2, "left"): "released",
        (2, "right"): "released",
    }


WRONG_SETS = {
    "no such rod": ({"replaces": UNKNOWN}, "to be replaced"),
    "another side": ({"side": "right"}, "by one of another side"),
    "another step": ({"step": 2}, "by one of another step"),
    "another length": ({"length_um": 35_800}, "by one of another length"),
    "another label": ({"label": "35.8"}, "by one of another label"),
}


@pytest.mark.parametrize("name", WRONG_SETS)
def test_a_replacement_is_like_the_rod_it_replaces(recorded, name):
    changes, sentence = WRONG_SETS[name]
    body, line = _replacement_body(recorded)
    body["rods"] = [{**line, **changes}]
    assert sentence in said_of(recorded, Kind.SET_STARTED, body)


def test_only_a_rejected_rod_is_replaced_and_only_in_a_replacement_set(recorded):
    body, line = _replacement_body(recorded, reject=False)
    said = said_of(recorded, Kind.SET_STARTED, {**body, "rods": [line]})
    assert "it is replaced once it is rejected" in said
    said = said_of(recorded, Kind.SET_STARTED, {**body, "rods": [line], "purpose": "extra"})
    assert "and only there" in said
    order = {"lines": [{"side": "left", "length_um": 1, "label": "35.9", "percent": None,
                        "asked": "x", "replaces": line["replaces"]}]}
    assert "by one of another length" in said_of(recorded, Kind.ORDER, order)


def _replacement_body(recorded, *, reject=True):
    old = rod_at(recorded, FIRST, 1, "left")
    if reject:
        state = {"identifier": old.identifier, "state": "rejected", "reason": None}
        recorded.ledger.record(Kind.ROD_STATE, CASE, state, "anna", START)
    start = next(e for e in recorded.ledger.story(CASE) if e.kind is Kind.SET_STARTED)
    body = {**start.body, "set": f"{CASE}-r2", "set_revision": 2, "purpose": "replacement"}
    line = {**start.body["rods"][0], "replaces": old.identifier}
    return body, {**line, "identifier": rod_identifier("ab" * 32, 2, 1, "left")}
