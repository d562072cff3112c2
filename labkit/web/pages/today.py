"""The start page: what needs doing today."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from labkit.web.asked import visit, workplace
from labkit.web.show import page
from labkit.workflow.record.today import Doing, to_do

router = APIRouter()


@router.get("/", name="today")
def today(request: Request) -> HTMLResponse:
    """Show what needs doing, by what is to be done."""
    place = workplace(request)
    with place.look() as reader:
        found = [
            each for each in to_do(reader, place.own.instruments, place.now().astimezone().date())
            if each.case.startswith(visit(request).cases)
        ]
    by_kind = {doing: [each for each in found if each.doing is doing] for doing in Doing}
    return page(request, "today", by_kind=by_kind, count=len(found))
