"""`labkit batch` that is stopped, that nobody reads, or whose log takes nothing: what is said."""

from __future__ import annotations

import errno
import json
import os
import signal
import threading
import time
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from labkit.cli.ending import NotShownError
from labkit.cli.main import cli
from labkit.cli.sets import batch
from labkit.cli.sets.outcome_log import Log
from labkit.workflow.sets.batch import Outcome, in_a_pool
from tests.support.making import ONE
from tests.support.prescriptions import changed

DONE = "done before that: 1 set made in {} and recorded by anna"


def stop_the_batch(item: str) -> str:
    os.kill(os.getppid(), signal.SIGINT)
    time.sleep(0.2)
    return item


def test_after_ctrl_c_what_is_at_work_comes_to_its_end_and_nothing_more_begins():
    told, stop = [], threading.Event()
    with pytest.raises(KeyboardInterrupt):
        for item in in_a_pool(stop_the_batch, ["a", "b"], 1, lambda item: item, stop):
            told.append(item)
    assert told == ["a"]
    assert stop.is_set()


@pytest.fixture
def run(tmp_path, monkeypatch):
    """Give a batch of two prescriptions, of which a pool that only says so makes sets."""
    (tmp_path / "rx").mkdir()
    for case in ("QF-1", "QF-2"):
        text = changed(ONE, ("QF-1043", case))
        (tmp_path / "rx" / f"{case}.toml").write_text(text, encoding="utf-8")

    def made_by(pool, *words):
        monkeypatch.setattr(batch, "in_a_pool", pool)
        line = ["batch", tmp_path / "rx", "--out", tmp_path / "sets", "--by", "anna", "--ledger",
                tmp_path / "lab.sqlite", *words]
        return CliRunner().invoke(cli, list(map(str, line)))

    return made_by


def made(file):
    return Outcome(file, Path(file).stem, "made", f"{Path(file).stem}-r1")


def all_made(_work, files, *_):
    yield from map(made, files)


def stopped(_work, files, *_):
    yield made(files[0])
    raise KeyboardInterrupt


def stopped_at_the_second(_work, files, _workers, _lost, stop):
    for file in files:
        if not stop.is_set():
            yield made(file)


def said(result):
    return " ".join(result.stderr.split())


def test_after_ctrl_c_it_says_and_logs_what_was_made(run, tmp_path):
    result = run(stopped, "--log", tmp_path / "log")
    assert result.exit_code == 130
    assert f"stopped by Ctrl-C; {DONE.format(tmp_path / 'sets')}" in said(result)
    (line,) = (tmp_path / "log").read_text("utf-8").splitlines()
    assert json.loads(line)["set"] == "QF-1-r1"


def test_ctrl_c_while_an_outcome_is_logged_loses_none(run, tmp_path, monkeypatch):
    add, begun = Log.add, []

    def interrupted_once(log, outcome):
        add(log, outcome)
        begun.append(outcome)
        if len(begun) == 1:
            raise KeyboardInterrupt

    monkeypatch.setattr(Log, "add", interrupted_once)
    result = run(all_made, "--log", tmp_path / "log")
    assert "done before that: 2 sets made in" in said(result)
    assert len((tmp_path / "log").read_text("utf-8").splitlines()) == 2


def test_json_that_nobody_reads_stops_it_and_it_says_what_was_made(run, tmp_path, monkeypatch):
    def broken(_):
        raise NotShownError(errno.EPIPE, "Broken pipe")

    monkeypatch.setattr(click, "echo", broken)
    result = run(stopped_at_the_second, "--json", "--log", tmp_path / "log")
    assert result.exit_code == 1
    assert (
        "what was to be printed could not be shown in full (Broken pipe); "
        + DONE.format(tmp_path / "sets")
    ) in said(result)
    assert len((tmp_path / "log").read_text("utf-8").splitlines()) == 1


@pytest.mark.parametrize("command", ["batch", "worker"])
def test_a_log_that_cannot_be_written_is_refused_before_anything_is_made(run, tmp_path, command):
    log = tmp_path / "nowhere" / "x.log"
    if command == "batch":
        result = run(all_made, "--log", log)
    else:
        words = ["worker", "--ledger", "postgresql://lab@127.0.0.1:1/lab", "--log", str(log)]
        result = CliRunner().invoke(cli, words)
    assert result.exit_code == 2
    assert (
        f"the log {log} cannot be written (No such file or directory); name a file in a folder "
        "that is there and can be written with --log"
    ) in said(result)
    assert not (tmp_path / "sets").exists()


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="there is no device that is full")
def test_a_log_that_fills_up_is_told_once_and_keeps_no_set_from_being_made(run):
    result = run(all_made, "--log", "/dev/full")
    assert result.exit_code == 1
    assert said(result).count(
        "the log /dev/full takes no more (No space left on device): what became of QF-1 and of "
        "what comes after it is not in it, and its last line may be incomplete; sets are made all "
        "the same; give it room"
    ) == 1
    assert "made 2" in " ".join(result.stdout.split())
