"""The technician's and the dentist's pages, driven in a real browser, with a clean console.

The pictures of every page, light, dark and as on a phone, lie in the folder that WORKPLACE_PICTURES
names; without it, in the test's own.
"""

from __future__ import annotations

import contextlib
import os
import socket
import threading
import time
from pathlib import Path

import pytest
import uvicorn

from labkit.ledger.store import look_into
from labkit.web.app import application
from tests.support.prescriptions import SMALLEST
from tests.support.workplaces import CASE, PARALLEL, SET, workplace

CHROMIUM = Path("/usr/bin/chromium")
#: Name → colours, width, height.
SCREENS = {"light": ("light", 1280, 900), "dark": ("dark", 1280, 900), "phone": ("light", 390, 844)}

@contextlib.contextmanager
def served(place):
    """Serve a workplace on a free port of this machine."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    settings = uvicorn.Config(
        application(place), host="127.0.0.1", port=port, log_level="critical", ws="none"
    )
    server = uvicorn.Server(settings)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    until = time.monotonic() + 20
    while not server.started and time.monotonic() < until:
        time.sleep(0.02)
    yield f"http://127.0.0.1:{port}"
    server.should_exit = True
    thread.join(20)


@pytest.fixture(scope="module")
def chromium():
    if not CHROMIUM.exists():
        pytest.skip("Debian's chromium is not installed")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"]
        )
        yield browser
        browser.close()


def signed_in(chromium, address, screen):
    """Open a browser window that notes what its console says and what it asks of others.

    Not noted is what the browser asks of itself: its reader of PDF is a page of its own.
    """
    colours, width, height = SCREENS[screen]
    page = chromium.new_context(
        color_scheme=colours, viewport={"width": width, "height": height}
    ).new_page()
    said = []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("request", lambda request: said.append(request.url) if not request.url.startswith(
        (address, "data:", "chrome")) else None)
    page.goto(f"{address}/")
    page.get_by_label("Operator code").fill("anna")
    page.keyboard.press("Enter")
    page.wait_for_url(f"{address}/")
    return page, said


def test_the_pages_are_whole_on_every_screen(chromium, ledger, rods, tmp_path):
    named = os.environ.get("WORKPLACE_PICTURES")
    pictures = Path(named or tmp_path)
    pictures.mkdir(parents=True, exist_ok=True)
    pages = {
        "today": "/", "cases": "/cases", "case": f"/cases/{CASE}", "making": "/jobs",
        "between": f"/between/{PARALLEL}?percent=75", "refused": "/cases/QF-9",
        "rod": f"/rods/{rods[0]}", "rods": "/rods", "new-case": "/new-case",
        "trial": f"/trial/{CASE}?left_seen=too_short&left_by=0,8&right_seen=meets",
        "proposals": "/proposals",
    }
    with served(workplace(ledger)) as address:
        page, said = signed_in(chromium, address, "light")
        for name, path in pages.items():
            page.goto(address + path)
            for screen, (colours, width, height) in SCREENS.items():
                page.emulate_media(color_scheme=colours)
                page.set_viewport_size({"width": width, "height": height})
                wider = page.evaluate("document.documentElement.scrollWidth > innerWidth")
                assert not wider, (screen, name)
                # Whole pages where somebody wants to look at them: that takes a second each.
                page.screenshot(path=pictures / f"{name}-{screen}.png", full_page=bool(named))
        # The one page that is not there is the one message.
        assert len(said) == 1, said
        assert "404" in said[0]


def test_a_dentist_follows_a_case_with_the_keyboard(chromium, ledger, rods):
    with served(workplace(ledger)) as address:
        page, said = signed_in(chromium, address, "phone")
        page.get_by_role("link", name="Cases").press("Enter")
        page.wait_for_url(f"{address}/cases")
        page.get_by_role("searchbox").type("hlb")
        page.locator(".cases li").nth(1).wait_for(state="detached")
        page.get_by_role("link", name=CASE).press("Enter")
        assert page.get_by_role("heading", level=1).inner_text() == f"Case {CASE}"
        page.goto(f"{address}/cases/{PARALLEL}")
        page.locator(".scale a:visible").first.press("Enter")
        page.wait_for_url("**/between/**")
        assert page.locator(".mark.new:visible").count() == 1
        page.goto(f"{address}/cases/{CASE}")
        page.locator(f"input[value='{rods[1]}']").press("Space")
        page.get_by_label("Now").select_option("lost")
        page.get_by_label("Remark").fill("on a journey")
        page.get_by_role("button", name="Record").press("Enter")
        page.wait_for_url(f"{address}/cases/{CASE}?done=*")
        assert "no left rod" in page.content() or "no right rod" in page.content()
        assert said == [], said
    with look_into(str(ledger)) as reader:
        assert reader.find(rods[1]).state == "lost"


def test_a_dentist_tells_a_trial_fit_with_the_keyboard(chromium, ledger):
    with served(workplace(ledger)) as address:
        page, said = signed_in(chromium, address, "phone")
        page.goto(f"{address}/trial/{CASE}")
        for side, by in (("left", "0,8"), ("right", "0.75")):
            page.locator(f"#{side}-too_long").press("ArrowRight")
            page.locator(f"#{side}-by").fill(by)
        page.locator(".answer").wait_for(timeout=5000)
        answer = page.locator(".answer").inner_text()
        assert "less far than recorded: the range is 8.43 mm" in answer
        assert page.locator("#right-by").input_value() == "0.75"
        assert "right_by=0.75" in page.url
        page.get_by_label("Remark").fill("pads touched")
        page.get_by_role("button", name="The prescriber accepts").press("Enter")
        page.wait_for_url(f"{address}/cases/{CASE}?done=*")
        assert "NOT TO BE WORN" in page.locator("main").inner_text()
        assert said == [], said
    with look_into(str(ledger)) as reader:
        assert reader.prescription(CASE).revision == 2


def test_a_paper_is_read_within_the_page(chromium, ledger):
    with served(workplace(ledger)) as address:
        page, said = signed_in(chromium, address, "light")
        page.goto(f"{address}/cases/{CASE}")
        asked = []
        page.on("request", lambda request: asked.append(request.url))
        page.get_by_text("Case sheet", exact=True).press("Enter")
        page.locator("details[open] iframe.paper").wait_for()
        page.wait_for_timeout(300)
        # Only the paper that is opened is asked for; a busy browser asks twice.
        assert {url for url in asked if url.endswith(".pdf")} == {
            f"{address}/sets/{SET}/files/documents/case-sheet.pdf"
        }
        page.get_by_role("link", name="On a page of its own").press("Enter")
        page.wait_for_url(f"**/sets/{SET}/paper/**")
        page.locator("iframe.paper").wait_for()
        page.wait_for_timeout(300)
        assert said == [], said


def test_a_prescription_is_drawn_and_recorded(chromium, ledger):
    with served(workplace(ledger)) as address:
        page, said = signed_in(chromium, address, "light")
        page.goto(f"{address}/new-case")
        page.locator("#file").set_input_files({
            "name": "rx.toml", "mimeType": "text/plain",
            "buffer": SMALLEST.replace("QF-1043", "QF-2001").encode(),
        })
        page.get_by_role("button", name="Fill the form", exact=True).click()
        page.locator("#worked-out table").first.wait_for()
        assert page.locator(".bite-scale .mark").count() == 5
        handle = page.locator("#handle-protruded")
        handle.focus()
        page.keyboard.press("Shift+ArrowLeft")
        page.keyboard.press("ArrowRight")
        assert page.locator("#f-protruded").input_value() == "5.5"
        page.get_by_text("protruded 5.5", exact=False).first.wait_for()
        page.wait_for_function("document.activeElement.id === 'handle-protruded'")
        circle = page.locator("#handle-retruded circle").bounding_box()
        x, y = circle["x"] + circle["width"] / 2, circle["y"] + circle["height"] / 2
        page.mouse.move(x, y)
        page.mouse.down()
        page.mouse.move(x + 60, y, steps=4)
        page.mouse.up()
        drawn = page.locator("#f-retruded").input_value()
        assert -4.5 < float(drawn) < -2.5
        page.locator("#worked-out").get_by_text(f"retruded {drawn}", exact=False).first.wait_for()
        page.locator("#f-registered").fill("9")
        page.locator("#f-registered[aria-invalid]").wait_for()
        page.locator("#f-registered").fill("2.9")
        page.get_by_role("button", name="Record the prescription").press("Enter")
        page.wait_for_url("**/prescribed/QF-2001")
        assert said == [], said
