"""`labkit make --take-back`, killed at many moments: old rods go with the new set's reservation."""

from __future__ import annotations

import os
import shutil
import signal
import time

import pytest

from labkit.ledger.events import Kind
from labkit.ledger.reconcile import Action, reconcile
from labkit.ledger.store import open_ledger
from labkit.ledger.stored import SetState
from labkit.ledger.verify import verify
from labkit.workflow.sets.circulation import REASON
from labkit.workflow.sets.on_disk import look_at, unrecorded
from tests.support.making import CASE, ONE, clock_of, make, recorder_for
from tests.support.prescriptions import changed
from tests.workflow.test_extra_processes import finish, start

FIRST = f"{CASE}-r1"
#: 36.0 mm on both sides, beside the 35.9 mm that are there.
NEAR = changed(ONE, ("pin_distance = 33.6", "pin_distance = 33.7"))
MOMENTS = 24
QUICK = (19,)


class Bench:
    """A recorded first set, copied for each kill; and how long the command takes."""

    def __init__(self, folder):
        self.folder = folder
        (folder / "rx.toml").write_text(NEAR)
        with recorder_for(folder / "ledger.sqlite") as recorder:
            make(ONE, folder / "sets", recorder)
        began = time.monotonic()
        process = self.begin(self.copy(folder.parent / "whole"))
        assert finish(process)[0] == 0
        self.lasts = time.monotonic() - began

    def copy(self, place):
        shutil.copytree(self.folder, place)
        return place

    def begin(self, place):
        return start(
            place / "ledger.sqlite", "make", str(place / "rx.toml"), "--take-back",
            out=place / "sets", program="tests.support.without_papers",
        )


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    folder = tmp_path_factory.mktemp("take-back") / "first"
    folder.mkdir()
    return Bench(folder)


def killed(bench, place, seconds):
    process = bench.begin(bench.copy(place))
    time.sleep(seconds)
    if process.poll() is None:
        os.kill(process.pid, signal.SIGKILL)
    process.communicate(timeout=60)


def check_after(place):
    """All of the old rods are taken back, where the new set has begun, or none of them."""
    with open_ledger(str(place / "ledger.sqlite"), create=False) as ledger:
        assert verify(ledger).problems == ()
        old = {rod.state for rod in ledger.rods_of_set(FIRST)}
        assert old == ({"withdrawn"} if len(ledger.sets(CASE)) > 1 else {"made"})
        actions = {each.action for each in reconcile(ledger, look_at, "anna", clock_of(ledger))}
        assert actions.isdisjoint({Action.TELL, Action.WAIT})
        left = {path.name for path in unrecorded(place / "sets", ledger.sets(CASE))}
        assert left <= {FIRST}  # which was recorded where it was copied from


def check_the_next_run(bench, place):
    """Whatever was left open, the same command then makes the set, unless it was made."""
    with open_ledger(str(place / "ledger.sqlite"), create=False) as ledger:
        made = [one for one in ledger.sets(CASE) if one.state is SetState.MADE]
    code, errors = finish(bench.begin(place))
    assert (code, len(made)) in {(0, 1), (1, 2)}, errors
    with open_ledger(str(place / "ledger.sqlite"), create=False) as ledger:
        assert verify(ledger).problems == ()
        rods = [rod for rod in ledger.rods(CASE) if rod.state not in ("withdrawn", "abandoned")]
        assert [(rod.label, rod.side) for rod in rods] == [("36.0", "left"), ("36.0", "right")]
        told = [e for e in ledger.current(CASE, Kind.ROD_STATE) if e.body.get("reason") == REASON]
        assert len(told) == len(ledger.rods_of_set(FIRST))


@pytest.mark.parametrize("moment", [
    pytest.param(number, marks=[] if number in QUICK else [pytest.mark.slow])
    for number in range(MOMENTS)
])
def test_a_kill_leaves_old_rods_and_new_set_in_step(bench, tmp_path, moment):
    place = tmp_path / "lab"
    killed(bench, place, (moment + 0.5) / MOMENTS * bench.lasts)
    check_after(place)
    check_the_next_run(bench, place)
