"""A ledger for the workplace's tests: the example set, recorded without a solid being built."""

from __future__ import annotations

import datetime
import json
import re
from decimal import Decimal
from pathlib import Path

from fastapi.testclient import TestClient

from labkit.catalog.processes import processes
from labkit.catalog.rods import rod_templates
from labkit.core.jsonable import jsonable
from labkit.exports.write.set_folder import SUMS_FILE, sha256_of
from labkit.ledger.events import Kind
from labkit.ledger.store import open_ledger
from labkit.web.app import application
from labkit.web.workplace import Workplace
from tests.support.ledgers import Pen
from tests.support.recorded import parallel, set_body

ROOT = Path(__file__).parents[2]
CASE, SET = "HLB-0107", "HLB-0107-r1"
#: A case whose rods run along the path: 70, 80, 90 and 100 % of 9.2 mm.
PARALLEL = "QF-1044"
FOLDER = ROOT / "output_examples" / "demo" / SET
NOW = datetime.datetime(2031, 3, 20, 9, 0, tzinfo=datetime.UTC)


def record_example(pen):
    """Record the example set as made, where it lies among the examples; give its spec."""
    spec = json.loads((FOLDER / "spacer-set.json").read_text("utf-8"))
    text = (ROOT / "templates" / "prescriptions" / "demo-plain.toml").read_text("utf-8")
    labels = {
        (step, side): (part["part"].rstrip("LR"), part["length_mm"], use["identifier"])
        for part in spec["parts"] for use in part["uses"]
        for step, side in [(use["step"], use["side"])]
    }
    pen(Kind.CASE_OPENED, CASE, {})
    pen(Kind.PRESCRIPTION, CASE, {"revision": 1, "text": text})
    pen(Kind.SET_STARTED, CASE, {
        "set": SET, "revision": 1, "set_revision": 1, "purpose": "set", "folder": str(FOLDER),
        "inputs_sha256": spec["inputs_sha256"], "program": spec["program"]["version"],
        # As installed, so that rods in between can be looked at whatever the examples were made of.
        "template": jsonable(rod_templates()[spec["template"]["name"]]),
        "process": jsonable(processes(())[spec["process"]["name"]]),
        "rods": [
            {"identifier": identifier, "step": step, "side": side,
             "length_um": int(Decimal(length) * 1000), "label": label,
             "percent": f"{spec['lengths']['steps'][step - 1]['percent']:g}"}
            for (step, side), (label, length, identifier) in sorted(labels.items())
        ],
    })
    pen(Kind.SET_MADE, CASE, {
        "set": SET, "folder": str(FOLDER), "sums_sha256": sha256_of(FOLDER / SUMS_FILE),
        "spec": spec,
    })
    return spec


def record_parallel(pen):
    """Record the other case's set as made, without files."""
    text, name = parallel(PARALLEL), f"{PARALLEL}-r1"
    pen(Kind.CASE_OPENED, PARALLEL, {})
    pen(Kind.PRESCRIPTION, PARALLEL, {"revision": 1, "text": text})
    pen(Kind.SET_STARTED, PARALLEL, set_body(text, name))
    made = {"set": name, "folder": f"sets/{name}", "sums_sha256": "cd" * 32}
    pen(Kind.SET_MADE, PARALLEL, {**made, "spec": {"schema": 1, "parts": []}})


def deliver(pen, identifiers, case=CASE):
    """Record rods as delivered."""
    for identifier in identifiers:
        pen(Kind.ROD_STATE, case, {"identifier": identifier, "state": "delivered"})


class PenOfNow(Pen):
    """Records with the machine's own clock, for a workplace that goes on by it."""

    def __call__(self, kind, case, body, corrects=None):
        now = datetime.datetime.now(datetime.UTC)
        return self.ledger.record(kind, case, body, self.by, now, corrects)


def fill(path, pen_of=Pen):
    """Record three cases: the example with rods at the clinic, one not measured, one not made."""
    with open_ledger(str(path)) as ledger:
        pen = pen_of(ledger)
        spec = record_example(pen)
        identifiers = [use["identifier"] for part in spec["parts"] for use in part["uses"]]
        deliver(pen, identifiers[:4])
        pen(Kind.ROD_STATE, CASE, {"identifier": identifiers[0], "state": "fitted"})
        record_parallel(pen)
        pen(Kind.CASE_OPENED, "QF-1045", {})
        pen(Kind.PRESCRIPTION, "QF-1045", {"revision": 1, "text": parallel("QF-1045")})
    return identifiers


def workplace(path, **given):
    """Give a workplace on a ledger of a test, with a clock that stands still."""
    given = {"now": lambda: NOW, "sets": path.parent / "sets", **given}
    return Workplace(str(path), **given)


def token_in(page):
    """Give the token that the forms of a page bear."""
    return re.search(r'name="token" value="([^"]+)"', page.text)[1]


def client_of(place, by="anna", app=None, **given):
    """Open a browser on a workplace; with an operator code it has signed in."""
    client = TestClient(app or application(place), base_url="http://127.0.0.1:8765", **given)
    if by:
        page = client.get("/sign-in")
        answer = client.post(
            "/sign-in", data={"token": token_in(page), "by": by, "to": "/"}, follow_redirects=False
        )
        assert answer.status_code == 303
    return client
