"""Readings as a gauge with a cable and a hand scanner type them, in a real browser."""

from __future__ import annotations

import pytest

from tests.support.measuring import ADDRESS, CASE, fields, to_measure
from tests.web import test_in_the_browser
from tests.web.test_in_the_browser import served, signed_in

chromium = test_in_the_browser.chromium


def typed(page, *texts):
    """Type as a gauge and a scanner do: each text ends with Enter."""
    for text in texts:
        page.keyboard.type(text)
        page.keyboard.press("Enter")


def focus(page):
    return page.evaluate("document.activeElement.name || document.activeElement.id")


def drafts(page):
    """Names of what the browser keeps of us; htmx keeps the address of the page."""
    return page.evaluate("Object.keys(sessionStorage).filter(name => name.startsWith('labkit'))")


#: A browser that reads codes, with a camera that sees the bag of the rod named.
SEES = """
navigator.mediaDevices.getUserMedia = async () => document.createElement("canvas").captureStream();
window.BarcodeDetector = class { async detect() { return [{ rawValue: "%s" }]; } };
"""


def test_gauge_and_scanner_lead_from_rod_to_rod(chromium, tmp_path):
    place, form = to_measure(tmp_path)
    sent = fields(form)
    first, second = sent["rod"][:2]
    with served(place) as address:
        page, said = signed_in(chromium, address, "light")
        page.goto(f"{address}{ADDRESS}")
        assert focus(page) == "scan"
        typed(page, first)
        assert focus(page) == f"{first} label_read"
        typed(page, form.rows[0]["label"], *[
            text.replace(".", ",") for text in (*sent[f"{first} reading"], "38.38", "38.39")
        ])
        assert page.locator(f"input[name='{first} reading']").count() == 6
        # With nothing more to read, Enter goes on to the ticks.
        typed(page, "")
        assert focus(page) == f"{first} fittings"
        page.keyboard.press("Space")
        # While a reading is half typed it is asked about; the last word counts.
        result = page.locator(f"#d-{first} .result.good")
        result.wait_for(timeout=5000)
        assert result.inner_text() == "Conforms"
        # A bag that is scanned into whatever has the focus is no reading.
        page.locator(f"input[name='{first} reading']").last.focus()
        typed(page, f"{second[:4]} {second[4:7]} {second[7:10]} {second[10:]}")
        assert focus(page) == f"{second} label_read"
        assert page.locator(f"input[name='{first} reading']").last.input_value() == ""
        # What is typed outlives a page that is left.
        page.goto(f"{address}/")
        page.goto(f"{address}{ADDRESS}")
        assert page.locator(f"input[name='{first} reading']").nth(4).input_value() == "38,39"
        assert page.locator(f"input[name='{first} fittings']").first.is_checked()
        page.get_by_role("button", name="Record what is typed").press("Enter")
        page.get_by_text("Recorded: 1 rod.").wait_for(timeout=5000)
        page.reload()
        assert page.locator(f"input[name='{first} reading']").first.input_value() == ""
        # The next rod's readings outlive the page that said so, too.
        page.locator(f"input[name='{second} reading']").first.fill("38.4")
        page.reload()
        assert page.locator(f"input[name='{second} reading']").first.input_value() == "38.4"
        # Whoever signs out leaves nothing behind in the browser, and nobody finds another's draft.
        page.locator("#scan").focus()
        typed(page, second)
        page.keyboard.type("38.4")
        own, other = (f'labkit measure "{who}" {CASE}-r1' for who in ("anna", "ben"))
        assert drafts(page) == [own]
        page.evaluate("name => sessionStorage.setItem(name, '[]')", other)
        page.goto(f"{address}{ADDRESS}")
        assert drafts(page) == [own]
        page.get_by_role("button", name="Sign out").click()
        page.wait_for_url(f"{address}/sign-in")
        assert drafts(page) == []
        assert said == [], said


@pytest.mark.slow
def test_the_camera_leads_to_a_rod_where_the_browser_reads_codes(chromium, tmp_path):
    place, form = to_measure(tmp_path)
    rod = fields(form)["rod"][3]
    with served(place) as address:
        page, said = signed_in(chromium, address, "phone")
        page.goto(f"{address}{ADDRESS}")
        assert not page.locator("#camera").is_visible()
        page.add_init_script(SEES % rod)
        page.goto(f"{address}{ADDRESS}")
        page.locator("#camera").click()
        page.locator(f"[name='{rod} label_read']:focus").wait_for(timeout=5000)
        assert page.locator("#picture").is_hidden()
        # An identifier of nothing here is told, and what is typed stays.
        page.locator("#scan").fill("1234")
        page.locator("#scan").press("Enter")
        page.get_by_text("is not a rod identifier").wait_for(timeout=5000)
        assert said == [], said
