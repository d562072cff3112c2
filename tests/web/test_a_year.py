"""A case through a year in a real browser: each word of its page is true after every event."""

from __future__ import annotations

import datetime
import re

import pytest

from labkit.core.case.identifier import grouped
from labkit.core.case.rod_life import WHO_HAS_IT, RodState, who_since
from labkit.ledger.store import look_into
from labkit.units import millimetres
from labkit.workflow.record.standing import standing_of_case
from tests.support.workplaces import CASE, NOW, workplace
from tests.web.test_in_the_browser import chromium, served, signed_in

__all__ = ["chromium"]
pytestmark = pytest.mark.slow


class Year:
    """A workplace whose clock goes on, and the page of its case."""

    def __init__(self, chromium, ledger):
        self.chromium, self.ledger, self.now, self.said = chromium, str(ledger), NOW, []
        self.place = workplace(ledger, now=lambda: self.now)

    def later(self, days):
        """Let days go by; whoever was there signs in anew."""
        self.now += datetime.timedelta(days=days)
        self.page, self.said = signed_in(self.chromium, self.address, "light")
        self.open()

    def open(self):
        self.page.goto(f"{self.address}/cases/{CASE}")

    def tell(self, state, *rods, instead=False, unreleased="", note=""):
        """Tick rods and say what became of them."""
        self.open()
        for rod in rods:
            self.page.locator(f".pairs input[value='{rod}']").check()
        form = self.page.locator("#told")
        form.get_by_label("Now").select_option(state)
        form.get_by_label("Remark").fill(note)
        if unreleased:
            form.get_by_label("Why, if rods not released").fill(unreleased)
        if instead:
            form.get_by_label("the pair in the mouth comes out").check()
        form.get_by_role("button", name="Record").click()
        self.page.wait_for_load_state()
        self.true()

    def try_on(self, *seen):
        """Fill in a trial fit, and accept what is shown."""
        self.page.goto(f"{self.address}/trial/{CASE}")
        for side, (what, by) in zip(("left", "right"), seen, strict=True):
            self.page.locator(f"#{side}-{what}").check()
            if by:
                self.page.locator(f"#{side}-by").fill(by)
        self.page.get_by_role("button", name="The prescriber accepts").click()
        self.page.wait_for_url(f"**/cases/{CASE}?done=*")
        self.true()

    def withdraw(self, reason):
        """Withdraw the trial fit that counts."""
        self.page.goto(f"{self.address}/trial/{CASE}")
        self.page.get_by_text("Withdraw it").click()
        self.page.get_by_label("Why").fill(reason)
        self.page.get_by_role("button", name="Withdraw").click()
        self.page.wait_for_url(f"**/cases/{CASE}?done=*")
        self.true()

    def true(self):
        """Hold every word that tells what holds today against the record."""
        with look_into(self.ledger) as reader:
            standing = standing_of_case(reader, CASE)
            states = {rod.identifier: rod.state for rod in reader.rods(CASE)}
        words = " ".join(self.page.locator("main").inner_text().split())
        assert standing.true_as_of in words
        assert f"prescription revision {standing.revision}" in words
        assert f"{millimetres(standing.now.range_mm)} mm" in words
        start = standing.start
        assert f"Start {start.lengths if start else 'none'}" in words
        for state, who in WHO_HAS_IT.items():
            count = list(states.values()).count(state)
            shown = re.search(rf"{who[0].upper()}{who[1:]} (\d+) rod", words)
            if state in (RodState.FITTED, RodState.DELIVERED):
                assert (int(shown[1]) if shown else 0) == count, who
        stops = self.page.locator(".notice.stop").all_inner_texts()
        told = " ".join(each for each in stops if "Must come back" in each)
        assert [rod.identifier for rod in standing.asked_back] == [
            rod for rod in states if grouped(rod) in told
        ]
        worn = standing.in_the_mouth
        one_pair = len(worn) == 2 and worn[0][0] == worn[1][0]
        assert any("Must come back" not in each for each in stops) == (bool(worn) and not one_pair)
        assert ("NOT TO BE WORN" in words) == any(pair.not_to_be_worn for pair in standing.pairs)
        rows = [" ".join(row.split()) for row in self.page.locator(".pair").all_inner_texts()]
        assert len(rows) == len(standing.pairs)
        for row, pair in zip(rows, standing.pairs, strict=True):
            if not pair.rods:
                assert row.startswith("no rods ")
                continue
            assert row.startswith(f"{millimetres(pair.makes.percent, 1)} % "), row
            assert pair.words in row
            for rod in pair.rods.values():
                assert f"{grouped(rod.identifier)} {who_since(rod.state, rod.since)}" in row
            for rod in pair.gone.values():
                assert f"{rod.rod.rod.label} {rod.state}, {rod.since}" in row
        assert not [line for line in self.said if "409" not in line], self.said


def test_every_word_of_the_page_is_true_after_every_event_of_a_year(chromium, ledger, rods):
    year = Year(chromium, ledger)
    with served(year.place) as year.address:
        year.later(0)
        year.true()
        year.tell("delivered", *rods[4:], unreleased="training set, never worn")
        year.later(3)
        year.tell("fitted", rods[1])
        year.later(7)
        year.tell("fitted", rods[2], rods[3], instead=True)
        year.later(7)
        year.try_on(("too_short", "0,8"), ("too_short", "0.75"))
        year.later(3)
        year.tell("returned", rods[8], rods[9])
        year.later(20)
        year.tell("lost", rods[6], note="on a journey")
        year.withdraw("the rods were exchanged")
        year.tell("delivered", rods[8], rods[9])
        year.later(30)
        year.tell("broken", rods[2])
        year.tell("mistaken", rods[2], note="it was another one")
        year.tell("withdrawn", rods[0], rods[1])
        year.later(90)
        year.try_on(("too_long", "0.4"), ("too_long", "0.4"))
        year.later(200)
        year.true()
