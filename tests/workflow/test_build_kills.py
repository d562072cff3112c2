"""`labkit plate` killed at its steps, in the manner of the other commands that write."""

from __future__ import annotations

import shutil

import pytest

from tests.workflow import test_kills
from tests.workflow.test_kills import Lab, kill_and_repeat

COMMAND = ("plate", "{case}", "--out", "{lab}/builds")


@pytest.fixture
def lab(two_steps, tmp_path, monkeypatch):
    """A set that is recorded and neither built nor measured."""
    folder = tmp_path / "lab"
    for name in ("builds", "tmp"):
        (folder / name).mkdir(parents=True)
    shutil.copyfile(two_steps, folder / "ledger.sqlite")
    monkeypatch.setitem(test_kills.COMMANDS, "plate", (COMMAND, ()))
    return Lab(folder, ("",))


def test_a_build_that_was_killed_is_whole_after_the_same_command(lab):
    # Between the record and the rename, which are the last steps but the end of the lock.
    kill_and_repeat(lab, "plate", lambda steps: [steps - 2])
    assert [path.name for path in (lab.folder / "builds").iterdir()] == ["build-1"]


@pytest.mark.slow
def test_a_build_killed_at_any_step_is_whole_after_the_same_command(lab):
    """Run with: pytest -n 0 -m slow tests/workflow/test_build_kills.py"""
    print("plate", kill_and_repeat(lab, "plate", range), "steps")
