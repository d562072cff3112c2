"""One rod by its identifier, and what becomes of rods."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from labkit.core.case.identifier import grouped, parse_identifier
from labkit.core.case.rod_life import ENDS, TRANSITIONS, RodState
from labkit.core.reasons import check_reason
from labkit.core.report import Report
from labkit.errors import InputError, RefusedError
from labkit.ledger.events import Kind
from labkit.ledger.queries import Reader
from labkit.web.asked import day_of, own_case, today_of, told, visit, workplace
from labkit.web.drawings import drawn_rods
from labkit.web.jobs.job import Order, What, begin
from labkit.web.rights import CORRECTS, OVERRULES
from labkit.web.show import address, drawn, page
from labkit.web.visits import Visit
from labkit.workflow.record.lookup import FoundRod, find_rod, need_case, stored_rod
from labkit.workflow.record.reports import rod_report
from labkit.workflow.rods.life import MISTAKEN, RECORDED, Told, tell

router = APIRouter()
#: States of rods that are made once more.
ONCE_MORE = ENDS
#: What only those who decide on rods take back.
_DECIDED = (RodState.REJECTED, RodState.WITHDRAWN)


@router.get("/rods", name="find_rod")
def find(request: Request, identifier: str = "") -> Response:
    """Look a rod up by what its bag says, as typed or scanned."""
    if not identifier.strip():
        return page(request, "find-rod")
    with workplace(request).look() as reader:
        found = find_rod(reader, identifier)
    own_case(request, found.rod.rod.case)
    digits = found.rod.rod.identifier
    return RedirectResponse(address(request, "rod", identifier=digits), 303)


@router.get("/rods/{identifier}", name="rod")
def rod(request: Request, identifier: str) -> HTMLResponse:
    """Show a rod: what it means now, its life, its readings."""
    with workplace(request).look() as reader:
        found = find_rod(reader, parse_identifier(identifier))
        own_case(request, found.rod.rod.case)
        taken_back = bool(found.told) and not _why_it_stays(reader, found, visit(request))
    state = RodState(found.rod.rod.state)
    return page(
        request, "rod", found=found, report=rod_report(found), today=today_of(request),
        drawing=drawn(drawn_rods([found.of_set]).get(found.rod.rod.identifier, "")),
        states=[each for each in RECORDED if each in TRANSITIONS[state]],
        mistaken=MISTAKEN if taken_back else "", overrules=visit(request).role in OVERRULES,
        anew=state in ONCE_MORE and found.replaced_by is None,
    )


@router.post("/told/{case:path}", name="rods_told")
def rods_told(request: Request, case: str) -> Response:
    """Record what became of rods of a case."""
    form, rods = told(request), told(request).all("rod")
    if not rods:
        raise InputError("no rod is ticked; tick those that it is about, and send the form again")
    what = Told(
        form("state"), form("note"), day_of(form("date")), form("unreleased"),
        instead=bool(form("instead")) and form("state") == RodState.FITTED,
    )
    report = record(request, case, rods, what)
    entries = [rod["entry"] for rod in report.data["rods"]]
    back = f"{address(request, 'case', case=case)}?done={min(entries)}-{max(entries)}"
    if form("back") == "rod":
        back = address(request, "rod", identifier=parse_identifier(rods[0]))
    return RedirectResponse(back, 303)


@router.post("/rods/{identifier}/anew", name="rod_make_anew")
def rod_make_anew(request: Request, identifier: str) -> Response:
    """Make a rod that is gone once more, in the background."""
    place, reason = workplace(request), told(request)("reason")
    with place.look() as reader:
        rod = stored_rod(reader, parse_identifier(identifier))
    own_case(request, rod.case)
    if rod.state not in ONCE_MORE:
        raise RefusedError(
            f"the rod {grouped(rod.identifier)} is {rod.state}; one that is lost, broken, "
            "withdrawn or rejected is made once more; nothing was made"
        )
    check_reason(reason, "under “Why” why the rod is made once more")
    asked = {"rods": rod.identifier, "reason": reason}
    name = begin(place, Order.of(place, What.ANEW, (rod.case, visit(request).by), asked))
    return RedirectResponse(address(request, "job", name=name), 303)


def record(request: Request, case: str, rods: tuple[str, ...], what: Told) -> Report:
    """Record what became of rods of a case, as far as the operator may.

    Args:
        rods: Their identifiers, as typed or scanned.

    Raises:
        HTTPException: The case, or a rod, is of another clinic.
        InputError: It is no state, or a rod is not known.
        RefusedError: The role may not do this, or a rule of the trade refuses it.
    """
    own_case(request, case)
    if what.state not in (*map(str, RECORDED), MISTAKEN):
        raise InputError(
            f"what became of the rods is not said; choose {', '.join(map(str, RECORDED))}"
        )
    if what.unreleased and visit(request).role not in OVERRULES:
        raise RefusedError(
            "rods that are not released or not to be worn are handed out by QA alone; leave the "
            "reason for it out; nothing was recorded",
            field="unreleased",
        )
    with workplace(request).act() as ledger, ledger.transaction():
        need_case(ledger, case)
        for each in rods:
            rod = stored_rod(ledger, each)
            of = own_case(request, rod.case)
            if of != case:
                raise InputError(
                    f"the rod {grouped(rod.identifier)} is of the case {of}, not of "
                    f"{case}; record it there; nothing was recorded",
                    field="told.rods",
                )
            if what.state == MISTAKEN and (why := _why_it_stays(
                ledger, find_rod(ledger, each), visit(request)
            )):
                raise RefusedError(f"{why}; nothing was recorded", field="state")
        now = workplace(request).now().astimezone()
        return tell(ledger, rods, what, visit(request).by, now)


def _why_it_stays(reader: Reader, found: FoundRod, who: Visit) -> str:
    """Say why somebody may not take back the last state that was recorded of a rod."""
    rod = found.rod.rod
    last = [
        event for event in reader.current(rod.case, Kind.ROD_STATE)
        if event.body["identifier"] == rod.identifier
    ][-1:]
    shown = f"the rod {grouped(rod.identifier)}"
    if {rod.state, found.told} & set(_DECIDED) and who.role not in OVERRULES:
        return f"{shown} is {rod.state}, and QA alone takes that back"
    if last and last[0].by != who.by and who.role not in CORRECTS:
        return f"{last[0].by} recorded that {shown} is {rod.state}; the lab takes that back"
    return ""
