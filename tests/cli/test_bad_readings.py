"""Spoilt inspection forms: each is told in a sentence with its place, and nothing is recorded."""

from __future__ import annotations

import re
import sqlite3
from dataclasses import dataclass, replace

import pytest
from click.testing import CliRunner

from labkit.cli.main import cli
from labkit.ledger.store import open_ledger
from tests.support.inspection import CASE, TODAY, ZERO_FIRST, Form, record_set
from tests.support.prescriptions import SMALLEST, changed

BALLS = changed(
    SMALLEST, ('"QF-1043"', '"QF-3000"'), ('"eye-eye-flat"', '"ball-ball-round"')
)
OTHER = changed(SMALLEST, ('"QF-1043"', '"QF-2000"'))


@dataclass(frozen=True)
class Place:
    """The ledger and the forms of its two cases."""

    url: str
    spec: dict
    other: dict
    balls: dict

    def form_of(self, which):
        return Form({"": self.spec, "other": self.other, "balls": self.balls}[which]).fill()


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    url = str(tmp_path_factory.mktemp("ledger") / "ledger.sqlite")
    with open_ledger(url) as ledger:
        return Place(
            url, record_set(ledger, first=ZERO_FIRST), record_set(ledger, OTHER, "QF-2000"),
            record_set(ledger, BALLS, "QF-3000"),
        )


@dataclass(frozen=True)
class Bad:
    """One kind of mistake.

    Args:
        spoil: Form → form or bytes.
        line: Line that is named, 0 where the file as a whole is at fault.
        column: Name of the column that is named, empty for none.
        says: What the sentence has to say, a regular expression.
        words: Further words of the command.
        of: Whose form is spoilt: empty for the right one.
    """

    spoil: object
    line: int
    column: str
    says: str
    words: tuple[str, ...] = ()
    of: str = ""


def cells(line, column, says, **changes):
    """A mistake in one line; the column named is the first one changed unless told."""
    return Bad(lambda form: form.set(line, **changes), line, column, says)


def read(line, *values, says, column="reading_1_mm"):
    return Bad(lambda form: form.readings(line, *values), line, column, says)


def bytes_of(change, line, says, column=""):
    return Bad(lambda form: change(form.raw()), line, column, says)


def in_row(row, change):
    def spoil(form):
        lines = form.text().split("\r\n")
        lines[row - 1] = change(lines[row - 1])
        return "\r\n".join(lines).encode()

    return spoil


#: Identifiers of the right set; filled in when its form is made.
OWN: list[str] = []


def header_again(form):
    lines = form.text().split("\r\n")
    return "\r\n".join([*lines[:4], lines[0], *lines[4:]]).encode()


def without_zeros(form):
    """The spreadsheet takes the identifier for a number and drops its leading zeros."""
    at = next(i for i, each in enumerate(form.identifiers()) if each.startswith("0"))
    return form.set(at + 2, identifier=form.identifiers()[at].lstrip("0"))


def swapped_columns(form):
    for row in form.rows:
        row["label_read"], row["reading_1_mm"] = row["reading_1_mm"], row["label_read"]
    return form


def copied(name):
    def spoil(form):
        for row in form.rows:
            row.update({f"reading_{k}_mm": row[name] for k in (1, 2, 3)})
        return form

    return spoil


