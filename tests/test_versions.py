"""A version identifies the program: it is raised with every change of a file's bytes."""

from __future__ import annotations

import itertools
import json
import subprocess

import pytest
from click.testing import CliRunner

from labkit import __version__
from labkit import commit as commit_module
from labkit.cli.main import cli
from labkit.commit import commit, commit_of, version_and_commit
from labkit.ledger.revision import LEAST_PROGRAM, is_before
from tests.support.bytes_of_versions import digest_of_sets, kept
from tests.support.write_examples import EXAMPLES, ROOT


def test_the_files_of_a_version_stay_what_they_are():
    """Another digest: raise `__version__` and note the new one, as DEVELOPERS says."""
    known = kept()
    assert known[__version__] == digest_of_sets(EXAMPLES / "demo")
    assert len(set(known.values())) == len(known)


def test_versions_rise_and_the_last_one_is_this():
    versions = list(kept())
    assert versions[-1] == __version__
    assert all(is_before(*pair) for pair in itertools.pairwise(versions))
    assert not is_before(__version__, LEAST_PROGRAM)


def test_one_byte_more_is_another_digest(tmp_path):
    sums = tmp_path / "demo" / "X-r1" / "SHA256SUMS"
    sums.parent.mkdir(parents=True)
    found = set()
    for line in ("a  step/x.step", "b  step/x.step", "b  step/y.step", "b  step/y.step\nc  z.png"):
        sums.write_text(line + "\n")
        found.add(digest_of_sets(tmp_path / "demo"))
    assert len(found) == 3


@pytest.fixture
def checkout(tmp_path):
    def git(*words):
        setting = ("-c", "user.name=x", "-c", "user.email=x@example.org")
        subprocess.run(["git", "-C", str(tmp_path), *setting, *words], check=True, timeout=30,
                       capture_output=True)

    (tmp_path / "labkit").mkdir()
    (tmp_path / "labkit" / "a.py").write_text("1")
    git("init", "-q")
    git("add", ".")
    git("commit", "-qm", "first")
    return tmp_path


def test_the_commit_of_a_checkout_and_whether_it_was_changed(checkout):
    clean = commit_of(checkout)
    assert len(clean) == 12
    (checkout / "notes.txt").write_text("not of the program")
    assert commit_of(checkout) == clean
    (checkout / "labkit" / "a.py").write_text("2")
    assert commit_of(checkout) == f"{clean}.changed"


def test_a_package_inside_another_checkout_does_not_take_its_commit(checkout):
    inside = checkout / "lib" / "site-packages"
    inside.mkdir(parents=True)
    assert commit_of(inside) == ""


@pytest.fixture
def built(tmp_path, monkeypatch):
    """A package that was built from a commit."""
    monkeypatch.setattr(commit_module, "BUILT_FROM", tmp_path / "built_from.txt")
    (tmp_path / "built_from.txt").write_text("5ee748d0c1aa\n")
    commit.cache_clear()
    yield
    commit.cache_clear()


def test_about_and_the_record_tell_the_commit(built):
    assert version_and_commit() == f"{__version__}+5ee748d0c1aa"
    told = CliRunner().invoke(cli, ["about", "--json"], env={"LABKIT_LEDGER": None})
    assert json.loads(told.stdout)["versions"]["commit"] == "5ee748d0c1aa"


def test_no_file_of_a_set_tells_the_commit():
    """Only these modules ask for it; the third names what it keeps by it, outside of any set."""
    asking = {path.relative_to(ROOT).as_posix() for path in (ROOT / "labkit").rglob("*.py")
              if "labkit.commit" in path.read_text("utf-8")}
    assert asking == {
        "labkit/cli/about.py", "labkit/workflow/record/recorder.py",
        "labkit/workflow/sets/solids.py",
    }
