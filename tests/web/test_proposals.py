"""What clinics sent, as a proposal in the browser: all five kinds and a table; never an act."""

from __future__ import annotations

import html
import json
import re
import shutil
import sqlite3
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing

import pytest
from click.testing import CliRunner

from labkit.cli import clock
from labkit.cli.main import cli
from labkit.errors import RefusedError
from labkit.ledger.events import Kind
from labkit.ledger.store import look_into
from labkit.web import inbox, sent_in
from labkit.web.accounts import Account
from labkit.web.jobs import turns
from labkit.web.jobs.job import Order, What, begin, find
from labkit.web.pages import proposals
from labkit.web.rights import Role
from labkit.web.visits import COOKIE
from tests.support.workplaces import CASE, NOW, PARALLEL, client_of, token_in, workplace

HEAD = {"schema": 1, "case": CASE, "on": "2031-03-20", "by": "dr-m"}
TRIAL = {
    "kind": "trial", "left": {"rod": "28,7", "seen": "too_short", "by": "0,8"},
    "right": {"rod": "28.7", "seen": "too_short", "by": "0.75"}, "accepted": True,
}
#: The smallest prescription of the table.
ROW = ("case;date;zero;retruded;protruded;registered;action;template;pin_distance;percent\n"
       "{};2031-03-14;retruded;-4;6;3;pull;eye-eye-flat;30;\"70; 80; 90; 100\"\n")


def words(page):
    """The text of a page without its marks."""
    return html.unescape(" ".join(re.sub(r"<[^>]+>", " ", page.text).split()))


def raw(told, **head):
    """What a clinic's sheet saves."""
    return json.dumps({**HEAD, **head, "told": told}).encode()


def send(browser, content, name="sheet.json"):
    """Upload a file; the page of its proposal."""
    token = token_in(browser.get("/proposals"))
    return browser.post("/proposals", data={"token": token}, files={"file": (name, content)})


def confirm(browser, page):
    """Confirm what a page shows."""
    entries = re.search(r'name="entries" value="([^"]*)"', page.text)[1]
    sent = {"token": token_in(page), "entries": entries}
    return browser.post(page.url.path, data=sent, follow_redirects=False)


def story(ledger, case=CASE):
    """What is recorded of a case, without the chain's own numbers."""
    with look_into(str(ledger)) as reader:
        if not reader.has_case(case):
            return []
        return [(one.kind, one.body, one.by, one.corrects) for one in reader.story(case)]


def by_command(ledger, tmp_path, monkeypatch, content, *options):
    """Take the same file in by the command, confirmed."""
    monkeypatch.setattr(clock, "now", lambda: NOW)
    file = tmp_path / "sheet.json"
    file.write_bytes(content)
    env = {"LABKIT_LEDGER": str(ledger), "LABKIT_BY": None}
    words = ["intake", str(file), "--confirm", "--by", "anna", *map(str, options)]
    result = CliRunner().invoke(cli, words, env=env)
    assert result.exit_code == 0, result.stderr


def kinds(rods):
    """Give what is told, by its kind, with what its proposal says."""
    return {
        "trial": (TRIAL, "the range is 8.43 mm, not 9.20"),
        "follow-up": ({"kind": "follow-up", "left": rods[0], "right": rods[1]},
                      "1 rod recorded as fitted on 2031-03-20"),
        "rods": ({"kind": "rods", "rods": [{"rod": rods[1], "became": "lost"},
                                           {"rod": rods[2], "became": "returned"}]},
                 "1 rod recorded as lost on 2031-03-20"),
    }


@pytest.mark.parametrize("kind", ["trial", "follow-up", "rods"])
def test_what_is_confirmed_is_what_the_command_records(
    browser, ledger, rods, tmp_path, monkeypatch, kind
):
    other, before = shutil.copyfile(ledger, tmp_path / "other.sqlite"), story(ledger)
    told, sentence = kinds(rods)[kind]
    page = send(browser, raw(told))
    assert sentence in words(page)
    assert "Nothing has changed yet." in words(page)
    assert "labkit intake" not in words(page)
    assert story(ledger) == before
    assert f"{CASE} " in words(browser.get("/")).partition("To confirm")[2]
    answer = confirm(browser, page)
    assert (answer.status_code, answer.headers["location"]) == (303, f"/cases/{CASE}")
    by_command(other, tmp_path, monkeypatch, raw(told))
    assert story(ledger) == story(other) != before
    assert "confirmed by anna" in words(browser.get(page.url.path))
    assert "To confirm" not in words(browser.get("/"))
    again = browser.post(page.url.path, data={"token": token_in(page), "entries": "1"})
    assert again.status_code == 409
    assert "this proposal was confirmed by anna on 2031-03-20" in words(again)
    assert send(browser, raw(told)).url.path == page.url.path