BAD = {
    # --- the file
    "empty": bytes_of(lambda _: b"", 0, "is empty"),
    "only blank lines": bytes_of(lambda _: b"\r\n , \r\n", 0, "is empty|has no column"),
    "no header": bytes_of(lambda raw: raw.split(b"\r\n", 1)[1], 1, "no column|not a known column"),
    "header alone": bytes_of(lambda raw: raw.split(b"\r\n", 1)[0], 0, "has no row"),
    "too large": bytes_of(lambda raw: raw + b"," * 5_000_001, 0, "larger than 5 MB"),
    "a workbook": bytes_of(lambda _: b"PK\x03\x04" + b"\0" * 99, 0, "workbook.*save .* as CSV"),
    "a PDF": bytes_of(lambda _: b"%PDF-1.7\n", 0, "is a PDF"),
    "UTF-16 without mark": bytes_of(
        lambda raw: raw.decode().encode("utf-16-le"), 1, "is not a text file"
    ),
    "NUL byte": bytes_of(lambda raw: raw.replace(b"left", b"le\0t", 1), 2, "not a text file"),
    "cp1252": Bad(
        lambda form: form.set(4, remark="für später").raw(encoding="cp1252"), 4, "", "not UTF-8"
    ),
    "unclosed quote": bytes_of(
        lambda raw: raw.replace(b"over", b'"over', 1), 2, "quotes that do not match"
    ),
    # --- the header
    "wrong header": Bad(
        lambda form: form.raw().replace(b"reading_1_mm", b"reading_l_mm", 1), 1, "reading_1_mm",
        r"reading_l_mm\): is not a known column; did you mean `reading_1_mm`",
    ),
    "column twice": Bad(
        lambda form: form.raw().replace(b"reading_2_mm", b"reading_1_mm", 1), 1, "reading_2_mm",
        "is the heading of column 15 too",
    ),
    "header twice": Bad(
        header_again, 5, "identifier",
        "names of the columns again",
    ),
    "column missing": Bad(
        lambda form: form.raw().replace(b",way,", b",,", 1), 1, "", "has no column `way`"
    ),
    "unknown column": Bad(
        lambda form: form.raw().replace(b",remark", b",weather", 1), 1, "remark",
        "not a known column",
    ),
    # --- rows
    "row too long": Bad(
        in_row(3, lambda line: line + ",x"), 3, "", "name of a column above it|fields"
    ),
    "row too short": Bad(in_row(3, lambda line: line[: line.index(",over")]), 3, "", "fields"),
    "mixed delimiters": Bad(in_row(4, lambda line: line.replace(",", ";")), 4, "", "fields|cells"),
    "nothing filled in": Bad(
        lambda form: form.every(**dict.fromkeys(
            ("reading_1_mm", "reading_2_mm", "reading_3_mm", "label_read", "fittings", "look"), ""
        )), 2, "reading_1_mm", "is empty, as in every other line",
    ),
    # --- which rod
    "unknown identifier": cells(3, "identifier", "is not in the ledger", identifier="482-917-3065"),
    "wrong digit": Bad(
        lambda form: form.set(2, identifier="925" + form.rows[0]["identifier"][3:]),
        2, "identifier", "wrong digit or two digits swapped",
    ),
    "identifier empty": cells(3, "identifier", "is empty; give the digits", identifier=""),
    "scientific identifier": cells(
        3, "identifier", "scientific notation.*format the column as text", identifier="4.83E+09"
    ),
    "leading zeros lost": Bad(
        without_zeros, 0, "identifier", "dropped leading zeros, so format the column as text"
    ),
    "identifier of another case": Bad(
        lambda form: form, 2, "identifier", "is a rod of the case QF-2000, not of QF-1043",
        of="other",
    ),
    "file of another template": Bad(
        lambda form: form, 2, "identifier", "is a rod of the case QF-3000", of="balls"
    ),
    "identifiers pasted into it": Bad(
        lambda form: form.every(case="QF-1043").paste(OWN), 2, "gauge_pins_mm",
        "state the pins that were used", of="balls",
    ),
    "rod twice": Bad(
        lambda form: form.set(5, identifier=form.rows[0]["identifier"]), 5, "identifier",
        "is in line 2 too",
    ),
    "other case": cells(3, "case", "is of the case QF-1043", case="QF-1034"),
    "other revision": cells(3, "revision", "belongs to set 1", revision="2"),
    "schema 2": cells(2, "schema", "reads forms of schema 1", schema="2"),
    "label changed": cells(4, "label", "is labelled 34.5", label="33.4"),
    "wrong side": cells(2, "side", "is a left one", side="right"),
    "wrong step": cells(2, "step", "is of step 1", step="2"),
    "two lines sorted apart": Bad(
        lambda form: form.set(2, identifier=form.rows[2]["identifier"]), 2, "label",
        "see whether identifier and readings belong together",
    ),
    # --- how it was measured
    "unknown way": cells(2, "way", "did you mean `over`", way="ovr"),
    "way of other templates": cells(2, "way", "allowed is one of", way="over-less-own"),
    "way changed alone": cells(2, "subtract_mm", "-2.475 for this rod", way="between"),
    "way empty": cells(2, "way", "is empty", way=""),
    "other pins": cells(2, "gauge_pins_mm", "gauge pins of 2.50 mm", gauge_pins_mm="2.4"),
    "pins not told": cells(2, "gauge_pins_mm", "state the pins", gauge_pins_mm=""),
    "pins without bores": Bad(
        lambda form: form.set(2, way="centres", subtract_mm="0", nominal_mm="35.9", lower_mm="",
                              upper_mm="").readings(2, "35.91"),
        2, "gauge_pins_mm", "takes no gauge pins",
    ),
    "subtract changed": cells(2, "subtract_mm", "it is 2.475 for", subtract_mm="2.5"),
    "limits changed": cells(2, "lower_mm", "it is 38.263 for", lower_mm="38.2"),
    "tolerance changed": cells(2, "tolerance_mm", "it is 0.15 for", tolerance_mm="0.5"),
    "unknown instrument": cells(2, "instrument", "is not a known instrument", instrument="K-7"),
    "two instruments": replace(
        cells(2, "instrument", "contradicts --instrument", instrument="example-micrometer"),
        words=("--instrument", "example-calliper"),
    ),
    "instrument for other ways": cells(
        2, "instrument", 'does not measure "over"', instrument="example-microscope"
    ),
    "calibration overdue": cells(
        2, "calibration_due", "was due on 2031-03-01", calibration_due="2031-03-01",
        measured_on="2031-03-19",
    ),
    # --- readings
    "text for a number": read(3, "none", says="is not a number"),
    "two decimal signs": read(3, "36.0.8", says="is not usable|is not a number|date"),
    "both decimal signs": read(3, "38,40", says="decimal comma.*decimal point"),
    "thousands": read(3, "3 840.00", says="thousands separator"),
    "unit": read(3, "38.40 mm", says="unit or a word after the number"),
    "negative": read(3, "-38.40", says="out of bounds"),
    "not a number": read(3, "NaN", says="not a finite number"),
    "infinite": read(3, "inf", says="not a finite number"),
    "ten times": read(3, "384.0", says="ten times too large.*type it again"),
    "a tenth": read(3, "3.84", says="ten times too small"),
    "no decimal sign": read(3, "3840", says="a hundred times too large"),
    "inches": read(3, "1.512", says="in inches"),
    "the label": read(3, "35.9", says="this is the label"),
    "the tolerance": read(3, "0.15", says="this is the row's tolerance_mm"),
    "another way": read(3, "33.41", says='what "between" .* gives'),
    "digits swapped": read(3, "83.40", says=r"two digits swapped \(38.40\)"),
    "far off": read(3, "37.50", says="0.875 mm off.*--as-typed"),
    "outlier": read(3, "38.39", "38.40", "38.58", says="differ by 0.19 mm;"),
    "first missing": read(3, "", "38.40", says="is empty, but a later reading is not"),
    "second missing": read(
        3, "38.40", "", "38.41", says="is empty, but a later reading is not", column="reading_2_mm"
    ),
    "no column for the second": Bad(
        lambda form: form.without("reading_2_mm"), 2, "",
        r"\(reading_3_mm\): .* the table has no reading_2_mm; fill the readings in from the left",
    ),
    "error of the spreadsheet": read(3, "#REF!", says="or an incomplete cell of the spreadsheet"),
    "formula": read(3, "=A1+2.5", says="is a formula"),
    "became a date": read(3, "38. Apr", says="looks like a date"),
    "nominal copied": Bad(copied("nominal_mm"), 2, "reading_1_mm", "look copied, not measured"),
    "label copied": Bad(copied("label"), 2, "reading_1_mm", "this is the label"),
    "columns swapped": Bad(swapped_columns, 2, "reading_1_mm", "this is the label"),
    # --- what else is filled in
    "label is a reading": Bad(
        lambda form: form.readings(2, "38.40").set(2, label_read="38.40"), 2, "label_read",
        "is a reading of this rod",
    ),
    "fittings maybe": cells(2, "fittings", "allowed is one of yes, no", fittings="maybe"),
    "label ok": cells(2, "label_read", "does not say which label", label_read="ok"),
    "look unknown": cells(2, "look", "is not one of whole, smooth, straight, clean", look="crack"),
    "result too good": Bad(
        lambda form: form.readings(2, "38.60", "38.60", "38.61").set(2, result="conforms"),
        2, "result", 'the readings give "does not conform"',
    ),
    "no such day": cells(2, "measured_on", "does not exist", measured_on="2031-02-30"),
    "day or month": cells(2, "measured_on", "day or the month first", measured_on="03/04/2031"),
    "before it was made": cells(2, "measured_on", "was made on", measured_on="2031-03-10"),
    "in the future": cells(2, "measured_on", "lies in the future", measured_on="2031-03-25"),
    "checked before": cells(
        2, "checked_on", "before the readings were taken", measured_on="2031-03-19",
        checked_on="2031-03-18",
    ),
    "boiling": cells(2, "temperature_c", "out of bounds", temperature_c="95"),
    "two lots": replace(
        cells(2, "material_lot", "contradicts --lot", material_lot="B-8"), words=("--lot", "B-7")
    ),
}


