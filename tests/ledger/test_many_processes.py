"""Several processes at once, and processes killed at any moment."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from labkit.ledger.store import open_ledger
from labkit.ledger.stored import SetState
from labkit.ledger.verify import verify
from tests.support.ledger_writer import CASE
from tests.support.ledgers import Pen

ROOT = Path(__file__).parent.parent.parent
WRITERS = 8
EACH = 6
KILLS = 8


def writer(url, name, count=0):
    return subprocess.Popen(
        [sys.executable, "-m", "tests.support.ledger_writer", url, name, str(count)],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


@pytest.fixture
def case_url(url):
    with open_ledger(url) as ledger:
        Pen(ledger).open_case(CASE)
    return url


def test_eight_writers_at_once_lose_nothing(case_url):
    running = [writer(case_url, f"w{number}", EACH) for number in range(WRITERS)]
    for process in running:
        _, errors = process.communicate(timeout=300)
        assert process.returncode == 0, errors
    with open_ledger(case_url, create=False) as ledger:
        found = verify(ledger)
        assert found.problems == ()
        assert found.events == 2 + 2 * WRITERS * EACH
        sets = ledger.sets(CASE)
        assert {s.name for s in sets} == {
            f"w{w}-{n}" for w in range(WRITERS) for n in range(1, EACH + 1)
        }
        assert {s.state for s in sets} == {SetState.MADE}
        assert len({rod.identifier for rod in ledger.rods(CASE)}) == 2 * WRITERS * EACH


def test_eight_processes_begin_one_ledger(url):
    """Opening a ledger that is not there, at once: one is made, and all use it."""
    code = (
        "import sys\nfrom labkit.ledger.store import open_ledger\n"
        "from tests.support.ledgers import Pen\n"
        "with open_ledger(sys.argv[1]) as ledger:\n    Pen(ledger).open_case(sys.argv[2])\n"
    )
    running = [
        subprocess.Popen(
            [sys.executable, "-c", code, url, f"C-{number}"],
            cwd=ROOT, stderr=subprocess.PIPE, text=True,
        )
        for number in range(WRITERS)
    ]
    for process in running:
        _, errors = process.communicate(timeout=300)
        assert process.returncode == 0, errors
    with open_ledger(url, create=False) as ledger:
        assert len(ledger.cases()) == WRITERS
        assert verify(ledger).ok


def test_killed_writers_leave_a_sound_ledger(case_url):
    """kill -9 at random moments: what was reported as recorded is there, and all is sound."""
    rng, reported = random.Random(8), {}
    for round_number in range(KILLS // 2):
        names = [f"k{round_number}a", f"k{round_number}b"]
        running = [writer(case_url, name) for name in names]
        for process in running:
            assert process.stdout.readline().strip() == "1"
        time.sleep(rng.uniform(0, 0.25))
        for name, process in zip(names, running, strict=True):
            os.kill(process.pid, signal.SIGKILL)
            rest, _ = process.communicate(timeout=60)
            reported[name] = len(rest.split()) + 1
        with open_ledger(case_url, create=False) as ledger:
            found = verify(ledger)
            assert found.problems == ()
    with open_ledger(case_url, create=False) as ledger:
        made = {s.name for s in ledger.sets(CASE) if s.state is SetState.MADE}
        identifiers = [rod.identifier for rod in ledger.rods(CASE)]
    for name, count in reported.items():
        assert {f"{name}-{number}" for number in range(1, count + 1)} <= made
    assert len(identifiers) == len(set(identifiers))
    print(f"{len(reported)} killed, {len(made)} sets made, {found.events} events")
