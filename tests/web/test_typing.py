"""What the record says of a prescription while somebody types it."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from threading import Event

from labkit.web.pages import prescription
from tests.support.workplaces import client_of, workplace
from tests.web.test_prescription import NEW, look, record, words


def test_a_slow_record_keeps_nobody_else_waiting(filled, monkeypatch):
    """Other pages are answered while the record is asked about what is typed."""
    asked, goes_on, waited = Event(), Event(), []

    def slow(reader, case):
        asked.set()
        waited.append(goes_on.wait(30))

    monkeypatch.setattr(prescription, "refuse_first", slow)
    client = client_of(workplace(filled[0]))
    with client, ThreadPoolExecutor(1) as beside:  # one event loop for both requests
        typed = beside.submit(look, client, {**NEW, "case": "QF-2007"})
        assert asked.wait(30)
        answer = client.get("/guide")
        goes_on.set()
        assert typed.result(30).status_code == answer.status_code == 200
    assert waited == [True]


def test_what_is_recorded_meanwhile_is_told_at_the_next_key(browser):
    texts = {**NEW, "case": "QF-2008"}
    for kept in range(2):
        assert "is recorded already" not in look(browser, {**texts, "notes": f"key {kept}"}).text
    assert record(browser, texts).status_code == 303
    assert "the case QF-2008 is recorded already" in words(look(browser, texts).text)


def test_what_a_server_answered_holds_for_a_moment(ledger, monkeypatch):
    place = replace(workplace(ledger), ledger="postgresql://db/lab")
    states = []
    for second in (100.0, 101.0, 106.0):
        monkeypatch.setattr("labkit.web.workplace.time.monotonic", lambda now=second: now)
        states.append(place.record_state())
    assert states == [(20.0,), (20.0,), (21.0,)]