def events_in(url):
    """Every event, to the last byte."""
    with sqlite3.connect(url) as connection:
        return connection.execute("select * from events order by seq").fetchall()


@pytest.mark.parametrize("name", BAD)
def test_a_spoilt_form_is_told_and_not_recorded(place, tmp_path, monkeypatch, name):
    monkeypatch.setattr("labkit.cli.clock.now", lambda: TODAY)
    bad = BAD[name]
    form = place.form_of(bad.of)
    column = form.column(bad.column) if bad.column else None
    OWN[:] = place.form_of("").identifiers()
    spoilt = bad.spoil(form)
    path = tmp_path / "readings.csv"
    path.write_bytes(spoilt if isinstance(spoilt, bytes) else spoilt.raw())
    before = events_in(place.url)
    result = CliRunner().invoke(
        cli, ["inspect", CASE, str(path), "--by", "quinn", "--ledger", place.url, *bad.words]
    )
    assert result.exit_code == 2, result.output
    assert result.stdout == ""
    assert "Traceback" not in result.stderr
    lines = result.stderr.splitlines()
    assert all(line.startswith(f"labkit: {path}") for line in lines[:40])
    where = f"{path}:{bad.line}" if bad.line else str(path)
    told = [line for line in lines if re.search(bad.says, line) and where in line]
    if column:
        told = [line for line in told if f"column {column} (" in line]
    assert told, result.stderr
    assert events_in(place.url) == before
    assert len(before) == 12


