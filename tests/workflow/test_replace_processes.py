"""Replacements killed at any moment, and two at once for one rod."""

from __future__ import annotations

import os

import pytest

from labkit.ledger.store import open_ledger
from labkit.ledger.stored import SetState
from labkit.workflow.rods.slots import slots_of
from tests.support.making import CASE, recorder_for
from tests.workflow.test_extra_processes import Lab, finish, start

FIRST = f"{CASE}-r1"
QUICK = "tests.support.without_papers"


class ReplacingLab(Lab):
    """Rejects the rod of one place again and again, most runs killed."""

    def command(self):
        """Reject what fills the place now; where that is being settled, what was rejected."""
        with open_ledger(str(self.url), create=False) as ledger:
            slot = self.rng.choice(slots_of(ledger, ledger.set_named(FIRST)))
        return ("replace", slot.rod.identifier, "--reason", "too long")

    def check(self):
        """As for extra rods; besides, each place is filled, or its rod can be replaced."""
        super().check()
        with open_ledger(str(self.url), create=False) as ledger:
            slots = slots_of(ledger, ledger.set_named(FIRST))
            assert [(slot.step, slot.side) for slot in slots] == [(1, "left"), (1, "right")]
            for slot in slots:
                assert slot.rod.state in ("made", "rejected")
                assert {rod.state for rod in slot.replaced} <= {"rejected"}
                assert len({rod.label for rod in (slot.rod, *slot.replaced)}) == 1

    def end_well(self, command):
        """The same command once more: it works, or its replacement is there already."""
        code, errors = finish(start(self.url, *command, out=self.out))
        assert code == 0 or "is in its place" in errors, errors
        self.counts["next commands"] += 1


@pytest.mark.slow
def test_killed_many_times(no_papers, tmp_path):
    """Run with: pytest -n 0 -s -m slow tests/workflow/test_replace_processes.py"""
    counts = ReplacingLab(tmp_path, 60).run(int(os.environ.get("LABKIT_KILLS", "60")), 1)
    print(counts)
    assert counts["kills"] >= int(os.environ.get("LABKIT_KILLS", "40"))


def test_two_processes_at_once_replace_a_rod_once(recorded, tmp_path):
    """Into two folders, so that only the record stands between them."""
    url, outs = tmp_path / "ledger.sqlite", (tmp_path / "sets", tmp_path / "others")
    with recorder_for(url) as recorder:
        old = recorder.ledger.rods_of_set(FIRST)[0].identifier
    running = [
        start(url, "replace", old, "--reason", "too long", out=out, program=QUICK)
        for out in outs
    ]
    ended = [finish(process) for process in running]
    assert sorted(code for code, _ in ended) == [0, 1], ended
    (refusal,) = (errors for code, errors in ended if code)
    assert "in its place" in refusal
    with open_ledger(str(url), create=False) as ledger:
        made = [s for s in ledger.sets(CASE) if s.purpose == "replacement"]
        assert [s.state for s in made] == [SetState.MADE]
