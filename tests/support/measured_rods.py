"""A record of measured rods: sets of two processes and three lots. Invented data."""

from __future__ import annotations

import datetime

import numpy as np

from labkit.ledger.events import Kind
from tests.support.recorded import parallel, read, set_body

#: Sets; lots of them change every eight sets.
SETS = 12
START = datetime.datetime(2031, 3, 14, 9, 0, tzinfo=datetime.UTC)


class Pen:
    """Records with a clock that goes on by a second for each entry."""

    def __init__(self, ledger):
        self.ledger, self.count = ledger, 0

    def __call__(self, kind, case, body, corrects=None):
        self.count += 1
        at = START + datetime.timedelta(seconds=self.count)
        return self.ledger.record(kind, case, body, "anna", at, corrects)


def details(rod, deviation_mm, *, tolerance="0.15", lot="B-17", day="2031-03-20"):
    nominal = f"{rod['length_um'] / 1000:.2f}"
    return {
        "readings_mm": [nominal],
        "length_mm": float(nominal) + deviation_mm,
        "nominal_mm": nominal,
        "tolerance_mm": tolerance,
        "material_lot": lot,
        "measured_on": day,
        "measured_by": "QA7",
    }


def reading(rod, deviation_mm, **how):
    return {
        "identifier": rod["identifier"],
        "quantity": "between-centres",
        "value_um": rod["length_um"] + round(deviation_mm * 1000),
        "uncertainty_nm": 12_000,
        "gauge": "CAL-7",
        "details": details(rod, deviation_mm, **how),
    }


def open_set(pen, number, process="example-resin"):
    """Record a case and its set as made; give its rods."""
    case = f"QF-{2000 + number}"
    text = parallel(case)
    body = set_body(text, f"{case}-r1")
    body["process"] = {**body["process"], "name": process, "machine": f"printer {number % 2 + 1}"}
    pen(Kind.CASE_OPENED, read(text).case, {})
    pen(Kind.PRESCRIPTION, case, {"revision": 1, "text": text})
    pen(Kind.SET_STARTED, case, body)
    made = {"set": body["set"], "folder": "x", "sums_sha256": "cd" * 32, "spec": {"schema": 1}}
    pen(Kind.SET_MADE, case, made)
    return case, body["rods"]


def fill(ledger, sets=SETS, seed=4):
    """Record sets with a reading of every rod; give the deviations in the order of making."""
    pen, rng, deviations = Pen(ledger), np.random.default_rng(seed), []
    for number in range(sets):
        case, rods = open_set(pen, number)
        for rod in rods:
            deviation = round(float(rng.normal(0.01, 0.035)), 3)
            deviations.append(deviation)
            lot = f"B-{17 + number // 4}"
            day = f"2031-03-{15 + number:02}"
            pen(Kind.READING, case, reading(rod, deviation, lot=lot, day=day))
    return deviations
