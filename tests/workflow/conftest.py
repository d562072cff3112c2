"""What the tests of recording need of the ledger's tests: a database of either kind."""

from __future__ import annotations

import pytest

from labkit.workflow import make
from tests.ledger.conftest import server, url

__all__ = ["server", "url"]


@pytest.fixture
def no_papers(monkeypatch):
    """Leave papers and pictures out, where a test is about the record and the parts."""
    monkeypatch.setattr(make, "write_papers", lambda *_: ())
