"""What killed runs left is swept; what a run at work holds, and a ledger's own log, are not."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest
from filelock import FileLock, Timeout

from labkit.ledger.new_file import beside, sweep
from labkit.locks import only_one
from labkit.scratch import scratch
from labkit.scratch import sweep as sweep_scratch

ROOT = Path(__file__).parent.parent


def names(folder):
    return {path.name for path in folder.iterdir()}


def killed(script, *arguments):
    """Run a few lines in a process that ends as a kill ends it."""
    lines = f"import os, sys\nfrom pathlib import Path\n{script}\n    os._exit(9)\n"
    ended = subprocess.run(
        [sys.executable, "-c", lines, *map(str, arguments)], cwd=ROOT, env=os.environ, check=False
    )
    assert ended.returncode == 9


def test_what_was_in_the_making_beside_a_ledger_is_swept_and_its_own_log_stays(tmp_path):
    target = tmp_path / "ledger.sqlite"
    own = {"ledger.sqlite", "ledger.sqlite-wal", "ledger.sqlite-shm",
           ".other.sqlite.0123456789ab.new",
           ".ledger.sqlite.new", "ledger.sqlite.0123456789ab.new"}
    for name in own:
        (tmp_path / name).write_text("mine")
    killed("from labkit.ledger.new_file import beside\n"
           "with beside(Path(sys.argv[1])) as fresh:\n"
           "    Path(f'{fresh}-wal').write_text('')", target)
    left = names(tmp_path) - own
    assert len(left) == 3
    with FileLock(tmp_path / ".ledger.sqlite.new.lock"):  # another run is at work there
        sweep(target)
    assert names(tmp_path) - own >= left - {".ledger.sqlite.new.lock"}
    sweep(target)
    assert names(tmp_path) == own


def test_beside_takes_away_what_an_earlier_run_left(tmp_path):
    litter = tmp_path / ".export.jsonl.0123456789ab.new"
    litter.write_text("half")
    with beside(tmp_path / "export.jsonl") as fresh:
        assert names(tmp_path) == {fresh.name, ".export.jsonl.new.lock"}
    assert names(tmp_path) == set()


def test_temporary_folders_of_killed_runs_are_swept_and_others_stay(tmp_path, monkeypatch):
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    (tmp_path / "labkit-demo").mkdir()  # a user's
    killed("import tempfile; tempfile.tempdir = sys.argv[1]\n"
           "from labkit.scratch import scratch\n"
           "with scratch() as folder:\n"
           "    (folder / 'x').write_text('')", tmp_path)
    assert len(names(tmp_path)) == 3
    with scratch() as mine:
        sweep_scratch()
        assert names(tmp_path) == {"labkit-demo", mine.name, f"{mine.name}.lock"}
    assert names(tmp_path) == {"labkit-demo"}


def test_a_lock_is_gone_after_use_and_may_be_taken_again_inside(tmp_path):
    lock = FileLock(tmp_path / ".x.lock")
    with only_one(lock):
        with only_one(lock):
            assert names(tmp_path) == {".x.lock"}
        assert names(tmp_path) == {".x.lock"}
        with pytest.raises(Timeout), only_one(FileLock(tmp_path / ".x.lock"), 0):
            pass
    assert names(tmp_path) == set()


def test_who_waits_for_a_lock_whose_file_is_taken_away_holds_a_lock_of_its_own(tmp_path):
    """Four processes count one file up; each takes the lock's file away."""
    (tmp_path / "count").write_text("0")
    lines = (
        "import sys, time\nfrom pathlib import Path\nfrom filelock import FileLock\n"
        "from labkit.locks import only_one\nfolder = Path(sys.argv[1])\n"
        "for _ in range(40):\n"
        "    with only_one(FileLock(folder / '.x.lock', poll_interval=0.001)):\n"
        "        n = int((folder / 'count').read_text()); time.sleep(0.0005)\n"
        "        (folder / 'count').write_text(str(n + 1))\n"
    )
    running = [
        subprocess.Popen([sys.executable, "-c", lines, str(tmp_path)], cwd=ROOT) for _ in range(4)
    ]
    assert [process.wait(timeout=120) for process in running] == [0] * 4
    assert (tmp_path / "count").read_text() == "160"
    assert names(tmp_path) == {"count"}
