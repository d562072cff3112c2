"""Export, import, backup and restore: the same digests on every road."""

from __future__ import annotations

import json
import os
import sqlite3
from dataclasses import replace

import pytest

from labkit.errors import InputError, LedgerError
from labkit.ledger.events import Kind, with_digest
from labkit.ledger.store import open_ledger
from labkit.ledger.transfer import backup, export_lines, export_to, import_from, restore
from labkit.ledger.verify import verify
from tests.support.ledgers import Pen


def lines_of(url):
    with open_ledger(url, create=False) as ledger:
        return list(export_lines(ledger))


@pytest.fixture
def other(tmp_path):
    return str(tmp_path / "other.sqlite")


def test_an_export_is_read_back_with_the_same_digests(filled, other, tmp_path):
    lines = lines_of(filled)
    target = tmp_path / "ledger.jsonl"
    with open_ledger(filled) as ledger:
        head = export_to(ledger, target)
    assert target.read_text("utf-8") == "".join(f"{line}\n" for line in lines)
    with open_ledger(other) as ledger:
        assert import_from(ledger, lines, "lines") == head
        assert verify(ledger, head.digest).ok
    assert lines_of(other) == lines


def test_an_export_goes_into_either_database(sqlite_file, url, tmp_path):
    target = url.replace("ledger.sqlite", "copy.sqlite")
    lines = lines_of(str(sqlite_file)) if sqlite_file.exists() else []
    with open_ledger(target) as ledger:
        import_from(ledger, lines, "lines")
        assert verify(ledger).ok
    assert lines_of(target) == lines


def test_the_first_line_says_how_an_export_ends(filled):
    first, *events = lines_of(filled)
    told = json.loads(first)
    assert told["events"] == len(events) == 17
    assert told["head"] == json.loads(events[-1])["digest"]


CHANGES = {
    "cut tail": (lambda lines: lines[:-1], "it is incomplete or changed"),
    "nothing": (lambda lines: [], "is not one JSON object on one line"),
    "no first line": (lambda lines: lines[1:], "is not an export of a ledger"),
    "missing event": (lambda lines: lines[:3] + lines[4:], "does not follow event 2"),
    "swapped events": (
        lambda lines: [*lines[:3], lines[4], lines[3], *lines[5:]],
        "does not follow event 2",
    ),
    "edited": (lambda lines: [line.replace("31907", "31908") for line in lines], "its digest"),
    "spaces": (lambda lines: [line.replace('"seq":', '"seq": ') for line in lines], "not written"),
    "no JSON": (lambda lines: [*lines[:4], "{", *lines[5:]], "is not one JSON object"),
    "no event": (lambda lines: [*lines[:4], "{}", *lines[5:]], "an event has exactly the keys"),
    "later form": (
        lambda lines: [lines[0].replace('"schema":1', '"schema":2'), *lines[1:]],
        "use the labkit that wrote it",
    ),
}


@pytest.mark.parametrize("name", CHANGES)
def test_a_changed_export_is_refused_and_leaves_nothing(sqlite_file, other, name):
    change, sentence = CHANGES[name]
    lines = change(lines_of(str(sqlite_file)))
    with open_ledger(other) as ledger:
        with pytest.raises((InputError, LedgerError)) as caught:
            import_from(ledger, lines, "lines")
        assert sentence in str(caught.value)
        assert str(caught.value).startswith(("lines", "event", "the export"))
        assert ledger.head().count == 0


def test_nothing_is_imported_over_events(filled):
    lines = lines_of(filled)
    with open_ledger(filled) as ledger, pytest.raises(LedgerError, match="only an empty one"):
        import_from(ledger, lines, "lines")


def test_a_backup_is_one_file_and_itself_a_ledger(filled, tmp_path):
    place = tmp_path / "backups"
    place.mkdir()
    target = place / "b.sqlite"
    with open_ledger(filled) as ledger:
        head = backup(ledger, target)
        assert head == ledger.head()
    assert os.listdir(place) == ["b.sqlite"]
    assert lines_of(str(target)) == lines_of(filled)
    assert target.read_bytes()[18:20] == b"\1\1"  # no write-ahead log, so one file is all of it
    with open_ledger(str(target)) as ledger:  # taken into use
        Pen(ledger).open_case("QF-2")
        assert verify(ledger, head.digest).ok
    assert target.read_bytes()[18:20] == b"\2\2"


