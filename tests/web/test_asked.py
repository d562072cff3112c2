"""What pages are asked for: numbers that could be two, gaps that are none, what is not there."""

from __future__ import annotations

import re
from decimal import Decimal

import pytest

from labkit.core.case.case_standing import CaseStanding
from labkit.errors import RefusedError
from labkit.web.asked import number_of
from labkit.workflow.record import standing
from tests.support.workplaces import CASE, PARALLEL
from tests.web.test_pages import words


@pytest.mark.parametrize("percent", ["1.000", "1,000", "1.000 %", "70;1.000"])
def test_a_percentage_that_could_be_thousands_is_asked_back(looking, percent):
    page = words(looking.get(f"/between/{PARALLEL}", params={"percent": percent}))
    assert "could be 1 or 1000; write it without the zeros or the sign" in page
    assert "Order and make them" not in page


def test_a_number_of_a_form_that_could_be_thousands_is_refused():
    with pytest.raises(RefusedError, match='"1,234" could be 1.234 or 1234; write it'):
        number_of("1,234", "a pressure", Decimal(0), Decimal(2000))
    assert number_of("1,234", "a length", Decimal(0), Decimal(60)) == Decimal("1.234")


def test_a_gap_is_named_only_where_it_is_one(looking):
    assert "How many between" not in words(looking.get(f"/between/{PARALLEL}?low=50&high=-1"))
    page = words(looking.get(f"/between/{PARALLEL}?low=70&high=80"))
    assert "How many between 70.0 % and 80.0 %" in page


@pytest.mark.parametrize(
    ("address", "title"),
    [
        ("/cases/QF-99", "There is no case QF-99"),
        ("/trial/QF-99", "There is no case QF-99"),
        ("/guide/nope", "There is no page nope in the guide"),
        ("/jobs/xyz", "There is no such job"),
        ("/nowhere", "There is no such page"),
    ],
)
def test_what_is_not_there_is_named_and_the_way_on_is_shown(looking, address, title):
    page = looking.get(address)
    assert page.status_code == 404
    assert f"<h1>{title}</h1>" in page.text
    assert '<nav aria-label="Workplace">' in page.text


def test_the_list_tells_whether_rods_have_left_the_lab(looking):
    page = words(looking.get("/cases"))
    assert re.search(rf"{PARALLEL} 1 set, 8 rods in circulation, all in the lab", page)
    assert re.search(rf"{CASE} 1 set, \d+ rods in circulation, 4 with clinic or wearer", page)


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        (None, "Start not named by the prescription; ask the prescriber which pair comes first"),
        (62.5, "Start no pair in circulation serves the prescribed 62.5 %; ask the prescriber"),
    ],
)
def test_a_start_that_no_pair_serves_is_told_from_one_that_nobody_named(
    looking, monkeypatch, asked, told
):
    monkeypatch.setattr(CaseStanding, "start", None)
    monkeypatch.setattr(standing, "start_asked", lambda *_: asked)
    assert told in words(looking.get(f"/cases/{PARALLEL}"))
