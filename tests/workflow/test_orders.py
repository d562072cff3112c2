"""Orders that are taken back before their rods leave the lab."""

from __future__ import annotations

import json
from decimal import Decimal

import pytest
from click.testing import CliRunner

from labkit.cli.main import cli
from labkit.core.case.extra_requests import Between, ByAdvancement, ByPercent
from labkit.errors import InputError, RefusedError
from labkit.ledger.bodies import Correction, Order, RodState, said
from labkit.ledger.events import Kind
from labkit.ledger.stored import SetState
from labkit.ledger.verify import verify
from labkit.workflow.inspection.judged_set import set_to_judge
from labkit.workflow.record.story import told
from labkit.workflow.rods.extra import ExtraOrder, extra_plan
from labkit.workflow.rods.orders import orders_of, orders_report, withdraw_order
from tests.support.dry import first_set, started
from tests.support.making import CASE, INSTALLED, ONE, START, again, extra, recorder_for
from tests.support.prescriptions import changed

WHO = ("anna", START)


def withdraw(recorder, entry=None, reason="ordered twice"):
    entry = entry or orders_of(recorder.ledger, CASE)[-1].event.seq
    return withdraw_order(recorder.ledger, CASE, entry, reason, WHO)


def state(recorder, rod, word, **more):
    return recorder.ledger.write(CASE, RodState(rod.identifier, word, **more), *WHO)


def test_the_rods_of_a_withdrawn_order_block_no_neighbour(recorded, out):
    extra(out, recorded, 62.5)
    with pytest.raises(RefusedError, match="exist|use it, or ask for another step"):
        extra(out, recorded, 62.5)
    report = withdraw(recorded)
    ledger = recorded.ledger
    (order,) = orders_of(ledger, CASE)
    assert order.state == f"withdrawn, entry {order.withdrawn.seq}"
    assert {rod.state for rod in ledger.rods_of_set(f"{CASE}-r2")} == {"withdrawn"}
    assert report.table("Case QF-1043").cells("state") == ("withdrawn", "withdrawn")
    assert "none of them may be delivered" in report.words
    assert told(order.withdrawn) == f"order of entry {order.event.seq} taken back: ordered twice"
    made = extra(out, recorded, 62.5)
    assert made.folder.name == f"{CASE}-r3"
    assert [one.state for one in orders_of(ledger, CASE)][1] == f"made as {CASE}-r3"
    assert verify(ledger).ok


def test_a_set_whose_order_was_withdrawn_is_not_the_one_to_be_judged(recorded, out):
    extra(out, recorded, 62.5)
    assert set_to_judge(recorded.ledger, CASE, None).name == f"{CASE}-r2"
    withdraw(recorded)
    assert set_to_judge(recorded.ledger, CASE, None).name == f"{CASE}-r1"


def test_rods_that_are_gone_keep_their_state(recorded, out):
    extra(out, recorded, 62.5)
    lost, other = recorded.ledger.rods_of_set(f"{CASE}-r2")
    state(recorded, lost, "lost")
    withdraw(recorded)
    states = [recorded.ledger.find(rod.identifier).state for rod in (lost, other)]
    assert states == ["lost", "withdrawn"]


def test_a_rod_in_the_place_of_an_ordered_one_goes_with_it(recorded, out):
    extra(out, recorded, 62.5)
    again(out, recorded, recorded.ledger.rods_of_set(f"{CASE}-r2")[0].identifier)
    withdraw(recorded, orders_of(recorded.ledger, CASE)[0].event.seq)
    (new,) = recorded.ledger.rods_of_set(f"{CASE}-r3")
    assert new.state == "withdrawn"


@pytest.mark.parametrize("words", [("delivered",), ("delivered", "fitted"),
                                   ("delivered", "returned")])
def test_an_order_of_which_a_rod_left_the_lab_stands(recorded, out, words):
    extra(out, recorded, 62.5)
    rod = recorded.ledger.rods_of_set(f"{CASE}-r2")[0]
    for word in words:
        state(recorded, rod, word)
    count = recorded.ledger.head().count
    with pytest.raises(RefusedError, match="rods that left the lab: .* report each rod instead"):
        withdraw(recorded)
    assert recorded.ledger.head().count == count


