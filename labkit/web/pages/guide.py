"""The guide in the browser: the same pages as `labkit guide`."""

from __future__ import annotations

from pathlib import Path

from fastapi import APIRouter, Request
from fastapi.responses import FileResponse, HTMLResponse
from markdown_it import MarkdownIt
from markupsafe import Markup
from starlette.exceptions import HTTPException

import labkit
from labkit.catalog import guide
from labkit.web.show import page

router = APIRouter()
#: What a page is written in; markup of its own is shown as text.
_WRITTEN = MarkdownIt("commonmark", {"html": False}).enable("table")


@router.get("/guide", name="guide")
def topics(request: Request) -> HTMLResponse:
    """List the pages of the guide."""
    return page(request, "guide", topics={each: guide.title(each) for each in guide.TOPICS})


@router.get("/guide/frame.svg", name="guide_frame")
def frame() -> FileResponse:
    """Give the figure of the frame."""
    return FileResponse(Path(labkit.__file__).parent / "guide" / "frame.svg")


@router.get("/guide/pictures/{name}", name="guide_picture")
def picture(name: str) -> FileResponse:
    """Give a picture of the guide."""
    folder = Path(labkit.__file__).parent / "guide" / "pictures"
    found = next((each for each in folder.iterdir() if each.name == name), None)
    if found is None:
        raise HTTPException(404)
    return FileResponse(found)


@router.get("/guide/{topic}", name="guide_page")
def one(request: Request, topic: str) -> HTMLResponse:
    """Show a page of the guide."""
    lines = guide.page(topic).splitlines()
    shown = "\n".join(line for line in lines if not line.lstrip().startswith("<!--"))
    # What is wider than the page is scrolled with the keyboard, too.
    text = _WRITTEN.render(shown).replace("<pre>", '<pre tabindex="0">')
    return page(request, "guide-page", title=guide.title(topic), text=Markup(text))