def test_there_are_forty_kinds_and_more():
    assert len(BAD) >= 80


def test_every_mistake_of_a_file_is_told_at_once(place, tmp_path, monkeypatch):
    monkeypatch.setattr("labkit.cli.clock.now", lambda: TODAY)
    form = place.form_of("").set(2, fittings="maybe", side="right").readings(4, "384.0")
    form.set(6, gauge_pins_mm="3", measured_on="2031-02-30").set(8, way="ovr")
    path = tmp_path / "readings.csv"
    path.write_bytes(form.raw())
    result = CliRunner().invoke(cli, ["inspect", CASE, str(path), "--ledger", place.url])
    assert result.exit_code == 2
    found = [re.search(r"csv:(\d+), column \d+ \((\w+)\)", line).groups()
             for line in result.stderr.splitlines()]
    assert sorted(found) == sorted([
        ("2", "fittings"), ("2", "side"), ("4", "reading_1_mm"), ("6", "gauge_pins_mm"),
        ("6", "measured_on"), ("8", "way"),
    ])


def test_a_form_that_a_spreadsheet_spoilt_is_told_in_a_few_sentences(place, tmp_path, monkeypatch):
    """A program with decimal commas takes 38.388 for thousands, 2.50 and 30.1 for dates."""
    monkeypatch.setattr("labkit.cli.clock.now", lambda: TODAY)
    form = place.form_of("").every(gauge_pins_mm="Feb 50", label="30. Jan")
    for row in form.rows:
        for name in ("subtract_mm", "nominal_mm", "lower_mm", "upper_mm"):
            row[name] = row[name].replace(".", "")
    path = tmp_path / "readings.csv"
    path.write_bytes(form.raw(";"))
    result = CliRunner().invoke(cli, ["inspect", CASE, str(path), "--ledger", place.url])
    assert result.exit_code == 2
    told = {line[line.index("(") + 1 : line.index(")")]: line for line in
            result.stderr.splitlines()}
    assert sorted(told) == ["gauge_pins_mm", "label", "subtract_mm"]
    pins, label, limits = (told[name] for name in sorted(told))
    assert '"24750", but it is 2.475 for this rod' in limits
    assert "took its decimal point for another sign; empty these cells" in limits
    assert limits.endswith("likewise in 39 more cells: columns 11 to 14 of lines 2 to 11")
    assert '"Feb 50" is no diameter' in pins
    assert '"30. Jan", but the rod is labelled 35.9: the spreadsheet took' in label
    assert label.endswith("likewise in 9 more cells: lines 3 to 11")