def test_a_backup_while_another_writes_holds_what_was_committed(sqlite_file, tmp_path):
    url = str(sqlite_file)
    with open_ledger(url) as writer, open_ledger(url) as reader, writer.transaction():
        Pen(writer).open_case("QF-2")
        head = backup(reader, tmp_path / "b.sqlite")
    assert head.count == 17


@pytest.mark.parametrize("make", [backup, export_to])
def test_nothing_is_written_over(sqlite_file, tmp_path, make):
    target = tmp_path / "there"
    target.write_text("mine")
    with open_ledger(str(sqlite_file)) as ledger, pytest.raises(InputError, match="there already"):
        make(ledger, target)
    assert target.read_text() == "mine"


@pytest.mark.parametrize("make", [backup, export_to])
def test_a_backup_into_no_folder_is_told(sqlite_file, tmp_path, make):
    words = "cannot be written: No such file or directory"
    with open_ledger(str(sqlite_file)) as ledger, pytest.raises(LedgerError, match=words):
        make(ledger, tmp_path / "no" / "b.sqlite")


@pytest.mark.parametrize("make", [backup, export_to])
def test_restored_from_backup_or_export(sqlite_file, url, tmp_path, make):
    source, target = tmp_path / "saved", url.replace("ledger.sqlite", "new.sqlite")
    with open_ledger(str(sqlite_file)) as ledger:
        head = make(ledger, source)
    assert restore(source, target) == head
    assert lines_of(target) == lines_of(str(sqlite_file))
    with pytest.raises(LedgerError, match="nothing is ever written over"):
        restore(source, target)
    with open_ledger(target) as ledger:
        assert verify(ledger, head.digest).ok


def test_a_changed_backup_is_not_restored(sqlite_file, other, tmp_path):
    source = tmp_path / "saved"
    with open_ledger(str(sqlite_file)) as ledger:
        backup(ledger, source)
    raw = sqlite3.connect(source)
    raw.execute("UPDATE rods SET length_um = length_um + 1")
    raw.commit()
    raw.close()
    with pytest.raises(LedgerError, match="does not verify: rods: a row of event 3"):
        restore(source, other)
    assert not os.path.exists(other)


def test_a_damaged_ledger_is_not_backed_up_as_if_it_were_whole(sqlite_file, tmp_path, tamper):
    tamper(str(sqlite_file), "UPDATE events SET operator = 'berta' WHERE seq = 7")
    with open_ledger(str(sqlite_file)) as ledger:
        for make in (backup, export_to):
            with pytest.raises(LedgerError, match="event 7 was changed"):
                make(ledger, tmp_path / "saved")
    assert sorted(os.listdir(tmp_path)) == ["ledger.sqlite"]


def test_a_forged_event_is_not_backed_up_as_if_it_were_whole(filled, tmp_path, tamper):
    """Its digest is right, and what rows are derived from is not there."""
    with open_ledger(filled) as ledger:
        forged = with_digest(replace(ledger.event(17), kind=Kind.SET_STARTED, body_json="{}"))
        told = f"kind = '{forged.kind}', body = '{{}}', digest = '{forged.digest}'"
        tamper(filled, f"UPDATE events SET {told} WHERE seq = 17")
        with pytest.raises(LedgerError, match="check it with `labkit ledger verify`"):
            backup(ledger, tmp_path / "saved")
    assert not (tmp_path / "saved").exists()


def test_restoring_from_nothing_is_told(tmp_path, other):
    with pytest.raises(InputError, match="cannot be read: No such file"):
        restore(tmp_path / "no", other)
    (tmp_path / "binary").write_bytes(b"\xff\xfe\0")
    with pytest.raises(InputError, match="is not text in UTF-8"):
        restore(tmp_path / "binary", other)
