"""The whole job of three people in a real browser: from an empty ledger to rods that are worn.

Run with: pytest -n 0 -m slow tests/web/test_whole_job.py; pictures as in `test_in_the_browser`.
"""

from __future__ import annotations

import datetime
import json
import os
import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from labkit.cli import clock
from labkit.cli.main import cli
from labkit.core.case.identifier import parse_identifier
from labkit.ledger.store import look_into, open_ledger
from labkit.ledger.verify import verify
from labkit.web.accounts import Accounts
from labkit.web.rights import Role
from labkit.web.workplace import OwnFiles
from tests.support.inspection import Form
from tests.support.own_instruments import write_instruments
from tests.support.workplaces import workplace
from tests.web import test_in_the_browser
from tests.web.test_in_the_browser import SCREENS, served

chromium = test_in_the_browser.chromium
CASE = "WJ-0311"
PASSPHRASE = "coffin verse plaid igloo"
PEOPLE = {"tom": Role.TECHNICIAN, "dora": Role.DENTIST, "mo": Role.QA, "kim": Role.QA}
TYPED = {
    "case": CASE, "prescriber": "Dr Demo", "retruded": "-2,1", "registered": "3,5",
    "protruded": "7,1", "pin_distance": "33,4", "percent": "40; 55; 70; 85; 100", "start": "55",
}
CHOSEN = {"zero": "retruded", "action": "pull", "template": "eye-eye-flat"}
#: How long a make may take on a busy machine.
MAKING = 180_000


class Person:
    """Somebody at a browser of their own, on a screen of their own."""

    def __init__(self, chromium, address, by, screen, pictures):
        colours, width, height = SCREENS[screen]
        self.by, self.address, self.pictures, self.said = by, address, pictures, []
        self.page = chromium.new_context(
            color_scheme=colours, viewport={"width": width, "height": height}, locale="de-DE",
            accept_downloads=True,
        ).new_page()
        self.page.on("console", lambda said: self.said.append((said.text, said.location["url"])))
        self.page.on("pageerror", lambda error: self.said.append(str(error)))
        self.page.goto(address)
        self.page.get_by_label("Operator code").fill(by)
        self.page.get_by_label("Passphrase").fill(PASSPHRASE)
        self.page.keyboard.press("Enter")
        self.page.wait_for_url(f"{address}/")

    def go(self, path):
        self.page.goto(self.address + path)
        return self.page

    def press(self, name):
        self.page.get_by_role("button", name=name, exact=True).click()

    def seen(self, name):
        self.page.screenshot(path=self.pictures / f"{name}.png", full_page=True)
        return self.page.inner_text("main")

    def wait_until_made(self):
        self.page.wait_for_url("**/jobs/*")
        self.page.get_by_text(re.compile("papers and files")).wait_for(timeout=MAKING)

    def told(self, identifiers, state):
        """Tick rods on the case's page and say what became of them."""
        self.go(f"/cases/{CASE}")
        for one in identifiers:
            self.page.locator(f"input[type=checkbox][value='{one}']").check()
        self.page.select_option("#state", state)
        self.press("Record")
        self.page.wait_for_load_state()


@pytest.fixture
def lab(tmp_path):
    """An empty ledger, own instruments, and four accounts."""
    accounts = Accounts(tmp_path / "accounts.json")
    for by, role in PEOPLE.items():
        accounts.add(by, role, PASSPHRASE)
    own = OwnFiles(instruments=(str(write_instruments(tmp_path / "own")),), process="example-resin")
    path = tmp_path / "ledger.sqlite"
    with open_ledger(str(path)):  # as `labkit serve` begins
        pass
    return workplace(path, accounts=accounts, own=own, now=_now)


def _now():
    return datetime.datetime.now(datetime.UTC)


def prescribe_and_make(tom, pictures):
    page = tom.go("/new-case")
    for name, text in TYPED.items():
        page.fill(f"[name='{name}']", text)
    for name, value in CHOSEN.items():
        page.select_option(f"[name='{name}']", value)
    page.get_by_text("Protrusive range 9.2 mm").wait_for()
    shown = tom.seen("new-case")
    tom.press("Record the prescription")
    page.wait_for_url(f"**/prescribed/{CASE}")
    tom.press("Make the set")
    tom.wait_until_made()
    tom.seen("made")
    return shown


def measure(mo, folder, name):
    """Type every reading of a set, as its form asks, and record it."""
    spec = json.loads((folder / "spacer-set.json").read_text("utf-8"))
    form = Form(spec).fill()
    page = mo.go(f"/measure/{CASE}?set={name}")
    page.select_option("#way", form.rows[0]["way"])
    page.select_option("#instrument", "micrometer-7")
    page.select_option("#gauge_pins", "pins-2")
    page.fill("#temperature_c", "20,5")
    page.fill("#material_lot", "B-07")
    if page.locator("#material_lot_expiry").count():
        page.fill("#material_lot_expiry", "2032-01-31")
    for row in form.rows:
        rod = parse_identifier(row["identifier"])
        page.fill(f"[name='{rod} label_read']", row["label"])
        for number in (1, 2, 3):
            field = page.locator(f"input[name='{rod} reading']").nth(number - 1)
            field.fill(row[f"reading_{number}_mm"].replace(".", ","))
            field.press("Enter")
        page.locator(f"input[name='{rod} fittings'][value=yes]").check()
        page.locator(f"input[name='{rod} look']").first.check()
    page.wait_for_timeout(1500)
    mo.seen(f"measured-{name}")
    mo.press("Record what is typed")
    page.locator("#recorded").wait_for()
    return [parse_identifier(row["identifier"]) for row in form.rows]


