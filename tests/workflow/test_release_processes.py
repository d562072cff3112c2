"""Releases killed at any moment: a certificate only with its release, whole or absent."""

from __future__ import annotations

import datetime
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from labkit.ledger.events import Kind
from labkit.ledger.store import open_ledger
from labkit.ledger.verify import verify
from labkit.workflow.inspection.certificate import certificate_pdf, certified, write_certificate
from labkit.workflow.inspection.judged_set import set_to_judge
from labkit.workflow.inspection.release import withhold
from labkit.workflow.inspection.release_state import release_now
from tests.support.making import CASE
from tests.support.measured import measure_all

ROOT = Path(__file__).parent.parent.parent
WHEN = datetime.datetime(2031, 3, 22, 10, 0, tzinfo=datetime.UTC)


class Bench:
    """A measured set that is released and withheld in turn, most releases killed."""

    def __init__(self, url, out, seed):
        self.url, self.out, self.rng = url, out, random.Random(seed)
        self.counts = {"kills": 0, "ended": 0, "released": 0, "without certificate": 0}
        began = time.monotonic()
        assert self.finish(self.start()) == 0
        self.lasts = time.monotonic() - began
        self.check()

    def start(self):
        return subprocess.Popen(
            [sys.executable, "-m", "tests.support.after_story", "release", CASE,
             "--out", str(self.out), "--by", "kim", "--note", "the next round"],
            cwd=ROOT, env={**os.environ, "LABKIT_LEDGER": str(self.url)},
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )

    def finish(self, process):
        _, errors = process.communicate(timeout=120)
        assert process.returncode in (0, -signal.SIGKILL), errors
        return process.returncode

    def kill_one(self):
        """Kill a release, mostly near its end, where it records and writes."""
        process, began = self.start(), time.monotonic()
        until = began + self.rng.uniform(0.4, 1.05) * self.lasts
        while process.poll() is None and time.monotonic() < until:
            time.sleep(0.002)
        if process.poll() is None:
            os.kill(process.pid, signal.SIGKILL)
            self.lasts *= 1.01
        else:
            self.lasts = time.monotonic() - began
        self.counts["ended" if self.finish(process) == 0 else "kills"] += 1

    def check(self):
        """What must hold whatever happened; what is released is withheld for the next round."""
        with open_ledger(str(self.url), create=False) as ledger:
            assert verify(ledger).problems == ()
            stored = set_to_judge(ledger, CASE, None)
            releases = {
                f"{stored.name}-certificate-{event.seq}.pdf": event
                for event in ledger.current(CASE, Kind.RELEASE)
                if event.body["decision"] == "released"
            }
            there = {p.name: p for p in self.out.iterdir() if not p.name.startswith(".")}
            assert set(there) <= set(releases)
            for name, path in there.items():
                assert path.read_bytes() == certificate_pdf(ledger, stored, releases[name])
            now = release_now(ledger, stored)
            if now is not None and now.stands:
                self.counts["released"] += 1
                last = write_certificate(
                    ledger, certified(ledger, CASE, None, None), self.out
                )
                self.counts["without certificate"] += last.name not in there
                withhold(ledger, CASE, None, "the next round", ("kim", WHEN))

    def run(self, kills):
        while self.counts["kills"] < kills:
            self.kill_one()
            self.check()
        assert self.finish(self.start()) == 0
        hidden = [path.name for path in self.out.iterdir() if path.name.startswith(".")]
        assert hidden == []  # nothing that a killed run left
        return self.counts


@pytest.fixture
def bench(recorded, tmp_path):
    def begin(seed):
        measure_all(recorded, CASE)
        (tmp_path / "certificates").mkdir()
        return Bench(tmp_path / "ledger.sqlite", tmp_path / "certificates", seed)

    return begin


@pytest.mark.slow
def test_killed_many_times(bench):
    """Run with: pytest -n 0 -s -m slow tests/workflow/test_release_processes.py"""
    counts = bench(60).run(int(os.environ.get("LABKIT_KILLS", "60")))
    print(counts)
    assert counts["kills"] >= int(os.environ.get("LABKIT_KILLS", "40"))


#: Where a process ends for good → whether the release is kept then.
ENDS = {"certificate_pdf": False, "refuse_existing": False, "put": True}


@pytest.mark.parametrize("name", ENDS)
def test_a_process_that_ends_at_the_worst_moment(recorded, tmp_path, name):
    """Before the release is kept nothing is there; after it, its certificate can be printed."""
    measure_all(recorded, CASE)
    before, out = recorded.ledger.head(), tmp_path / "sets"
    words = ["release", CASE, "--out", str(out)]
    script = (
        f"import os, labkit.workflow.inspection.release as r; r.{name} = lambda *_: os._exit(9)\n"
        f"from tests.support.after_story import then; import sys; sys.argv[1:] = {words!r}\n"
        "then()"
    )
    environment = {
        **os.environ, "LABKIT_LEDGER": str(tmp_path / "ledger.sqlite"), "LABKIT_BY": "kim"
    }
    ended = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, env=environment, check=False
    )
    assert ended.returncode == 9
    assert [path for path in out.iterdir() if not path.name.startswith(".")] == []
    with open_ledger(str(tmp_path / "ledger.sqlite"), create=False) as ledger:
        assert verify(ledger).problems == ()
        assert (ledger.head() != before) is ENDS[name]
        if ENDS[name]:
            found = certified(ledger, CASE, None, None)
            again = write_certificate(ledger, found, out)
            assert again.read_bytes() == certificate_pdf(ledger, *found)
