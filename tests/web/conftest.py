"""A ledger with three cases, and a browser that has signed in."""

from __future__ import annotations

import shutil
from threading import Event

import pytest

from labkit.web.jobs import job as jobs
from tests.support import workplaces


@pytest.fixture(scope="session")
def filled(tmp_path_factory):
    """Fill a ledger once; it is never changed."""
    path = tmp_path_factory.mktemp("workplace") / "ledger.sqlite"
    return path, workplaces.fill(path)


@pytest.fixture
def ledger(filled, tmp_path):
    """Give a copy of it that the test may change."""
    return shutil.copyfile(filled[0], tmp_path / "ledger.sqlite")


@pytest.fixture(scope="session")
def rods(filled):
    """Give the identifiers of the example's rods; four of them are with the clinic."""
    return filled[1]


@pytest.fixture(scope="session")
def looking(filled):
    """Give a browser on the filled ledger; the tests only look with it."""
    return workplaces.client_of(workplaces.workplace(filled[0]))


@pytest.fixture
def browser(ledger):
    """Give a browser on a copy."""
    return workplaces.client_of(workplaces.workplace(ledger))


@pytest.fixture
def own_turns(monkeypatch):
    """Let nothing wait beyond the test."""
    kept = {}
    monkeypatch.setattr(jobs, "_TURNS", kept)
    yield
    for turns in kept.values():
        turns._waiting.clear()


@pytest.fixture
def still(monkeypatch, own_turns):
    """Write orders down and begin no process."""
    begun = []

    class Process:
        def __init__(self, words, **_):
            begun.append(words)

        def wait(self):
            Event().wait(30)

        def poll(self):
            return None

    monkeypatch.setattr(jobs.subprocess, "Popen", Process)
    return begun
