"""A set's folder against the record: before a release, and where the case goes on."""

from __future__ import annotations

import datetime
import json
import shutil
from pathlib import Path

import pytest

from labkit.errors import RefusedError
from labkit.exports.write.set_folder import seal
from labkit.workflow.inspection.release import release
from labkit.workflow.sets.on_disk import files_of, require_as_recorded
from labkit.workflow.sets.standing import set_made
from tests.support.making import CASE
from tests.support.measured import measure_all

WHEN = datetime.datetime(2031, 3, 22, 10, 0, tzinfo=datetime.UTC)
NAMES = "is not as recorded: "


@pytest.fixture
def made(recorded, tmp_path):
    """The set, and its folder, which other tests use, too: it is put back at the end."""
    (stored,) = recorded.ledger.sets(CASE)
    folder, kept = Path(stored.folder), tmp_path / "kept"
    shutil.copytree(folder, kept)
    yield stored, folder
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(kept, folder)


def let_go(recorded, out):
    measure_all(recorded, CASE, {})
    return release(recorded.ledger, CASE, None, out, ("kim", WHEN))


def exchange(folder):
    first, second = sorted((folder / "stl").iterdir())[:2]
    beside = first.with_suffix(".tmp")
    first.rename(beside)
    second.rename(first)
    beside.rename(second)


def test_two_exchanged_files_are_not_released(recorded, made, out):
    _, folder = made
    exchange(folder)
    exchanged = sorted((folder / "stl").iterdir())[:2]
    first, second = (f"stl/{path.name} was changed" for path in exchanged)
    with pytest.raises(RefusedError, match=f"{NAMES}{first}; {second}; take the files from their"):
        let_go(recorded, out)
    assert recorded.ledger.rods(CASE)[0].state == "made"


def test_a_list_of_sums_made_anew_does_not_hide_it(recorded, made, out):
    _, folder = made
    exchange(folder)
    seal(folder)
    with pytest.raises(RefusedError, match="SHA256SUMS is whole, but not the one recorded"):
        let_go(recorded, out)


def test_papers_of_another_folder_than_the_recorded_are_not_printed(recorded, made):
    stored, folder = made
    spec = json.loads((folder / "spacer-set.json").read_text("utf-8"))
    assert set_made(recorded.ledger, spec).name == stored.name
    require_as_recorded(folder, stored)
    exchange(folder)
    seal(folder)
    words = "is not as recorded: SHA256SUMS is whole, but not the one recorded; nothing was written"
    with pytest.raises(RefusedError, match=words):
        require_as_recorded(folder, stored)


@pytest.mark.parametrize("name", ["spacer-set.csv", "SHA256SUMS", "stl"])
def test_a_file_that_is_gone_is_not_released(recorded, made, out, name):
    _, folder = made
    gone = folder / name
    shutil.rmtree(gone) if gone.is_dir() else gone.unlink()
    with pytest.raises(RefusedError, match=name):
        let_go(recorded, out)


def test_a_folder_that_is_not_there_is_said(recorded, made, out):
    _, folder = made
    shutil.rmtree(folder)
    done = let_go(recorded, out)
    words = f"{folder.name} is no longer in {folder}; its files were not checked"
    assert done.notes == (words,)


def test_a_form_filled_in_where_it_lies_is_as_it_should_be(recorded, made, out):
    stored, folder = made
    (folder / "documents").mkdir(exist_ok=True)
    (folder / "documents" / "inspection-form.csv").write_text("filled in")
    assert files_of(stored).told == ""
    (folder / "documents" / "bag-labels.pdf").write_text("exchanged")
    seen = files_of(stored)
    assert not seen.changed
    assert f"{NAMES}documents/bag-labels.pdf is not in its list of sums" in seen.told
    assert let_go(recorded, out).notes == (seen.told,)
