"""A workplace with a made set to measure, and readings as a page sends them. Invented."""

from __future__ import annotations

import shutil

from labkit.core.case.identifier import parse_identifier
from labkit.ledger.store import open_ledger
from labkit.web.workplace import OwnFiles
from tests.support import workplaces
from tests.support.inspection import CASE, Form, record_set
from tests.support.ledgers import Pen
from tests.support.own_instruments import write_instruments
from tests.support.workplaces import token_in, workplace

ADDRESS = f"/measure/{CASE}"
READINGS = ("reading_1_mm", "reading_2_mm", "reading_3_mm")


def to_measure(folder):
    """Record a made set in a new ledger; give its workplace and its form, filled in."""
    path = folder / "ledger.sqlite"
    with open_ledger(str(path)) as ledger:
        spec = record_set(ledger)
    return workplace(path), Form(spec).fill()


def own(place_folder):
    """Write the lab's own instruments; give their folder as a workplace takes it."""
    return (str(write_instruments(place_folder / "own")),)


def fields(form, **common):
    """Give the filled-in form as the fields of the page, in their order."""
    sent = {"way": form.rows[0]["way"], **common}
    sent["rod"] = [parse_identifier(row["identifier"]) for row in form.rows]
    for rod, row in zip(sent["rod"], form.rows, strict=True):
        sent[f"{rod} reading"] = [row[name] for name in READINGS]
        for name in ("label_read", "fittings", "look", "remark", "result"):
            if row.get(name):
                sent[f"{rod} {name}"] = row[name]
    return sent


def send(client, sent, address=ADDRESS, **given):
    """Send the form of a page."""
    token = token_in(client.get(ADDRESS))
    return client.post(address, data={"token": token, **sent}, follow_redirects=False, **given)


def to_release(folder, monkeypatch):
    """Record the example set with its files in a folder of its own; give workplace and form."""
    copied = shutil.copytree(workplaces.FOLDER, folder / "sets" / workplaces.SET)
    monkeypatch.setattr(workplaces, "FOLDER", copied)
    path = folder / "ledger.sqlite"
    with open_ledger(str(path)) as ledger:
        spec = workplaces.record_example(Pen(ledger))
    place = workplace(path, own=OwnFiles(instruments=own(folder)))
    return place, Form(spec).fill()
