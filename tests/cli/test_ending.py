"""A run ends in one of three ways, nothing done, done, done and not shown, and says which."""

from __future__ import annotations

import functools
import os
import re
import signal
import subprocess
import sys
import time

import pytest

from labkit.cli import ending
from tests.support.making import CASE, ONE
from tests.support.processors import ROOT

PLAIN = "templates/prescriptions/demo-plain.toml"
HINGED = "templates/prescriptions/demo-hinged.toml"
needs_posix = pytest.mark.skipif(os.name != "posix", reason="closed and full outputs of POSIX")


def run(command, folder, redirected="", **settings):
    """Run a command in a shell, with its outputs led elsewhere."""
    env = {**os.environ, "PYTHONPATH": str(ROOT), "LABKIT_LEDGER": str(folder / "ledger.sqlite"),
           "LABKIT_BY": "anna", "COLUMNS": "100", **settings}
    words = ["sh", "-c", f'"$0" -m labkit "$@" {redirected}', sys.executable, *command]
    return subprocess.run(words, cwd=ROOT, env=env, capture_output=True, check=False)


@needs_posix
@pytest.mark.parametrize(
    ("redirected", "why"), [("> /dev/full", "No space left on device"), (">&-", "it is closed")]
)
@pytest.mark.parametrize("command", [["lengths", PLAIN], ["templates", "--json"], ["--help"]])
def test_nothing_done_and_not_shown_is_said(tmp_path, command, redirected, why):
    done = run(command, tmp_path, redirected)
    assert done.returncode == ending.EXIT_NOT_SHOWN
    assert done.stderr.decode().strip() == (
        f"labkit: what was to be printed could not be shown in full ({why}); nothing was "
        "delivered or recorded"
    )


@needs_posix
@pytest.mark.parametrize("redirected", ["> /dev/full", "2> /dev/full >&-"])
def test_a_set_that_was_delivered_is_never_said_to_be_not(tmp_path, redirected):
    (tmp_path / "rx.toml").write_text(ONE, encoding="utf-8")
    words = ["make", str(tmp_path / "rx.toml"), "--out", str(tmp_path / "sets")]
    done = run(words, tmp_path, redirected)
    assert done.returncode == ending.EXIT_NOT_SHOWN
    assert (tmp_path / "sets" / f"{CASE}-r1" / "SHA256SUMS").is_file()
    if "2>" not in redirected:
        told = done.stderr.decode()
        assert "nothing was" not in told
        assert f"the set {CASE}-r1 lies whole in {tmp_path / 'sets'}; entry 4 was recor" in told
    told = run(["cases", "--json"], tmp_path).stdout.decode()
    assert '"sets": 1' in told


@needs_posix
def test_who_reads_only_the_first_lines_is_not_told_off(tmp_path):
    done = run(["lengths", PLAIN, "--json"], tmp_path, "| true")
    assert done.stderr == b""


@pytest.fixture(scope="module")
def usual(tmp_path_factory):
    """What a command prints where every character can be shown; asked once."""
    folder = tmp_path_factory.mktemp("usual")

    @functools.cache
    def printed(*command):
        return run(command, folder, PYTHONIOENCODING="utf-8").stdout.decode()

    return printed


@pytest.mark.parametrize("command", [["lengths", PLAIN, HINGED], ["templates"], ["lengths", "-h"]])
@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "cp1252", "cp437"])
def test_a_stream_of_another_encoding_takes_every_sentence(tmp_path, usual, command, encoding):
    def numbers(text):
        return sorted(re.findall(r"[0-9][0-9.]*", text))

    done = run(command, tmp_path, PYTHONIOENCODING=encoding)
    assert (done.returncode, done.stderr) == (0, b"")
    shown = done.stdout.decode(encoding)
    assert numbers(shown) == numbers(usual(*command))
    assert "?" not in shown
    if encoding == "ascii" and command[0] == "lengths" and len(command) == 3:
        assert "jaw" in shown
        assert "+/- mm" in shown


def interrupted(tmp_path, seconds):
    env = {**os.environ, "PYTHONPATH": str(ROOT), "LABKIT_LEDGER": str(tmp_path / "ledger.sqlite"),
           "LABKIT_BY": "anna"}
    words = [sys.executable, "-m", "labkit", "make", PLAIN, "--out", str(tmp_path / "sets")]
    with subprocess.Popen(
        words, cwd=ROOT, env=env, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as child:
        time.sleep(seconds)
        child.send_signal(signal.SIGINT)
        _, told = child.communicate(timeout=60)
    return child.returncode, told.decode()


def assert_true(tmp_path, status, told):
    """Hold what was said at the end against what lies in the folder and in the record."""
    lies = (tmp_path / "sets" / "HLB-0107-r1").is_dir()
    assert status in (0, ending.EXIT_INTERRUPTED, -signal.SIGINT)
    if status == ending.EXIT_INTERRUPTED:
        assert "Traceback" not in told
        assert told.strip().splitlines()[-1].startswith("labkit: stopped by Ctrl-C; ")
        assert lies == ("HLB-0107-r1 lies whole in" in told)
        recorded = (tmp_path / "ledger.sqlite").exists() and "recorded in" in told
        assert recorded == ("nothing was delivered or recorded" not in told)
    assert lies or status != 0


@needs_posix
@pytest.mark.parametrize("seconds", [0.4, 1.2, 2.0])
def test_ctrl_c_is_ctrl_c(tmp_path, seconds):
    assert_true(tmp_path, *interrupted(tmp_path, seconds))


@needs_posix
@pytest.mark.slow
@pytest.mark.parametrize("moment", range(40))
def test_ctrl_c_at_forty_moments(tmp_path, moment):
    assert_true(tmp_path, *interrupted(tmp_path, 0.05 + 0.11 * moment))


def test_ctrl_c_behind_the_error_of_a_library_is_found():
    error = ImportError("half loaded")
    error.__context__ = KeyboardInterrupt()
    assert ending.interrupted(error)
    assert not ending.interrupted(ImportError("missing"))


def test_ctrl_c_in_what_a_library_calls_back_is_not_lost(monkeypatch):
    class Called:
        def __del__(self):
            raise KeyboardInterrupt

    monkeypatch.setattr(sys, "unraisablehook", lambda what: None)
    ending.keep_ctrl_c()
    called = [Called()]
    with pytest.raises(KeyboardInterrupt):
        wait_after(called.clear)


def wait_after(act):
    act()
    time.sleep(2)
