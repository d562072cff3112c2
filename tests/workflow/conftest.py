"""What the tests of recording need of the ledger's tests: a database of either kind."""

from __future__ import annotations

import shutil

import pytest

from labkit.workflow.builds import files
from labkit.workflow.sets import again, make
from tests.ledger.conftest import server, url
from tests.support import making, remembered
from tests.support.prescriptions import changed

#: The second case of `two_cases`.
OTHER = "QF-1050"

__all__ = ["server", "url"]


@pytest.fixture(autouse=True)
def measured_once(monkeypatch):
    """Measure the same bytes once a session."""
    remembered.remember(monkeypatch)


@pytest.fixture
def no_papers(monkeypatch):
    """Leave papers and pictures out, where a test is about the record and the parts."""
    for module in (make, again):
        monkeypatch.setattr(module, "write_papers", lambda *_: ())


@pytest.fixture
def out(tmp_path):
    """The folder of the test that new sets go to."""
    return tmp_path / "sets"


@pytest.fixture
def recorder(tmp_path):
    """A recorder of a new ledger."""
    with making.recorder_for(tmp_path / "ledger.sqlite") as recorder:
        yield recorder


@pytest.fixture(scope="session")
def two_steps(tmp_path_factory):
    """Make one recorded set of two steps, without papers; give its ledger. It is never changed."""
    folder = tmp_path_factory.mktemp("two-steps")
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(make, "write_papers", lambda *_: ())
        with making.recorder_for(folder / "ledger.sqlite") as recorder:
            text = changed(making.ONE, ("[50]", "[50, 75]"))
            making.make(text, folder / "sets", recorder)
    return folder / "ledger.sqlite"


@pytest.fixture(scope="session")
def two_cases(two_steps, tmp_path_factory):
    """Two recorded cases of like rods, one of two steps, one of one; they are never changed."""
    folder = tmp_path_factory.mktemp("two-cases")
    shutil.copyfile(two_steps, folder / "ledger.sqlite")
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(make, "write_papers", lambda *_: ())
        with making.recorder_for(folder / "ledger.sqlite") as recorder:
            making.make(changed(making.ONE, (making.CASE, OTHER)), folder / "sets", recorder)
    return folder / "ledger.sqlite"


@pytest.fixture
def two(two_cases, tmp_path):
    """A recorder of a copy of that ledger."""
    shutil.copyfile(two_cases, tmp_path / "ledger.sqlite")
    with making.recorder_for(tmp_path / "ledger.sqlite") as recorder:
        yield recorder


@pytest.fixture
def builds(tmp_path, monkeypatch):
    """A folder for builds, whose maps are not set: the map has its own tests."""
    monkeypatch.setattr(files, "compile_pdf", lambda *_: b"%PDF")
    return tmp_path / "builds"


@pytest.fixture
def recorded(no_papers, two_steps, tmp_path, out):
    """A recorder of a copy of that ledger, nothing measured; new sets go to `out`."""
    out.mkdir()
    shutil.copyfile(two_steps, tmp_path / "ledger.sqlite")
    with making.recorder_for(tmp_path / "ledger.sqlite") as recorder:
        yield recorder