def release(kim, name):
    page = kim.go(f"/inspection/{CASE}?set={name}")
    kim.seen(f"inspection-{name}")
    kim.press("Release the set")
    page.wait_for_load_state()
    kim.seen(f"released-{name}")
    certificate = page.get_by_role("link", name=re.compile("^Certificate"))
    certificate.wait_for()
    assert "released by kim" in kim.seen(f"released-{name}")
    with page.expect_download() as download:
        certificate.click()
    assert Path(download.value.path()).read_bytes().startswith(b"%PDF")


def other_than(sets, *known):
    """Give the name of the one set that is new."""
    folders = {path.name for path in sets.iterdir() if path.is_dir() and path.name[0] != "."}
    (name,) = folders - {*known}
    return name


@pytest.mark.slow
def test_three_people_do_the_whole_job(chromium, lab, tmp_path, monkeypatch):
    pictures = Path(os.environ.get("WORKPLACE_PICTURES", tmp_path)) / "whole-job"
    pictures.mkdir(parents=True, exist_ok=True)
    sets = lab.sets
    with served(lab) as address:
        tom = Person(chromium, address, "tom", "light", pictures)
        dora = Person(chromium, address, "dora", "phone", pictures)
        mo = Person(chromium, address, "mo", "light", pictures)
        kim = Person(chromium, address, "kim", "dark", pictures)

        assert "New case" in tom.seen("nothing-yet") + tom.page.inner_text("nav")
        shown = prescribe_and_make(tom, pictures)
        rods = measure(mo, sets / f"{CASE}-r1", f"{CASE}-r1")
        release(kim, f"{CASE}-r1")
        tom.told(rods, "delivered")

        dora.told(rods[2:4], "fitted")
        dora.go(f"/trial/{CASE}?left_seen=too_short&left_by=0,8&right_seen=too_short&right_by=0,8")
        assert "Nothing has changed yet" in dora.seen("trial")
        dora.press("The prescriber accepts")
        dora.page.wait_for_load_state()
        assert "NOT TO BE WORN" in dora.seen("after-the-trial") + dora.go(
            f"/cases/{CASE}").inner_text("main")

        page = tom.go(f"/cases/{CASE}")
        page.locator("a", has_text="rod in between").first.click()
        tom.press("Order and make them")
        tom.wait_until_made()
        between = other_than(sets, f"{CASE}-r1")
        extra = measure(mo, sets / between, between)
        release(kim, between)
        tom.told(extra, "delivered")

        dora.told(rods[:1], "lost")
        tom.go(f"/rods/{rods[0]}")
        tom.page.fill("#reason", "lost on a journey")
        tom.press("Make it")
        tom.wait_until_made()
        last = other_than(sets, f"{CASE}-r1", between)
        new = measure(mo, sets / last, last)
        release(kim, last)
        tom.told(new, "delivered")
        for person in (tom, dora, mo, kim):
            person.go(f"/cases/{CASE}")
            person.seen(f"case-at-the-end-{person.by}")
            assert person.said == [], (person.by, person.said)

    with look_into(str(tmp_path / "ledger.sqlite")) as reader:
        assert verify(reader).problems == ()
        states = {rod.identifier: str(rod.state) for rod in reader.rods(CASE)}
    assert {states[one] for one in (*extra, *new, *rods[4:])} == {"delivered"}
    assert (states[rods[0]], states[rods[2]]) == ("lost", "fitted")
    compare_with_the_command_line(tmp_path, shown, sets / f"{CASE}-r1", monkeypatch)


def compare_with_the_command_line(folder, shown, made, monkeypatch):
    """The commands read this record, print these lengths and make these parts, byte by byte."""
    monkeypatch.setattr(clock, "now", _now)
    env = {"LABKIT_LEDGER": str(folder / "ledger.sqlite"), "LABKIT_BY": "tom"}

    def run(*words):
        result = CliRunner().invoke(cli, list(map(str, words)), env=env)
        assert result.exit_code == 0, result.stderr
        return result.stdout

    run("ledger", "verify")
    with look_into(env["LABKIT_LEDGER"]) as reader:
        text = reader.prescription(CASE, 1).text
    rx, out = folder / "rx.toml", folder / "by-command"
    rx.write_text(text, "utf-8")
    for step in json.loads(run("lengths", rx, "--json"))["steps"]:
        assert step["left"]["label"] in shown
    env["LABKIT_LEDGER"] = str(folder / "other.sqlite")
    run("make", rx, "--process", "example-resin", "--out", out)
    parts = [path for ending in ("step", "stl") for path in sorted(made.rglob(f"*.{ending}"))]
    assert len(parts) == 10
    for path in parts:
        again = out / made.name / path.relative_to(made)
        assert again.read_bytes() == path.read_bytes(), path.name
