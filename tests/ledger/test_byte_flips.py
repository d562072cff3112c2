"""Bytes of the file changed in turn: found, refused by the database, or without any effect."""

from __future__ import annotations

import random
import time
from collections import Counter

import pytest

from labkit.errors import LabkitError
from labkit.ledger.store import open_ledger
from labkit.ledger.transfer import export_lines
from labkit.ledger.verify import verify

#: Positions of the sample.
SAMPLE = 1000
CASE = "QF-1043"


@pytest.fixture
def whole(sqlite_file):
    """The bytes of a small ledger; nothing of it is in a log beside it."""
    assert [path.name for path in sqlite_file.parent.iterdir()] == [sqlite_file.name]
    return sqlite_file.read_bytes()


def everything(ledger):
    """Read back every value in every way."""
    with ledger.snapshot():
        rods = ledger.rods(CASE)
        return (
            tuple(export_lines(ledger)),
            ledger.cases(),
            ledger.sets(CASE),
            rods,
            ledger.find(rods[-1].identifier),
            ledger.readings(rods[0].identifier),
        )


def outcome(path, data, truth):
    """Say what becomes of a changed file."""
    for beside in ("-wal", "-shm"):
        path.with_name(path.name + beside).unlink(missing_ok=True)
    path.write_bytes(data)
    try:
        with open_ledger(str(path), create=False) as ledger:
            if not verify(ledger).ok:
                return "found by verify"
            return "without effect" if everything(ledger) == truth else "SILENT"
    except LabkitError as error:
        return f"refused: {type(error).__name__}" if "\n" not in str(error) else str(error)


def flip_all(path, whole, positions):
    with open_ledger(str(path)) as ledger:
        truth = everything(ledger)
    rng, counts, began = random.Random(41), Counter(), time.monotonic()
    for position in positions:
        data = bytearray(whole)
        data[position] ^= rng.randrange(1, 256)
        result = outcome(path, data, truth)
        assert result != "SILENT", f"byte {position}: {whole[position]} to {data[position]}"
        counts[result] += 1
    print(len(whole), dict(counts), f"{time.monotonic() - began:.1f} s")
    return counts


def test_a_sample_of_bytes(sqlite_file, whole):
    """Half of the sample from anywhere, half from bytes that hold something."""
    rng = random.Random(2031)
    anywhere = rng.sample(range(len(whole)), SAMPLE // 2)
    taken = set(anywhere)
    held = [at for at, byte in enumerate(whole) if byte and at not in taken]
    counts = flip_all(sqlite_file, whole, anywhere + rng.sample(held, SAMPLE // 2))
    assert counts.total() == SAMPLE
    assert counts["found by verify"] > SAMPLE // 4
    assert counts["without effect"] > 0


@pytest.mark.slow
def test_every_byte(sqlite_file, whole):
    counts = flip_all(sqlite_file, whole, range(len(whole)))
    assert counts["found by verify"] > SAMPLE


@pytest.mark.parametrize("length", [1, 100, 4096, 10_000, -4096, -1])
def test_a_file_cut_short(sqlite_file, whole, length):
    with open_ledger(str(sqlite_file)) as ledger:
        truth = everything(ledger)
    assert outcome(sqlite_file, whole[:length], truth).startswith(("found", "refused"))
