"""Looking things up: which rods are out, which slips of an identifier are recognised."""

from __future__ import annotations

import pytest

from labkit.core.case.identifier import grouped
from labkit.errors import InputError
from labkit.ledger.events import Kind
from labkit.ledger.store import open_ledger
from labkit.workflow.record.lookup import all_cases, case_story, find_rod, need_case
from tests.support.ledgers import Pen, fill
from tests.support.recorded import make_case, make_set, parallel, set_body

CASE = "QF-1043"


@pytest.fixture
def ledger(tmp_path):
    with open_ledger(str(tmp_path / "ledger.sqlite")) as ledger:
        yield ledger


@pytest.mark.parametrize(
    ("state", "out"),
    [
        ("delivered", True), ("fitted", True), ("returned", False), ("broken", False),
        ("lost", False), ("withdrawn", False),
    ],
)
def test_which_rods_are_out(ledger, state, out):
    pen = Pen(ledger)
    rods = make_case(pen, parallel(CASE))
    before = ["delivered"] if state in ("fitted", "returned") else []
    for one in (*before, state):
        pen(Kind.ROD_STATE, CASE, {"identifier": rods[0]["identifier"], "state": one})
    (line,) = all_cases(ledger)
    assert line.rods_out == (8 if out else 7)
    first, partner = case_story(ledger, CASE).rods[:2]
    assert (first.now is not None) == out
    # The other rod of the pair is still out, and read along the path by itself.
    assert partner.now.makes.percent == pytest.approx(100 * 6.4 / 9.2, abs=1e-6)  # 30.6


def test_a_set_begun_is_reserved_and_not_out(ledger):
    pen = Pen(ledger)
    make_case(pen, parallel(CASE))
    steps = set_body(parallel(CASE), f"{CASE}-r2", set_revision=2)
    pen(Kind.SET_STARTED, CASE, steps)
    (line,) = all_cases(ledger)
    assert (line.rods_out, line.summary.sets) == (8, 1)
    found = find_rod(ledger, steps["rods"][0]["identifier"])
    assert (found.rod.rod.state, found.made) == ("reserved", None)
    assert found.rod.now is not None
    pen(Kind.SET_ABANDONED, CASE, {"set": f"{CASE}-r2", "reason": "stopped"})
    assert find_rod(ledger, steps["rods"][0]["identifier"]).rod.now is None


def test_places_count_all_sets_of_a_case_together(ledger):
    from tests.support.recorded import graded

    text = parallel(CASE)
    pen = Pen(ledger)
    make_case(pen, text)
    between = graded(text.replace("[70, 80, 90, 100]", "[75]").replace("start = 70", "")).steps
    make_set(pen, CASE, set_body(text, f"{CASE}-r2", set_revision=2, steps=between))
    found = find_rod(ledger, set_body(text, f"{CASE}-r2", set_revision=2)["rods"][0]["identifier"])
    assert (found.rod.now.set_number, found.rod.now.step) == (2, 1)
    standing = case_story(ledger, CASE).standing
    makes = [100 * mm / 9.2 for mm in (6.4, 6.9, 7.4, 8.3, 9.2)]
    assert [pair.makes.percent for pair in standing.pairs] == pytest.approx(makes)
    assert found.rod.now.makes.percent == pytest.approx(75, abs=1e-6)
    assert found.of_set.purpose == "extra"


def test_every_single_slip_of_an_identifier_names_the_rod(ledger):
    rods = make_case(Pen(ledger), parallel(CASE))
    digits = rods[3]["identifier"]
    slips = {
        digits[:at] + other + digits[at + 1 :]
        for at in range(10) for other in "0123456789" if other != digits[at]
    }
    slips |= {digits[:at] + digits[at + 1 :] for at in range(10)}
    slips |= {
        digits[:at] + digits[at + 1] + digits[at] + digits[at + 2 :] for at in range(9)
    } - {digits}
    assert len(slips) > 100
    for slip in slips:
        with pytest.raises(InputError, match=f"did you mean .*{grouped(digits)}"):
            find_rod(ledger, slip)


def test_an_empty_ledger_says_so(ledger):
    assert all_cases(ledger) == ()
    with pytest.raises(InputError, match="it has none yet"):
        need_case(ledger, CASE)


def test_looking_up_records_nothing(ledger):
    fill(ledger)
    before = ledger.head()
    all_cases(ledger)
    case_story(ledger, CASE)
    find_rod(ledger, ledger.rods(CASE)[0].identifier)
    assert ledger.head() == before
