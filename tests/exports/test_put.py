"""Writing a new file: whole or absent, and never over another."""

from __future__ import annotations

import os

import pytest

from labkit.errors import DeliveryError
from labkit.exports.write.put import new_folder, put_new


def test_a_file_system_without_links_takes_the_file_by_a_rename(tmp_path, monkeypatch):
    def no_links(*_):
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", no_links)
    put_new(tmp_path / "a.pdf", b"whole")
    assert (tmp_path / "a.pdf").read_bytes() == b"whole"
    assert os.listdir(tmp_path) == ["a.pdf"]


def test_a_file_that_came_meanwhile_stands(tmp_path, monkeypatch):
    place, link = tmp_path / "a.pdf", os.link

    def late(source, target):
        place.write_bytes(b"another")
        link(source, target)

    monkeypatch.setattr(os, "link", late)
    with pytest.raises(DeliveryError, match="is there already"):
        put_new(place, b"whole")
    assert place.read_bytes() == b"another"
    assert os.listdir(tmp_path) == ["a.pdf"]


def test_a_missing_folder_is_begun(tmp_path):
    put_new(tmp_path / "new" / "folder" / "a.pdf", b"whole")
    assert (tmp_path / "new" / "folder" / "a.pdf").read_bytes() == b"whole"


def test_a_folder_that_cannot_be_begun_is_told(tmp_path):
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(DeliveryError, match="cannot be written: "):
        put_new(tmp_path / "file" / "a.pdf", b"")


def test_a_folder_is_whole_or_absent(tmp_path):
    """What a killed run left beside its place is removed by the next one."""
    place = tmp_path / "coupons"
    (tmp_path / ".coupons.unfinished" / "step").mkdir(parents=True)
    (tmp_path / ".coupons.lock").touch()
    with pytest.raises(ZeroDivisionError), new_folder(place) as fresh:
        assert os.listdir(fresh) == []
        raise ZeroDivisionError
    assert os.listdir(tmp_path) == []
    with new_folder(place) as fresh:
        (fresh / "a.stl").write_bytes(b"whole")
    assert os.listdir(tmp_path) == ["coupons"]
    assert os.listdir(place) == ["a.stl"]
    with pytest.raises(DeliveryError, match="is there already"), new_folder(place):
        pass
    assert os.listdir(place) == ["a.stl"]
