"""The guide's pictures of the workplace: taken of the pages themselves, on a filled record.

`GUIDE_PICTURES=write pytest -m slow tests/web/test_guide_pictures.py` takes them again.
"""

from __future__ import annotations

import io
import os
import re

import pytest
from PIL import Image

from tests.support.guide_pages import ROOT, page
from tests.support.workplaces import CASE, PARALLEL, workplace
from tests.web.test_in_the_browser import chromium, served, signed_in

__all__ = ["chromium"]  # a fixture of the other browser tests
FOLDER = ROOT / "labkit" / "guide" / "pictures"
#: Picture → address, and what must be on it.
PICTURES = {
    "serve-today": ("/", "To make"), "serve-case": (f"/cases/{CASE}", "Protrusive range"),
    "serve-between": (f"/between/{PARALLEL}?percent=75", "Preview only"),
    "serve-measure": (f"/measure/{CASE}", "Record"),
}
SIZE = {"width": 1100, "height": 760}


def test_the_guide_shows_every_picture_and_no_other(looking):
    shown = re.findall(r"!\[[^\]]+\]\(pictures/([a-z-]+)\.png\)", page("serve"))
    assert sorted(shown) == sorted(PICTURES) == sorted(path.stem for path in FOLDER.iterdir())
    for name in shown:
        answer = looking.get(f"/guide/pictures/{name}.png")
        assert answer.content == (FOLDER / f"{name}.png").read_bytes()
        assert answer.headers["content-type"] == "image/png"
    assert looking.get("/guide/pictures/nothing.png").status_code == 404


@pytest.mark.slow
def test_the_pages_are_as_the_pictures_show(chromium, ledger):
    with served(workplace(ledger)) as address:
        visit, said = signed_in(chromium, address, "light")
        visit.set_viewport_size(SIZE)
        for name, (path, words) in PICTURES.items():
            visit.goto(address + path)
            assert words in visit.inner_text("main")
            taken = visit.screenshot()
            kept = FOLDER / f"{name}.png"
            if os.environ.get("GUIDE_PICTURES") == "write":
                FOLDER.mkdir(exist_ok=True)
                Image.open(io.BytesIO(taken)).convert("P", palette=Image.Palette.ADAPTIVE).save(
                    kept, optimize=True
                )
            with Image.open(kept) as picture:
                assert picture.size == (SIZE["width"], SIZE["height"])
        assert said == []
