"""One rod by its identifier, and what becomes of rods."""

from __future__ import annotations

import datetime

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from labkit.core.case.identifier import parse_identifier
from labkit.core.case.rod_life import TRANSITIONS, RodState
from labkit.errors import InputError
from labkit.web.asked import own_case, told, visit, workplace
from labkit.web.drawings import drawn_rods
from labkit.web.show import address, drawn, page
from labkit.workflow.record.lookup import find_rod, need_case
from labkit.workflow.record.reports import rod_report
from labkit.workflow.rods.life import MISTAKEN, RECORDED, Told, tell

router = APIRouter()


@router.get("/rods", name="find_rod")
def find(request: Request, identifier: str = "") -> Response:
    """Look a rod up by what its bag says, as typed or scanned."""
    if not identifier.strip():
        return page(request, "find-rod")
    with workplace(request).look() as reader:
        found = find_rod(reader, identifier)
    digits = found.rod.rod.identifier
    return RedirectResponse(address(request, "rod", identifier=digits), 303)


@router.get("/rods/{identifier}", name="rod")
def rod(request: Request, identifier: str) -> HTMLResponse:
    """Show a rod: what it means now, its life, its readings."""
    with workplace(request).look() as reader:
        found = find_rod(reader, parse_identifier(identifier))
    own_case(request, found.rod.rod.case)
    state = RodState(found.rod.rod.state)
    return page(
        request, "rod", found=found, report=rod_report(found), today=_today(request),
        drawing=drawn(drawn_rods([found.of_set]).get(found.rod.rod.identifier, "")),
        states=[each for each in RECORDED if each in TRANSITIONS[state]],
        mistaken=MISTAKEN if found.told else "",
    )


@router.post("/told/{case:path}", name="rods_told")
def rods_told(request: Request, case: str) -> Response:
    """Record what became of rods of a case."""
    form, place = told(request), workplace(request)
    own_case(request, case)
    rods = form.all("rod")
    if not rods:
        raise InputError("no rod is ticked; tick those that it is about, and send the form again")
    what = Told(form("state"), form("note"), _day(form("date")), form("unreleased"))
    if what.state not in (*map(str, RECORDED), MISTAKEN):
        raise InputError(
            f"what became of the rods is not said; choose {', '.join(map(str, RECORDED))}"
        )
    with place.act() as ledger:
        need_case(ledger, case)
        for each in rods:
            own_case(request, find_rod(ledger, each).rod.rod.case)
        tell(ledger, rods, what, visit(request).by, place.now().astimezone())
    back = address(request, "case", case=case)
    if form("back") == "rod":
        back = address(request, "rod", identifier=parse_identifier(rods[0]))
    return RedirectResponse(back, 303)


def _today(request: Request) -> datetime.date:
    return workplace(request).now().astimezone().date()


def _day(text: str) -> datetime.date | None:
    try:
        return datetime.date.fromisoformat(text) if text else None
    except ValueError as error:
        raise InputError(f"{text!r} is not a day; give it as 2031-05-02") from error