def test_a_label_that_became_a_date_is_no_proof_against_the_rod(place, tmp_path, monkeypatch):
    monkeypatch.setattr("labkit.cli.clock.now", lambda: TODAY)
    path = tmp_path / "readings.csv"
    path.write_bytes(place.form_of("").set(10, label_read="30. Jan").raw())
    words = ["inspect", CASE, str(path), "--ledger", place.url]
    told = CliRunner().invoke(cli, words)
    assert told.exit_code == 2
    assert '"30. Jan" is not a label such as 30.1; where the spreadsheet took it for' in told.stderr
    path.write_bytes(place.form_of("").set(10, label_read="?").raw())
    held = CliRunner().invoke(cli, words)
    assert held.exit_code == 0, held.output
    assert 'the label read from the rod is "?", but it should be 30.1' in held.stdout


def test_a_strange_rod_by_its_label_and_its_length_is_no_slip(place, tmp_path, monkeypatch):
    """33.9 is a label of no rod of the set, yet the rod in the bag of 35.9 bears it."""
    monkeypatch.setattr("labkit.cli.clock.now", lambda: TODAY)
    path = tmp_path / "readings.csv"
    form = place.form_of("").readings(2, "36.39", "36.40").set(2, label_read="35.9")
    path.write_bytes(form.raw())
    words = ["inspect", CASE, str(path), "--ledger", place.url]
    asked = CliRunner().invoke(cli, words)
    assert asked.exit_code == 2
    assert '36.39 read, 38.375 expected "over": this is 1.985 mm off' in asked.stderr
    path.write_bytes(form.set(2, label_read="33.9").raw())
    taken = CliRunner().invoke(cli, words)
    assert taken.exit_code == 0, taken.output
    assert 'the label read from the rod is "33.9", but it should be 35.9' in taken.stdout
