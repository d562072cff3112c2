"""A ledger whose sets were made with a calibrated process and measured. Invented data."""

from __future__ import annotations

import datetime
import random

from labkit.core.jsonable import jsonable
from labkit.ledger.events import Kind
from tests.support.processes import CALIBRATED
from tests.support.recorded import make_set, parallel, set_body

START = datetime.datetime(2031, 6, 1, 8, 0, tzinfo=datetime.UTC)
SCATTER = 0.014


class Lab:
    """Records sets and readings, a day for each set.

    Args:
        ledger: The open ledger.
        process: What the sets are made with.
    """

    def __init__(self, ledger, process=CALIBRATED):
        self.ledger, self.process = ledger, process
        self.day, self.random = 0, random.Random(5)

    def make(self, case):
        """Record a case of four steps with its set, made; give its rods."""
        self.day += 1
        self._pen(Kind.CASE_OPENED, case, {})
        text = parallel(case)
        self._pen(Kind.PRESCRIPTION, case, {"revision": 1, "text": text})
        body = {**set_body(text, f"{case}-r1"), "process": jsonable(self.process)}
        return make_set(self._pen, case, body)

    def measure(self, case, rods, off_mm=0.0):
        """Record a reading of each rod, off by this on average; give the events."""
        return [self.read(case, rod, off_mm + self.random.gauss(0, SCATTER)) for rod in rods]

    def read(self, case, rod, off_mm, **more):
        """Record one reading."""
        nominal = rod["length_um"] / 1000
        body = {
            "identifier": rod["identifier"], "quantity": "centres",
            "value_um": round(1000 * (nominal + off_mm)), "uncertainty_nm": 6000,
            "gauge": "microscope", "note": more.pop("note", None),
            "details": {
                "readings_mm": [f"{nominal + off_mm:.4f}"], "length_mm": nominal + off_mm,
                "nominal_mm": f"{nominal:.1f}", "tolerance_mm": "0.15",
                "way": {"method": "centres", "shift_mm": 0.0, "play_mm": 0.0},
                "label_read": rod["label"], "budget": more.pop("budget", []),
                "fittings": "yes", "measured_by": "qa",
                "measured_on": (START + datetime.timedelta(days=self.day)).date().isoformat(),
            },
        }
        return self._pen(Kind.READING, case, body, **more)

    def _pen(self, kind, case, body, **more):
        at = START + datetime.timedelta(days=self.day)
        return self.ledger.record(kind, case, body, "anna", at, **more)
