"""Invented entries that fill a ledger, one of each kind."""

from __future__ import annotations

import datetime

from labkit.core.case.identifier import rod_identifier
from labkit.ledger.events import Kind

START = datetime.datetime(2031, 3, 14, 9, 26, 53, 589793, datetime.UTC)
TEMPLATE = {"name": "eye-eye-flat", "bore_mm": 2.5, "title": "Bügel, flach"}
PROCESS = {"name": "nominal", "scale": 1.0}
SPEC = {"schema": 1, "steps": [{"percent": 62.5, "left": "31.0"}], "note": "größer"}
TEXT = 'schema = 1\ncase = "QF-1043"   # Zähne\n'


def moment(number):
    return START + datetime.timedelta(seconds=number)


def rods(name, count, length_um=31_000):
    return [
        {
            "identifier": rod_identifier(name, 1, number, side),
            "step": number,
            "side": side,
            "length_um": length_um + 700 * number,
            "label": f"{(length_um + 700 * number) / 1000:.1f}",
            "percent": f"{50 + 12.5 * number:g}",
        }
        for number in range(1, count + 1)
        for side in ("left", "right")
    ]


def started(name, count=3, revision=1, purpose="set"):
    return {
        "set": name,
        "revision": revision,
        "set_revision": 1,
        "purpose": purpose,
        "folder": f"sets/{name}",
        "inputs_sha256": "ab" * 32,
        "program": "0.1.0",
        "template": TEMPLATE,
        "process": PROCESS,
        "rods": rods(name, count),
    }


def built(number, *identifiers, bed=1):
    """Give what a build records of a case: its rods side by side."""
    return {
        "build": number, "process": "nominal", "process_sha256": "ab" * 32,
        "folder": f"builds/build-{number}", "sums_sha256": "cd" * 32,
        "pieces": [
            {"identifier": one, "bed": bed, "place": place}
            for place, one in enumerate(identifiers, 1)
        ],
    }


def made(name):
    return {"set": name, "folder": f"sets/{name}", "sums_sha256": "cd" * 32, "spec": SPEC}


class Pen:
    """Records with a clock that goes on by a second for each entry."""

    def __init__(self, ledger, by="anna"):
        self.ledger, self.by, self.count = ledger, by, 0

    def __call__(self, kind, case, body, corrects=None):
        self.count += 1
        return self.ledger.record(kind, case, body, self.by, moment(self.count), corrects)

    def open_case(self, case):
        self(Kind.CASE_OPENED, case, {})
        return self(Kind.PRESCRIPTION, case, {"revision": 1, "text": TEXT})

    def make(self, case, name, count=3):
        self(Kind.SET_STARTED, case, started(name, count))
        return self(Kind.SET_MADE, case, made(name))


def fill(ledger, case="QF-1043"):
    """Record one event of each kind, some of them corrected."""
    pen = Pen(ledger)
    pen.open_case(case)
    pen.make(case, f"{case}-r1")
    first = rods(f"{case}-r1", 3)[0]["identifier"]
    measured = {"identifier": first, "quantity": "length", "gauge": "K-7", "uncertainty_nm": 5000}
    slip = pen(Kind.READING, case, {**measured, "value_um": 31_907})
    pen(Kind.READING, case, {**measured, "value_um": 31_709, "note": "digits swapped"}, slip.seq)
    pen(Kind.RELEASE, case, {"set": f"{case}-r1", "decision": "released", "basis": {"rule": "A"}})
    pen(Kind.ROD_STATE, case, {"identifier": first, "state": "delivered"})
    slip = pen(Kind.ROD_STATE, case, {"identifier": first, "state": "lost"})
    pen(Kind.CORRECTION, case, {"reason": "it was in the other box"}, slip.seq)
    line = {"side": "left", "length_um": 32_050, "label": "32.05", "asked": "68.75 %"}
    pen(Kind.ORDER, case, {"lines": [line, {**line, "side": "right"}], "note": None})
    trial = pen(
        Kind.TRIAL_FIT,
        case,
        {"revision": 1, "left": {"label": "33.1"}, "right": {"gap_um": -750}, "proposal": {"a": 1}},
    )
    pen(Kind.TRIAL_ACCEPTED, case, {"trial": trial.seq, "revision": 2})
    pen(
        Kind.PRESCRIPTION,
        case,
        {"revision": 2, "text": TEXT + "# 2\n", "reason": "trial fit", "trial": trial.seq},
    )
    pen(Kind.SET_STARTED, case, started(f"{case}-r2", 1, 2, "extra"))
    pen(Kind.SET_ABANDONED, case, {"set": f"{case}-r2", "reason": "the folder is absent"})
    pen(Kind.SET_STARTED, case, started(f"{case}-r3", 1, 2, "extra"))
    return pen


def take_back(pen, case="QF-1043"):
    """Go on after `fill`: withdraw its trial fit and its order, print papers again."""
    one = {event.kind: event.seq for event in pen.ledger.story(case)}
    trial = {"trial": one[Kind.TRIAL_FIT], "revision": 3, "reason": "the rods were exchanged"}
    pen(Kind.TRIAL_WITHDRAWN, case, trial)
    pen(Kind.PRESCRIPTION, case, {"revision": 3, "text": TEXT + "# 3\n", "reason": "withdrawn"})
    pen(Kind.ORDER_WITHDRAWN, case, {"order": one[Kind.ORDER], "reason": "ordered twice"})
    pen(Kind.PAPERS_PRINTED, case, {"set": f"{case}-r1", "entry": pen.ledger.head().count})


def replace_one(pen, case="QF-1043"):
    """Go on after `fill`: reject a rod, order and make one in its place, measure and release."""
    old = rods(f"{case}-r1", 3)[1]
    state = {"identifier": old["identifier"], "state": "rejected", "reason": "0.3 mm too long"}
    pen(Kind.ROD_STATE, case, state)
    line = {name: old[name] for name in ("side", "length_um", "label", "percent")}
    asked = {**line, "asked": "once more: 0.3 mm too long", "replaces": old["identifier"]}
    order = pen(Kind.ORDER, case, {"lines": [asked]})
    name = f"{case}-r4"
    new = {**old, "identifier": rod_identifier(name, 1, 1, old["side"]),
           "replaces": old["identifier"]}
    body = {**started(name, 1, 1, "replacement"), "order": order.seq, "rods": [new]}
    pen(Kind.SET_STARTED, case, body)
    pen(Kind.SET_MADE, case, made(name))
    pen(Kind.READING, case, {
        "identifier": new["identifier"], "quantity": "over", "value_um": 34_188, "gauge": "K-7",
        "uncertainty_nm": 8800, "details": {"length_mm": 31.7, "readings_mm": ["34.188"]},
    })
    pen(Kind.RELEASE, case, {"set": name, "decision": "released", "basis": {"with": f"{case}-r1"}})
    return new["identifier"]