def test_a_trial_fit_that_was_sent_is_seen_as_pictures(browser):
    page = send(browser, raw({**TRIAL, "left": {**TRIAL["left"], "rod": "28.7"}}))
    link = html.unescape(re.search(r'href="(/trial/[^"]+)"', page.text)[1])
    shown = browser.get(link)
    assert "The jaw went 0.77 mm less far than recorded" in words(shown)
    assert 'aria-label="Rod 28.7, one end attached; its free end: too short by 0.8 mm"' in (
        shown.text
    )


def test_an_order_is_made_in_the_background(browser, ledger, monkeypatch):
    begun = []

    def begin(_, order, promised):
        assert promised
        # What is confirmed is on record by then: nobody holds the ledger any more.
        with closing(sqlite3.connect(ledger, timeout=0)) as free:
            free.execute("BEGIN IMMEDIATE")
        begun.append(order)
        return "0" * 16

    monkeypatch.setattr(sent_in, "begin", begin)
    page = send(browser, raw({"kind": "order", "percent": ["75", "85"]}, case=PARALLEL))
    assert "Rods in between at 75 %, 85 % of the range are ordered and made." in words(page)
    before = story(ledger, PARALLEL)
    assert confirm(browser, page).headers["location"] == f"/jobs/{'0' * 16}"
    assert [(order.case, order.by, order.asked) for order in begun] == [
        (PARALLEL, "anna", {"percent": "75; 85"})
    ]
    assert story(ledger, PARALLEL) == before


def test_places_are_kept_for_what_is_ordered(browser, ledger, still, monkeypatch):
    """Makes that are asked for after it was recorded take none of them."""
    monkeypatch.setattr(turns, "MOST_WAITING", 1)
    place = workplace(ledger)

    def make():
        return begin(place, Order.of(place, What.SET, (CASE, "ben"), {}))

    def decide(*about):
        with pytest.raises(RefusedError, match="at most 1 makes can wait for their turn, and 1 do"):
            make()
        inbox.decide(*about)

    for _ in range(turns.AT_ONCE):
        make()
    monkeypatch.setattr(proposals, "decide", decide)
    page = send(browser, raw({"kind": "order", "percent": ["75"]}, case=PARALLEL))
    name = confirm(browser, page).headers["location"].rpartition("/")[2]
    assert find(place, name).state.place == 1
    later = send(browser, raw({"kind": "order", "percent": ["85"]}, case=PARALLEL))
    refused = confirm(browser, later)
    assert refused.status_code == 409
    assert "at most 1 makes can wait for their turn, and 1 do; ask again" in words(refused)
    assert [sent.name for sent in inbox.waiting(place)] == [later.url.path.rpartition("/")[2]]


KEYS = {"zero": "retruded", "retruded": "-4", "protruded": "6,2", "registered": "3",
        "action": "pull", "template": "eye-eye-flat", "pin_distance": "30",
        "percent": "70; 80; 90; 100", "start": "70"}


def test_a_prescription_becomes_a_revision_or_a_new_case(browser, ledger):
    told = {"kind": "prescription", "keys": KEYS}
    page = send(browser, raw(told, case=PARALLEL, on="2031-03-14"))
    assert f"becomes the next revision of the case {PARALLEL}" in words(page)
    confirm(browser, page)
    with look_into(str(ledger)) as reader:
        assert reader.prescription(PARALLEL).revision == 2
        assert "protruded = 6.2" in reader.prescription(PARALLEL).text
    page = send(browser, raw(told, case="QF-2000", on="2031-03-14"))
    assert "The case QF-2000 is opened with this prescription" in words(page)
    assert browser.get("/cases/QF-2000").status_code == 404
    confirm(browser, page)
    assert "Make the set" in words(browser.get("/cases/QF-2000"))


def test_a_table_of_prescriptions_opens_its_cases_at_once_or_none(browser, ledger):
    content = (ROW.format("QF-2001") + ROW.format("QF-2002").splitlines()[1]).encode()
    page = send(browser, content, "cases.CSV")
    assert "Table of 2 prescriptions" in words(browser.get("/proposals"))
    assert "QF-2001" in words(page)
    assert story(ledger, "QF-2001") == []
    assert confirm(browser, page).headers["location"] == "/cases"
    for case in ("QF-2001", "QF-2002"):
        assert [kind for kind, *_ in story(ledger, case)] == ["case-opened", "prescription"]


