"""`labkit batch`: what it leaves out, and what it says where it is stopped or cannot write."""

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

from labkit.catalog.places import files_in
from labkit.cli.ending import NotShownError
from labkit.cli.main import cli
from labkit.cli.sets import batch
from labkit.cli.sets.one_of_many import failed
from labkit.cli.sets.outcome_log import Log
from labkit.errors import DeliveryError, InputError
from labkit.exports.write.put import put
from labkit.exports.write.set_folder import new_set
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


def there(_work, files, *_):
    for file in files:
        yield Outcome(file, Path(file).stem, "there", f"{Path(file).stem}-r1")


def test_where_nothing_was_recorded_now_no_record_is_named(run):
    assert "Recorded in" in run(all_made).stdout
    result = run(there)
    assert result.exit_code == 0
    assert "made before" in result.stdout
    assert "Recorded in" not in result.stdout


def test_a_pipe_in_the_folder_is_refused_and_stops_no_other(run, tmp_path):
    pipe = tmp_path / "rx" / "a.toml"
    os.mkfifo(pipe)
    result = run(all_made)
    assert result.exit_code == 2
    told = " ".join(result.stdout.split())
    assert "is no regular file but a pipe, device or folder; a batch reads files: save the" in told
    assert "made 2" in told


def test_a_folder_means_toml_files_in_capitals_too_but_no_hidden_ones(tmp_path):
    for name in ("a.toml", "UPPER.TOML", ".hidden.toml", "._a.toml", "notes.txt"):
        (tmp_path / name).touch()
    assert [path.name for path in files_in(tmp_path)] == ["UPPER.TOML", "a.toml"]
    with pytest.raises(InputError, match=r"holds no \.toml file"):
        files_in(Path(__file__).parent)


def test_cases_that_differ_in_capitals_alone_are_one_case_named_twice(run, tmp_path):
    text = changed(ONE, ("QF-1043", "qf-1"))
    (tmp_path / "rx" / "small.toml").write_text(text, encoding="utf-8")
    result = run(all_made, "--json")
    assert result.exit_code == 1
    lines = {line["case"]: line for line in map(json.loads, result.stdout.splitlines())}
    assert {case: line["state"] for case, line in lines.items()} == {
        "QF-1": "refused", "qf-1": "refused", "QF-2": "made",
    }
    (why,) = lines["qf-1"]["said"]
    assert why.startswith("cases QF-1, qf-1 are prescribed in 2 files, ")
    assert why.endswith(
        ": on a drive where capitals and small letters are the same their folders would be one; "
        "give them other numbers"
    )


def full(_path, _data):
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def test_what_the_disk_does_not_take_has_a_heading_of_its_own_and_names_the_folder_given(
    run, tmp_path, monkeypatch
):
    monkeypatch.setattr(Path, "write_bytes", full)

    def work(_work, files, *_):
        for file in files:
            try:
                with new_set(tmp_path / "sets", Path(file).stem, lambda last: last + 1) as place:
                    put(place.staging / "x.stl", b"")
            except DeliveryError as error:
                yield failed(file, Path(file).stem, error)

    result = run(work, "--json")
    assert result.exit_code == 1
    first = json.loads(result.stdout.splitlines()[0])
    assert first["state"] == "not written"
    assert batch.WORDS[first["state"]] == "could not be written"
    (why,) = first["said"]
    assert why.endswith(
        f"the set of QF-1 cannot be written to {tmp_path / 'sets'}: No space left on device; "
        "nothing was left there; give it room and rights, or name a folder that can be written "
        "with --out"
    )
    assert [path for path in (tmp_path / "sets").iterdir() if path.is_dir()] == []


def test_a_folder_of_sets_that_cannot_be_made_is_refused_in_a_sentence(run, tmp_path):
    result = run(all_made, "--out", tmp_path / "rx" / "QF-1.toml" / "sets")
    assert result.exit_code == 1
    told = "cannot be made: Not a directory; name one that can be written with --out"
    assert told in said(result)
