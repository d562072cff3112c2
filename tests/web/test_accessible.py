"""No page has a serious fault for those who see little, hear the page or use a keyboard alone.

axe-core looks: `npm install axe-core`, and AXE_CORE names its file axe.min.js.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from starlette.routing import Mount

from labkit.web.app import application, names_of
from tests.support.workplaces import CASE, PARALLEL, SET, workplace
from tests.web.test_hostile import filled
from tests.web.test_in_the_browser import chromium, served, signed_in

__all__ = ["chromium"]  # a fixture of the other browser tests
#: Impact of what is a fault here.
SERIOUS = ("serious", "critical")


@pytest.fixture
def axe():
    named = os.environ.get("AXE_CORE", "")
    if not Path(named).is_file():
        pytest.skip("AXE_CORE names no axe.min.js (npm install axe-core)")
    return Path(named).read_text("utf-8")


def pages(app, rods):
    """Give the address of every page, by its name, with something in each of its places."""
    about = {"case": CASE, "name": SET, "file": "documents/case-sheet.pdf", "identifier": rods[0],
             "topic": "serve"}
    found = {
        name: filled(route.path, about) for name, route in names_of(app).items()
        if not isinstance(route, Mount) and "GET" in route.methods
        and not route.path.startswith("/api/")
    }
    more = {"no such case": "/cases/QF-9", "what would be made": f"/between/{PARALLEL}?percent=75"}
    return {**found, **more}


@pytest.mark.slow
@pytest.mark.parametrize("colours", ["light", "dark"])
def test_no_page_has_a_serious_fault(chromium, ledger, rods, axe, colours):
    place, faults, seen = workplace(ledger), [], 0
    with served(place) as address:
        page, _ = signed_in(chromium, address, colours)
        # A colour that is on its way to another is nobody's colour.
        page.emulate_media(color_scheme=colours, reduced_motion="reduce")
        for name, path in pages(application(place), rods).items():
            shown = page.request.get(address + path)
            if b"<title>" not in shown.body():
                continue  # a file, or a part of a page
            page.goto(address + path)
            page.evaluate(axe)
            found = page.evaluate("axe.run({resultTypes: ['violations']})")["violations"]
            faults += [
                (name, each["id"], [node["target"] for node in each["nodes"]][:3])
                for each in found if each["impact"] in SERIOUS
            ]
            seen += 1
    assert seen > 20
    assert faults == []
