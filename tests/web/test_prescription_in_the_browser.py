"""The prescription's form in a real browser without scripts, and rods as solids."""

from __future__ import annotations

import pytest

from labkit.catalog.toml_source import parse_toml
from labkit.workflow.intake.prescriptions import texts_of
from tests.support.prescriptions import SMALLEST
from tests.support.workplaces import SET, workplace
from tests.web.test_in_the_browser import SCREENS, chromium, served, signed_in

__all__ = ["chromium"]
#: A prescription as it is typed.
NEW_CASE = {**texts_of(parse_toml(SMALLEST, "rx.toml")), "case": "QF-2001"}


def fill(page, texts):
    """Fill the fields of a prescription."""
    for name, text in texts.items():
        field = page.locator(f"#f-{name}")
        field.select_option(text) if field.evaluate("e => e.options") else field.fill(text)

@pytest.mark.slow
@pytest.mark.parametrize("screen", ["light", "phone"])
def test_a_prescription_without_scripts(chromium, ledger, screen):
    """Without scripts a button works it out, and recording is the same."""
    _, width, height = SCREENS[screen]
    with served(workplace(ledger)) as address:
        page = chromium.new_context(
            java_script_enabled=False, viewport={"width": width, "height": height}
        ).new_page()
        page.goto(f"{address}/")
        page.get_by_label("Operator code").fill("anna")
        page.keyboard.press("Enter")
        page.wait_for_url(f"{address}/")
        page.goto(f"{address}/new-case")
        fill(page, NEW_CASE)
        page.get_by_role("button", name="Work it out").click()
        assert page.locator("#worked-out tbody tr").count() >= 5
        page.get_by_role("button", name="Record the prescription").click()
        page.wait_for_url("**/prescribed/QF-2001")


@pytest.mark.slow
def test_rods_turn_as_solids(chromium, ledger):
    with served(workplace(ledger)) as address:
        page, said = signed_in(chromium, address, "light")
        page.goto(f"{address}/new-case")
        fill(page, NEW_CASE)
        page.get_by_role("button", name="Show the rods as solids").click()
        page.locator(".turning[data-drawn]").wait_for(timeout=120_000)
        turning = page.locator(".turning")
        before = turning.screenshot()
        turning.focus()
        for _ in range(5):
            page.keyboard.press("ArrowUp")
        page.wait_for_timeout(300)
        assert turning.screenshot() != before
        page.locator("#f-prescriber").fill("D-1")
        page.locator(".turning[data-drawn]").wait_for(timeout=20_000)
        page.goto(f"{address}/sets/{SET}/solids")
        page.locator(".turning[data-drawn]").wait_for(timeout=20_000)
        # Without a graphics card the browser says that it is slow.
        assert [words for words in said if "GPU stall" not in words] == []
