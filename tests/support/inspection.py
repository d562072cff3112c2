"""A recorded set and its inspection form, filled in, without a solid being built. Invented."""

from __future__ import annotations

import csv
import datetime
import io
import random

from labkit.core.case.identifier import check_digit, parse_identifier
from labkit.documents.inspection import csv_file, lines_of
from labkit.ledger.events import Kind
from tests.documents.samples import sample_spec
from tests.support.ledgers import Pen
from tests.support.prescriptions import SMALLEST
from tests.support.recorded import set_body

CASE = "QF-1043"
SET = f"{CASE}-r1"
#: An identifier with a leading zero; those of the example fall out anew with its every change.
ZERO_FIRST = "048291730" + check_digit("048291730")
TODAY = datetime.datetime(2031, 3, 20, 15, 0, tzinfo=datetime.UTC)


def record_set(ledger, text=SMALLEST, case=CASE, first=None):
    """Record a case with its first set, made; give the set's spec.

    Args:
        first: Identifier of its first rod, None for the one that falls to it.
    """
    spec, pen = sample_spec(text), Pen(ledger)
    if first is not None:
        spec["parts"][0]["uses"][0]["identifier"] = first
    pen(Kind.CASE_OPENED, case, {})
    pen(Kind.PRESCRIPTION, case, {"revision": 1, "text": text})
    name = f"{case}-r1"
    identifiers = {(line.step, line.side): line.identifier for line in lines_of(spec)}
    body = set_body(text, name)
    body["process"] = spec["process"]
    body["template"] = {k: v for k, v in spec["template"].items() if k != "handed"}
    for rod in body["rods"]:
        rod["identifier"] = identifiers[rod["step"], rod["side"]]
    pen(Kind.SET_STARTED, case, body)
    made = {"set": name, "folder": f"sets/{name}", "sums_sha256": "cd" * 32, "spec": spec}
    pen(Kind.SET_MADE, case, made)
    return spec


class Form:
    """The inspection form of a set as a table that can be filled in and spoilt."""

    def __init__(self, spec):
        text = csv_file(spec).decode()
        self.rows = list(csv.DictReader(io.StringIO(text)))
        self.columns = list(self.rows[0])

    def fill(self, error_mm=0.01, noise_mm=0.004, seed=1):
        """Give every rod three readings, its label, good fittings."""
        dice = random.Random(seed)
        for row in self.rows:
            for name in ("reading_1_mm", "reading_2_mm", "reading_3_mm"):
                value = float(row["nominal_mm"]) + error_mm + dice.gauss(0, noise_mm)
                row[name] = f"{value:.2f}"
            row["label_read"], row["fittings"], row["look"] = row["label"], "yes", "ok"
        return self

    def set(self, line, **cells):
        """Change cells of a line of the file; the first rod is in line 2."""
        self.rows[line - 2].update(cells)
        return self

    def without(self, column):
        """Take a column out."""
        self.columns.remove(column)
        return self

    def every(self, **cells):
        """Change cells of every line."""
        for row in self.rows:
            row.update(cells)
        return self

    def paste(self, identifiers):
        """Put other identifiers into the lines, one after the other."""
        for row, identifier in zip(self.rows, identifiers, strict=True):
            row["identifier"] = identifier
        return self

    def readings(self, line, *values):
        """Change the readings of a line."""
        names = ("reading_1_mm", "reading_2_mm", "reading_3_mm")
        return self.set(line, **dict(zip(names, [*values, "", ""], strict=False)))

    def identifiers(self):
        """The rods, in the order of the lines."""
        return [parse_identifier(row["identifier"]) for row in self.rows]

    def column(self, name):
        """Number of a column, from 1."""
        return self.columns.index(name) + 1

    def text(self, delimiter=",", decimal="."):
        """Write it as a spreadsheet does."""
        stream = io.StringIO()
        writer = csv.writer(stream, delimiter=delimiter, lineterminator="\r\n")
        writer.writerow(self.columns)
        for row in self.rows:
            cells = (row.get(name, "") for name in self.columns)
            writer.writerow([
                cell.replace(".", decimal) if name.endswith(("_mm", "_c")) else cell
                for name, cell in zip(self.columns, cells, strict=True)
            ])
        return stream.getvalue()

    def raw(self, delimiter=",", decimal=".", encoding="utf-8"):
        """Give its bytes."""
        return self.text(delimiter, decimal).encode(encoding)
