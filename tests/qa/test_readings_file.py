"""The reader of inspection forms under random ill-treatment: it reads, or tells mistakes."""

from __future__ import annotations

import random

import pytest

from labkit.catalog.instruments import instruments
from labkit.errors import InputErrors
from labkit.ledger.store import open_ledger
from labkit.qa.files.form_row import Sheet
from labkit.qa.files.readings_file import read_inspection
from labkit.workflow.inspection.inspect import inspect
from tests.support.inspection import CASE, TODAY, Form, record_set

TEXTS = (
    "", " ", "0", "-1", "1e5", "1E+400", "9" * 400, "0.0000001", "36,08", "36.08", "1,234.5",
    "1.234,5", "'", '"', "'=1", "=1", "+", "NaN", "٣٦", "３６", "①", "½", "36\u00a008", "\u202e36",
    "2031-03-19", "2031-13-01", "19.03.2031", "yes", "NO", "ja", "left", "over", "ends", "centres",
    "conforms", "example-calliper", "\x07", "a\nb", "🙂", "<b>", "#N/A", "33.6L", "L", "2.5 2.5",
    "2,5", "QF-1043", "true", "None", "0x10", "١", "--", "1/2", "38.40", "384.0",
)


@pytest.fixture(scope="module")
def sheet_and_spec(tmp_path_factory):
    url = str(tmp_path_factory.mktemp("ledger") / "ledger.sqlite")
    with open_ledger(url) as ledger:
        spec = record_set(ledger)
        bench = inspect(ledger, CASE, None, (), instruments()).bench
    return Sheet(bench, TODAY.date(), lambda _: "is not in the ledger"), spec


def outcome(raw, sheet):
    """Read; anything but rods or told mistakes is a fault of the reader."""
    try:
        rods = read_inspection(raw, "readings.csv", sheet)
    except InputErrors as errors:
        told = errors.errors
    else:
        assert 1 <= len(rods) <= 10
        return rods
    assert told
    for each in told:
        assert str(each).startswith("readings.csv") or each.message.startswith("and ")
        assert each.message.isprintable(), each.message
        assert len(each.message) < 900
    return None


def test_any_text_in_any_cell(sheet_and_spec):
    sheet, spec = sheet_and_spec
    dice, read = random.Random(1), 0
    for _ in range(400):
        form = Form(spec).fill()
        for _ in range(dice.choice((1, 1, 2, 5))):
            form.set(dice.randint(2, 11), **{dice.choice(form.columns): dice.choice(TEXTS)})
        delimiter, decimal = dice.choice(((",", "."), (";", ","), ("\t", ",")))
        read += outcome(form.raw(delimiter, decimal), sheet) is not None
    assert 20 < read < 380  # both roads were walked


def test_any_bytes_anywhere(sheet_and_spec):
    sheet, spec = sheet_and_spec
    dice, good = random.Random(2), Form(spec).fill().raw()
    for _ in range(300):
        raw = bytearray(good)
        for _ in range(dice.choice((1, 3, 20))):
            at = dice.randrange(len(raw))
            raw[at : at + dice.choice((0, 1, 7))] = dice.randbytes(dice.choice((0, 1, 3)))
        outcome(bytes(raw), sheet)


def test_columns_dropped_and_rows_shuffled(sheet_and_spec):
    sheet, spec = sheet_and_spec
    dice = random.Random(3)
    for _ in range(60):
        form = Form(spec).fill()
        dice.shuffle(form.rows)
        dice.shuffle(form.columns)
        needed = {"identifier", "way", "reading_1_mm", "gauge_pins_mm"}
        form.columns = [c for c in form.columns if c in needed or dice.random() < 0.6]
        readings = [name in form.columns for name in ("reading_2_mm", "reading_3_mm")]
        if readings == [False, True]:
            form.columns.append("reading_2_mm")
        rods = outcome(form.raw(), sheet)
        assert len(rods) == 10
        assert {rod.result for rod in rods} == {"conforms"}