def test_a_delivery_told_by_mistake_stands_in_no_way(recorded, out):
    extra(out, recorded, 62.5)
    slip = state(recorded, recorded.ledger.rods_of_set(f"{CASE}-r2")[0], "delivered")
    recorded.ledger.write(CASE, Correction("another rod"), *WHO, slip.seq)
    withdraw(recorded)
    assert orders_of(recorded.ledger, CASE)[0].withdrawn is not None


def test_twice_says_that_it_is_done(recorded, out):
    extra(out, recorded, 62.5)
    withdraw(recorded)
    with pytest.raises(RefusedError, match="was withdrawn already, as entry .* by anna on 2031-03"):
        withdraw(recorded)


def test_no_such_order_and_no_reason(recorded, out):
    with pytest.raises(InputError, match="entry 99 is no order of the case 'QF-1043'; it has none"):
        withdraw(recorded, 99)
    extra(out, recorded, 62.5)
    seq = orders_of(recorded.ledger, CASE)[0].event.seq
    only = f"entry 2 is no order of .*; the only one is entry {seq} "
    with pytest.raises(InputError, match=only):
        withdraw(recorded, 2)
    with pytest.raises(InputError, match="no reason is given; say why with --reason"):
        withdraw(recorded, seq, " ")


def test_an_order_at_work_is_left_alone_and_a_withdrawn_one_not_taken_up(url):
    """A run that was killed leaves its order; once withdrawn, the next run orders anew."""
    with recorder_for(url) as recorder:
        first_set(recorder, changed(ONE, ("[50]", "[50, 75]")))
        ledger, order = recorder.ledger, ExtraOrder(CASE, (ByPercent(Decimal("62.5")),))
        job = extra_plan(ledger, order, INSTALLED).job(INSTALLED.lettering)
        started(recorder, job, "62.5 %")
        (one,) = orders_of(ledger, CASE)
        assert one.state == f"being made as {CASE}-r2"
        with pytest.raises(RefusedError, match="is being made as QF-1043-r2; wait until that run"):
            withdraw(recorder)
        ledger.record(Kind.SET_ABANDONED, CASE, {"set": f"{CASE}-r2", "reason": "killed"}, *WHO)
        (one,) = orders_of(ledger, CASE)
        assert (one.state, one.rods) == ("not made", ())
        withdraw(recorder)
        started(recorder, job, "62.5 %")
        first, second = orders_of(ledger, CASE)
        assert second.by_set.state is SetState.STARTED
        assert first.withdrawn is not None
        assert verify(ledger).ok


def test_each_rod_has_its_own_request(recorded, out):
    two = Between(Decimal(55), Decimal(70), 2)
    requests = ByAdvancement(Decimal("10.44")), two, ByPercent(Decimal(85))
    extra(out, recorded, *requests)
    (order,) = orders_of(recorded.ledger, CASE)
    asked = [(line.side, line.asked) for line in said(order.event, Order).lines]
    between = "2 between 55 % and 70 %"
    assert asked == [(side, words)
                     for words in (between, between, "85 %", "10.44 mm forward")
                     for side in ("left", "right")]


def test_the_command(recorded, out, tmp_path):
    extra(out, recorded, 62.5)
    (order,) = orders_of(recorded.ledger, CASE)

    def run(*words):
        env = {"COLUMNS": "200", "LABKIT_LEDGER": str(tmp_path / "ledger.sqlite")}
        return CliRunner().invoke(cli, ["order", CASE, *map(str, words)], env=env)

    (listed,) = json.loads(run("--json").stdout)["orders"]
    assert (listed["entry"], listed["state"]) == (order.event.seq, f"made as {CASE}-r2")
    assert listed["asked"] == "34.5 left (62.5 %), 34.5 right (62.5 %)"
    refused = run("--withdraw", order.event.seq, "--reason", "twice")
    assert refused.exit_code == 2
    assert "under an operator code; give yours with --by" in refused.stderr
    assert "give --withdraw with it" in run("--reason", "x").stderr
    done = run("--withdraw", order.event.seq, "--reason", "twice", "--by", "anna")
    assert done.exit_code == 0, done.stderr
    assert f"The order of entry {order.event.seq} is withdrawn, entry" in done.stdout
    assert run("--withdraw", order.event.seq, "--reason", "twice", "--by", "anna").exit_code == 1


def test_a_case_without_orders(recorded):
    report = orders_report(recorded.ledger, CASE)
    assert "Nothing was ordered besides its sets." in report.words
