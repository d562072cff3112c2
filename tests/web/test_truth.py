"""What the pages say is what the record holds: what is worn, what must come back."""

from __future__ import annotations

import html
import re

import pytest

from labkit.core.case.identifier import grouped
from labkit.ledger.store import look_into
from labkit.web.scale import Shown, laid_out
from labkit.workflow.record.sheet import findings_of
from labkit.workflow.record.standing import standing_of_case
from tests.support.workplaces import CASE, NOW, PARALLEL, SET, token_in
from tests.web.test_pages import words
from tests.web.test_trial import SHORT, accepted, command

ADDRESS = f"/cases/{CASE}"


def tell(browser, state, *rods, **more):
    sent = {"token": token_in(browser.get(ADDRESS)), "rod": rods, "state": state,
            "date": str(NOW.date()), **more}
    page = browser.post(f"/told/{CASE}", data=sent)
    assert page.status_code == 200, words(page)
    return page


def test_one_rod_left_in_the_mouth_is_said_everywhere(browser, ledger, rods, monkeypatch):
    left, right = rods[2:4]
    tell(browser, "fitted", left, right, instead="1")
    assert "rod alone" not in words(browser.get(ADDRESS))
    sentence = (
        f"One rod alone is recorded in the mouth: the left rod 32.8 ({grouped(left)}) of set 1, "
        f"step 2 (55.4 %, 32.8/none); its right rod 32.8 ({grouped(right)}): broken since "
        "2031-03-20; ask what is worn, and record it."
    )
    assert sentence in words(tell(browser, "broken", right))
    today = words(browser.get("/"))
    assert f"Ask what is worn 1 HLB-0107 {sentence}" in today
    assert sentence in " ".join(command(ledger, monkeypatch, "sheet", CASE).split())


def test_rods_of_two_steps_in_the_mouth_are_said(browser, ledger, rods):
    page = words(tell(browser, "fitted", rods[3]))
    assert (
        f"The rods recorded in the mouth are of two steps: the left rod 34.2 ({grouped(rods[0])}) "
        f"of set 1, step 1 (40.2 %, 34.2/34.2) and the right rod 32.8 ({grouped(rods[3])}) of set "
        "1, step 2 (55.4 %, 32.8/32.8); ask"
    ) in page
    with look_into(str(ledger)) as reader:
        codes = [one.code for one in findings_of(standing_of_case(reader, CASE))]
    assert "no_pair_in_the_mouth" in codes


def test_a_fitted_pair_beyond_the_maximum_is_recorded_and_asked_back(browser, ledger, rods):
    """It is a report of what happened: no reason is asked, as the command asks none."""
    tell(browser, "delivered", *rods[8:], unreleased="training set, never worn")
    accepted(browser, SHORT)
    page = words(tell(browser, "fitted", *rods[8:], instead="1"))
    assert "NOT TO BE WORN. Must come back" in page
    for rod in rods[8:]:
        assert re.search(rf"{grouped(rod)} 28\.7 (left|right), fitted since 2031-03-20", page)
    with look_into(str(ledger)) as reader:
        assert {reader.find(rod).state for rod in rods[8:]} == {"fitted"}


def test_nothing_is_offered_beyond_the_maximum(browser):
    pairs = [Shown(5.0, 62.5, "a"), Shown(7.0, 87.5, "b"), Shown(9.0, 112.5, "c"),
             Shown(9.4, 117.5, "d")]
    low, high = laid_out(pairs, 8.0).gaps
    assert (low.low, low.high, low.mm) == (62.5, 87.5, 2.0)
    assert (high.low, high.high, high.mm) == (87.5, 100.0, 1.0)
    accepted(browser, SHORT)
    gaps = re.findall(r"high=([\d.]+)", browser.get(ADDRESS).text)
    assert max(map(float, gaps)) == 100


def test_a_trial_fit_is_named_by_its_own_entry(browser):
    page = accepted(browser, SHORT)
    entry = re.search(r"entry (\d+), by anna: trial fit", words(page), re.I)[1]
    assert f"Protrusive range 8.43 mm since entry {entry}, 2031-03-20" in words(page)
    assert f"trial fit of entry {entry} accepted; prescription revision 2 holds" in words(page)
    assert f"Entry {entry}, by anna: trial fit" in words(browser.get(f"/trial/{CASE}"))


@pytest.mark.parametrize(("field", "sent"), [
    ("reason", {"state": "delivered", "unreleased": "."}),
    ("mistake", {"state": "mistaken", "note": "--"}),
])
def test_a_reason_has_words(browser, rods, field, sent):
    rod = rods[4] if field == "reason" else rods[1]
    form = {"token": token_in(browser.get(ADDRESS)), "rod": rod, "date": str(NOW.date()), **sent}
    page = browser.post(f"/told/{CASE}", data=form)
    assert page.status_code == 422
    assert "has no words" in words(page) or "with a reason" in words(page)


def test_no_page_names_a_command(browser, ledger, rods):
    """On a page the way is a link, a button or a field; the guide tells of commands."""
    tell(browser, "fitted", rods[1])
    accepted(browser, SHORT)
    tell(browser, "lost", rods[2])
    asked = (
        "/", "/cases", ADDRESS, f"/cases/{PARALLEL}", f"/trial/{CASE}", f"/rods/{rods[2]}",
        f"/between/{CASE}?percent=99", f"/inspection/{CASE}?set={SET}", "/new-case", "/process",
        f"/measure/{CASE}?set={SET}", f"/sets/{SET}/paper/documents/case-sheet.pdf", "/proposals",
        f"/trial/{PARALLEL}?left_seen=too_short&left_by=0.8&right_seen=meets",
    )
    for address in asked:
        page = browser.get(address)
        assert page.status_code == 200, address
        told = html.unescape(re.sub(r"<[^>]+>", " ", page.text.partition("<main")[2]))
        assert not re.search(r"`|labkit [a-z]|(?<!-)--[a-z]", told.partition("Guide")[0]), address
