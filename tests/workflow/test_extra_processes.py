"""Several processes making extra rods at once, and processes killed at any moment."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from labkit.ledger.events import Kind
from labkit.ledger.reconcile import Action, reconcile
from labkit.ledger.store import open_ledger
from labkit.ledger.stored import SetState
from labkit.ledger.verify import verify
from labkit.workflow.sets.on_disk import look_at, unrecorded
from tests.support.making import CASE, ONE, clock_of, identifiers_in, make, recorder_for
from tests.support.prescriptions import changed

ROOT = Path(__file__).parent.parent.parent
PERCENTS = ["10", "20", "30", "40", "60", "70", "80"]


def start(url, *arguments, out, program="tests.support.after_story"):
    command = [sys.executable, "-m", program, *arguments, "--out", str(out), "--by", "anna"]
    environment = {**os.environ, "LABKIT_LEDGER": str(url)}
    return subprocess.Popen(
        command, cwd=ROOT, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        text=True,
    )


def finish(process):
    _, errors = process.communicate(timeout=600)
    return process.returncode, errors


def test_eight_processes_at_once_for_one_case(no_papers, url, tmp_path):
    """Seven different rods and one asked for twice, half of them into another folder."""
    outs = (tmp_path / "sets", tmp_path / "others")
    with recorder_for(url) as recorder:
        make(ONE, outs[0], recorder)
    wanted = [*PERCENTS, PERCENTS[0]]
    running = [
        start(
            url, "extra", CASE, "--percent", percent, out=outs[number % 2],
            program="tests.support.without_papers",
        )
        for number, percent in enumerate(wanted)
    ]
    ended = [finish(process) for process in running]
    assert sorted(code for code, _ in ended) == [0] * 7 + [1], ended
    (refusal,) = (errors for code, errors in ended if code)
    assert "is in circulation already" in refusal or "is being made already" in refusal
    with open_ledger(str(url), create=False) as ledger:
        assert verify(ledger).problems == ()
        sets, rods, story = ledger.sets(CASE), ledger.rods(CASE), ledger.story(CASE)
        assert {s.state for s in sets} == {SetState.MADE}
        assert sorted(s.set_revision for s in sets) == list(range(1, 9))
        orders = [e.body["lines"][0]["asked"] for e in story if e.kind is Kind.ORDER]
        assert sorted(orders) == sorted(f"{percent} %" for percent in PERCENTS)
        assert len({rod.identifier for rod in rods}) == len(rods) == 16
        assert len({(rod.label, rod.side) for rod in rods}) == len(rods)
        decisions = reconcile(ledger, look_at, "anna", clock_of(ledger))
        assert {decision.action for decision in decisions} == {Action.NOTHING}
        assert [p for out in outs for p in unrecorded(out, sets)] == []


class Lab:
    """A ledger and a folder, in which commands are killed at random moments."""

    def __init__(self, folder, seed):
        self.url, self.out = folder / "ledger.sqlite", folder / "sets"
        self.rng = random.Random(seed)
        self.folder, self.number = folder, 0
        self.counts = {"kills": 0, "ended before": 0, "made": 0, "abandoned": 0, "settled": 0}
        self.counts["next commands"] = 0
        with recorder_for(self.url) as recorder:
            make(ONE, self.out, recorder)
        began = time.monotonic()
        assert finish(start(self.url, "extra", CASE, "--percent", "90", out=self.out))[0] == 0
        self.lasts = time.monotonic() - began

    def command(self):
        """Mostly an extra rod that is not out, else a set of other percentages."""
        self.number += 1
        with open_ledger(str(self.url), create=False) as ledger:
            out = {float(rod.label) for rod in ledger.rods(CASE) if rod.state != "abandoned"}
        lengths = [tenths / 10 for tenths in range(302, 417, 4)]
        free = [each for each in lengths if all(abs(each - other) > 0.35 for other in out)]
        if free and self.number % 4:
            return ("extra", CASE, "--length", f"{self.rng.choice(free):.1f}")
        path = self.folder / "rx.toml"
        path.write_text(changed(ONE, ("[50]", f"[50, {60 + self.number / 100}]")))
        return ("make", str(path), "--take-back")

    def kill_one(self):
        """Kill a command somewhere between its start and its end."""
        command, began = self.command(), time.monotonic()
        process = start(self.url, *command, out=self.out)
        until = began + self.rng.uniform(0.1, 1.0) * self.lasts
        while process.poll() is None and time.monotonic() < until:
            time.sleep(0.01)
        ended = process.poll() is not None
        if ended:  # the machine has less to do than before: aim earlier
            self.lasts = time.monotonic() - began
        else:
            os.kill(process.pid, signal.SIGKILL)
            self.lasts *= 1.02
        _, errors = process.communicate(timeout=60)
        assert process.returncode in (0, -signal.SIGKILL), errors
        self.counts["ended before" if process.returncode == 0 else "kills"] += 1
        return command, process.returncode == 0

    def check(self):
        """What must hold after each kill; what a kill left open is settled here."""
        with open_ledger(str(self.url), create=False) as ledger:
            assert verify(ledger).problems == ()
            decisions = reconcile(ledger, look_at, "anna", clock_of(ledger))
            actions = [decision.action for decision in decisions]
            assert Action.TELL not in actions, decisions
            assert Action.WAIT not in actions, decisions
            self.counts["settled"] += sum(action is not Action.NOTHING for action in actions)
            sets, rods = ledger.sets(CASE), ledger.rods(CASE)
            assert unrecorded(self.out, sets) == ()
            made = [stored for stored in sets if stored.state is SetState.MADE]
            assert {s.name for s in made} == {
                path.name for path in self.out.iterdir() if not path.name.startswith(".")
            }
            assert len({rod.identifier for rod in rods}) == len(rods)
            for stored in made:
                kept = {(r.step, r.side): r.identifier for r in rods if r.set_name == stored.name}
                assert identifiers_in(stored.spec.content) == kept
            self.counts["made"] = len(made)
            self.counts["abandoned"] = len(sets) - len(made)

    def run(self, kills, whole_every):
        while self.counts["kills"] < kills:
            command, ended = self.kill_one()
            if not ended and self.counts["kills"] % whole_every == 0:
                self.end_well(command)  # nothing settles what the kill left before it
            self.check()
        return self.counts

    def end_well(self, command):
        """The same command once more, to its end: it works, or what it wants is there already."""
        code, errors = finish(start(self.url, *command, out=self.out))
        assert code == 0 or "lies in" in errors or "is in circulation already" in errors, errors
        self.counts["next commands"] += 1


@pytest.mark.slow
def test_killed_at_random_moments(no_papers, tmp_path):
    counts = Lab(tmp_path, 4).run(4, whole_every=2)
    print(counts)
    assert counts["kills"] == 4


@pytest.mark.slow
def test_killed_200_times(no_papers, tmp_path):
    """Run with: pytest -n 0 -s -m slow tests/workflow/test_extra_processes.py"""
    counts = Lab(tmp_path, 200).run(int(os.environ.get("LABKIT_KILLS", "200")), whole_every=4)
    print(counts)
    assert counts["kills"] >= 40