@pytest.mark.parametrize(
    ("content", "name", "status", "sentence"),
    [
        (b"", "x.json", 422, "is not what a clinic's sheet saves"),
        (b"\xff\xfe", "x.json", 422, "is not UTF-8 text"),
        (b"[" * 5000, "x.json", 422, "send the file that the clinic's sheet saved"),
        (b" " * 200_001, "x.json", 422, "is larger than 200 kB"),
        (raw(TRIAL, on="2031-03-21"), "x.json", 409, "lies in the future"),
        (raw(TRIAL, case="QF-9"), "x.json", 422, "has no case"),
        (raw({"kind": "eaten"}), "x.json", 422, "told"),
        (raw({**TRIAL, "left": {"rod": "=1+1", "seen": "meets"}}), "x.json", 422, "=1+1"),
        (b"case;date\n", "../../x.csv", 422, "zero"),
        (ROW.format("<script>").encode().replace(b"70; 80", b"70; x"), "x.csv", 422, "percent"),
    ],
)
def test_what_cannot_be_read_is_told_and_not_kept(
    browser, ledger, content, name, status, sentence
):
    before = ledger.read_bytes()
    answer = send(browser, content, name)
    assert answer.status_code == status
    assert sentence in words(answer)
    assert "<script>alert" not in answer.text
    assert ledger.read_bytes() == before
    assert "Nothing waits." in words(browser.get("/proposals"))


def test_two_who_confirm_at_once_record_once(browser, ledger):
    page = send(browser, raw(TRIAL))
    other = client_of(workplace(ledger), by="ben")
    page_of_other = other.get(page.url.path)
    with ThreadPoolExecutor(2) as at_once:
        told = list(at_once.map(
            lambda one: confirm(*one).status_code, [(browser, page), (other, page_of_other)]
        ))
    assert sorted(told) == [303, 409]
    assert [kind for kind, *_ in story(ledger)].count(Kind.TRIAL_FIT) == 1


def test_no_file_is_no_proposal(browser):
    token = token_in(browser.get("/proposals"))
    assert "no file is chosen" in words(browser.post("/proposals", data={"token": token}))
    for name in ("0" * 32, "x" * 32, "%2e%2e%2fledger"):
        assert browser.get(f"/proposals/{name}").status_code == 404


def test_what_the_prescriber_has_not_accepted_is_not_confirmed(browser, ledger):
    before = story(ledger)
    page = send(browser, raw({**TRIAL, "accepted": False}))
    assert "the sheet does not say that the prescriber accepts" in words(page).casefold()
    assert 'name="entries"' not in page.text
    sent = {"token": token_in(page), "entries": "15"}
    assert browser.post(page.url.path, data=sent).status_code == 409
    assert story(ledger) == before


def test_what_was_recorded_meanwhile_is_looked_at_first(browser, ledger, rods):
    page = send(browser, raw(TRIAL))
    other = client_of(workplace(ledger), by="ben")
    sent = {"token": token_in(other.get(f"/cases/{CASE}")), "rod": rods[1], "state": "returned"}
    assert other.post(f"/told/{CASE}", data=sent).status_code == 200
    before = story(ledger)
    answer = confirm(browser, page)
    assert answer.status_code == 409
    assert "ben has recorded something of the case" in words(answer)
    assert story(ledger) == before
    set_aside = browser.post(f"{page.url.path}/aside", data={"token": token_in(page)})
    assert "set aside by anna" in words(set_aside)
    page = send(browser, raw(TRIAL))  # it was set aside by mistake
    assert "set aside by" not in words(browser.get("/proposals"))
    confirm(browser, page)
    assert "confirmed by anna" in words(send(browser, raw(TRIAL)))


def test_no_more_wait_than_somebody_looks_through(browser, monkeypatch):
    monkeypatch.setattr(inbox, "MOST_WAITING", 0)
    assert "0 proposals wait already" in words(send(browser, raw(TRIAL)))


@pytest.fixture
def clinic(ledger):
    """A dentist of one clinic, and a technician."""
    place = workplace(ledger)

    def signed_in(by, *account):
        client = client_of(place, by="")
        known = Account(account[0], "", *account[1:])
        secret, _ = client.app.state.visits.begin(NOW, by, known.role, known)
        client.cookies.set(COOKIE, secret)
        return client

    return signed_in


def test_a_clinic_sends_of_its_own_cases_and_confirms_nothing(clinic, ledger, rods):
    dora = clinic("dora", Role.DENTIST, ("QF-",), "Elm Street")
    tom = clinic("tom", Role.TECHNICIAN)
    assert send(dora, raw(TRIAL)).status_code == 404
    told = {"kind": "order", "percent": ["75"]}
    page = send(dora, raw(told, case=PARALLEL))
    assert "A technician of the laboratory confirms it." in words(page)
    assert 'name="entries"' not in page.text
    sent = {"token": token_in(page), "entries": "20"}
    for path in (page.url.path, f"{page.url.path}/aside"):
        assert dora.post(path, data=sent).status_code == 403
    foreign = send(dora, raw({"kind": "rods", "rods": [{"rod": rods[1], "became": "lost"}]},
                             case=PARALLEL))
    assert foreign.status_code == 404
    assert CASE not in foreign.text
    of_others = send(tom, raw(TRIAL)).url.path
    assert dora.get(of_others).status_code == 404
    assert CASE not in dora.get("/proposals").text
    assert PARALLEL in words(tom.get("/")).partition("To confirm")[2]
    assert "sent by dora" in words(tom.get(page.url.path))
