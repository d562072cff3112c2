"""The set's folder: whole or absent, never over another."""

from __future__ import annotations

import errno
import json
import os
import subprocess
import time

import pytest

from labkit.errors import DeliveryError
from labkit.exports.write import set_folder
from labkit.exports.write.set_folder import (
    SPEC_FILE,
    SUMS_FILE,
    last_whole,
    new_set,
    revisions,
    safe_name,
    wrong_files,
)


def one_more(last):
    return last + 1


def make(out, case="QF-1", digest="a", content="x", **of_some_rods):
    with new_set(out, case, one_more) as place:
        (place.staging / "step").mkdir()
        (place.staging / "step" / "rod.step").write_text(content)
        (place.staging / SPEC_FILE).write_text(
            json.dumps({"inputs_sha256": digest, **of_some_rods})
        )
    return place.final


def visible(folder):
    return sorted(path.name for path in folder.iterdir() if not path.name.startswith("."))


def test_a_set_is_moved_into_place_with_its_sums(tmp_path):
    final = make(tmp_path)
    assert final == tmp_path / "QF-1-r1"
    assert visible(tmp_path) == ["QF-1-r1"]
    checked = subprocess.run(
        ["sha256sum", "--check", "--strict", SUMS_FILE],
        cwd=final,
        capture_output=True,
        text=True,
        check=False,
    )
    assert checked.returncode == 0, checked.stderr
    assert checked.stdout == "spacer-set.json: OK\nstep/rod.step: OK\n"


def test_a_changed_set_is_the_next_revision(tmp_path):
    first = make(tmp_path, digest="a", content="one")
    second = make(tmp_path, digest="b", content="two")
    assert (first.name, second.name) == ("QF-1-r1", "QF-1-r2")
    assert (first / "step" / "rod.step").read_text() == "one"
    assert revisions(tmp_path, "QF-1") == [1, 2]


def test_the_last_whole_set_is_found_also_where_some_rods_were_made_since(tmp_path):
    assert last_whole(tmp_path, "QF-1") is None
    first = make(tmp_path, digest="a")
    make(tmp_path, digest="extra rods", series=[])
    make(tmp_path, digest="in place of others", replaces=[])
    (tmp_path / "QF-1-r4").mkdir()
    assert last_whole(tmp_path, "QF-1") == (first, {"inputs_sha256": "a"})
    assert last_whole(tmp_path, "QF-2") is None


def test_every_file_that_is_not_as_it_was_made_is_named(tmp_path):
    final = make(tmp_path)
    assert wrong_files(final) == ()
    (final / "note.txt").write_text("x")
    (final / "step" / "rod.step").write_text("y")
    (final / SPEC_FILE).unlink()
    assert wrong_files(final) == (
        "note.txt is not in its list of sums", "spacer-set.json is missing",
        "step/rod.step was changed",
    )


def test_a_folder_that_takes_no_file_is_told_at_once(tmp_path, monkeypatch):
    def none(**_):
        raise FileNotFoundError(errno.ENOENT, "No such file or directory")

    monkeypatch.setattr("labkit.locks.tempfile.TemporaryFile", none)
    began = time.monotonic()
    with pytest.raises(DeliveryError, match="cannot be written to .*--out"):
        make(tmp_path)
    assert time.monotonic() - began < 5


def test_an_error_while_making_leaves_nothing(tmp_path):
    with pytest.raises(RuntimeError, match="broken"), new_set(tmp_path, "QF-1", one_more) as place:
        (place.staging / "half").write_text("half")
        raise RuntimeError("broken")
    assert visible(tmp_path) == []
    assert not place.staging.exists()


def test_a_revision_that_is_not_given_leaves_nothing(tmp_path):
    def no_more(last):
        raise DeliveryError(f"{last} sets are enough")

    with (
        pytest.raises(DeliveryError, match="^1 sets are enough$"),
        new_set(make(tmp_path).parent, "QF-1", no_more),
    ):
        raise AssertionError("the block was entered")
    assert visible(tmp_path) == ["QF-1-r1"]
    assert not (tmp_path / ".QF-1.unfinished").exists()


def test_what_a_killed_run_left_is_removed_by_the_next(tmp_path):
    left = tmp_path / ".QF-1.unfinished"
    left.mkdir()
    (left / "half").write_text("half")
    make(tmp_path)
    assert not left.exists()
    assert not (tmp_path / "QF-1-r1" / "half").exists()


def test_a_foreign_folder_in_its_place_is_never_replaced(tmp_path):
    foreign = tmp_path / "QF-1-r1"
    foreign.mkdir()
    (foreign / "notes.txt").write_text("mine")
    assert make(tmp_path).name == "QF-1-r2"
    assert (foreign / "notes.txt").read_text() == "mine"


def test_a_place_that_cannot_be_written(tmp_path):
    blocked = tmp_path / "file"
    blocked.write_text("")
    with pytest.raises(DeliveryError, match="cannot be written to .*; nothing was left there"):
        make(blocked)


@pytest.mark.parametrize(
    "case",
    ["../up", "a/b", "a\\b", "..", ".hidden", "CON", "com1.txt", "名前", "a b", "=1+1", "x" * 40],
)
def test_case_numbers_become_safe_names(case):
    name = safe_name(case)
    assert name == os.path.basename(name)
    assert name not in ("", ".", "..")
    assert not name.startswith(".")
    assert name.isascii()
    assert not set(name) & set('/\\:*?"<>| =')
    assert safe_name(case + "x") != name


def test_safe_names_do_not_clash():
    cases = ["a b", "a-b", "a/b", "a:b", "CON", "con"]
    assert len({safe_name(case).lower() for case in cases}) == len(cases)


def test_a_full_disk_while_making_is_told_in_one_sentence(tmp_path):
    with pytest.raises(DeliveryError, match="No space left on device; nothing was left there"):
        with new_set(tmp_path, "QF-1", one_more):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
    assert visible(tmp_path) == []


def test_a_file_missing_elsewhere_is_not_blamed_on_the_place_of_the_sets(tmp_path):
    with pytest.raises(FileNotFoundError):
        with new_set(tmp_path, "QF-1", one_more):
            (tmp_path / "elsewhere" / "template.toml").read_text()


def test_a_folder_that_cannot_be_flushed_does_not_undo_a_set(tmp_path, monkeypatch):
    real = set_folder._sync

    def refuse(path):
        if path == tmp_path:
            raise OSError(errno.EINVAL, os.strerror(errno.EINVAL))
        real(path)

    monkeypatch.setattr(set_folder, "_sync", refuse)
    assert make(tmp_path).is_dir()


def test_capitals_do_not_make_another_case(tmp_path):
    """Folders of Windows and macOS do not tell capitals from small letters."""
    assert make(tmp_path, case="QF-1").name == "QF-1-r1"
    assert make(tmp_path, case="qf-1", digest="b").name == "qf-1-r2"
