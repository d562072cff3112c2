"""`labkit batch`: many prescriptions, past bad ones, again after a kill."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path
from threading import Event

import pytest

from labkit.ledger.store import look_into
from labkit.ledger.stored import SetState
from labkit.ledger.verify import verify
from labkit.workflow.sets.batch import in_a_pool
from tests.support import many
from tests.support.making import ONE
from tests.support.prescriptions import changed

ROOT = Path(__file__).parents[2]
WHOLE = int(os.environ.get("LABKIT_BATCH_CASES", "30"))
KILLS = 20


def prescribe(folder: Path, count: int) -> None:
    folder.mkdir()
    for number in range(count):
        text = changed(ONE, ("QF-1043", f"QF-{2000 + number}"))
        (folder / f"{number:04}.toml").write_text(text, encoding="utf-8")


def command(*words: object) -> list[str]:
    return [sys.executable, "-m", "tests.support.without_papers", *map(str, words)]


def batch(tmp_path: Path, *words: object) -> subprocess.CompletedProcess[str]:
    line = command(
        "batch", tmp_path / "rx", "--out", tmp_path / "sets", "--by", "anna",
        "--ledger", tmp_path / "lab.sqlite", "--log", tmp_path / "log.jsonl", *words,
    )
    return subprocess.run(line, cwd=ROOT, text=True, capture_output=True, check=False)


def log(tmp_path: Path) -> list[dict]:
    lines = (tmp_path / "log.jsonl").read_text("utf-8").splitlines()
    return [json.loads(line) for line in lines]


def made(tmp_path: Path) -> list[str]:
    """Give the sets that lie there: those that the record has as made, which is whole."""
    with look_into(str(tmp_path / "lab.sqlite")) as ledger:
        assert verify(ledger).problems == ()
        stored = [each for line in ledger.cases() for each in ledger.sets(line.case)]
    lying = [path.name for path in (tmp_path / "sets").iterdir() if path.name.startswith("QF")]
    assert sorted(each.name for each in stored if each.state == SetState.MADE) == sorted(lying)
    return sorted(lying)


def test_it_goes_past_what_is_refused_and_makes_nothing_twice(tmp_path):
    prescribe(tmp_path / "rx", 4)
    bad = tmp_path / "rx" / "0001.toml"
    bad.write_text(changed(bad.read_text("utf-8"), ("registered = 2.9", "registered = 22.9")))
    (tmp_path / "rx" / "0002.toml").write_text("case = ", encoding="utf-8")
    twice = tmp_path / "rx" / "0004.toml"
    slips = (("-5.2", '"x"'), ("2.9", '"y"'), ("QF-1043", "QF-2004"))
    twice.write_text(changed(ONE, *slips), encoding="utf-8")
    first = batch(tmp_path)
    assert first.returncode == 2, first.stderr
    assert {line["file"][-9:-5]: line["state"] for line in log(tmp_path)} == {
        "0000": "made", "0001": "refused", "0002": "unreadable", "0003": "made",
        "0004": "unreadable",
    }
    assert "from -30 to 30; " in " ".join(first.stdout.split())  # two mistakes in one line
    assert "the registered reading (22.9) lies outside the range" in " ".join(first.stdout.split())
    assert made(tmp_path) == ["QF-2000-r1", "QF-2003-r1"]
    again = batch(tmp_path, "--json")
    states = {line["case"]: line["state"] for line in map(json.loads, again.stdout.splitlines())}
    assert states == {
        "QF-2000": "there", "QF-2001": "refused", "QF-2003": "there", "": "unreadable",
        "QF-2004": "unreadable",
    }
    assert made(tmp_path) == ["QF-2000-r1", "QF-2003-r1"]


def test_a_case_in_two_files_is_made_from_neither(tmp_path):
    prescribe(tmp_path / "rx", 2)
    text = (tmp_path / "rx" / "0000.toml").read_text("utf-8")
    (tmp_path / "rx" / "copy.toml").write_text(text, encoding="utf-8")
    assert batch(tmp_path).returncode == 1
    said = [line["said"] for line in log(tmp_path) if line["case"] == "QF-2000"]
    assert len(said) == 2
    assert "case QF-2000 is prescribed in 2 files, " in said[0][0]
    assert "0000.toml, " in said[0][0]
    assert made(tmp_path) == ["QF-2001-r1"]


def worked(item: str) -> str:
    """Do nothing, or end this worker as the kernel does where memory runs out."""
    if item.startswith("kill"):
        os.kill(os.getpid(), signal.SIGKILL)
    return f"done {item}"


def test_a_worker_that_is_killed_takes_no_other_case_with_it():
    items = ["a", "b", "kill c", "d", "e"]
    done = sorted(in_a_pool(worked, items, 2, lambda item: f"lost {item}", Event()))
    assert "lost kill c" in done
    # What was at work beside it each time may be lost with it; the rest is done.
    assert len(done) == len(items)
    assert sum(each.startswith("done") for each in done) >= 3


@pytest.mark.slow
def test_killed_at_random_moments_and_run_again(tmp_path):
    """LABKIT_BATCH_CASES=1000 pytest -m slow tests/cli/test_batch.py; see tests.benchmarks.many"""
    many.prescribe(tmp_path / "rx", WHOLE, ONE)
    many.killed_batches(tmp_path, WHOLE, KILLS, module="tests.support.without_papers")
