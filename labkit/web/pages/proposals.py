"""What clinics sent: taken in as a proposal, shown on what holds now, confirmed by a technician."""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import ExitStack

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from starlette.datastructures import UploadFile

from labkit.errors import InputError, LabkitError
from labkit.ledger.queries import Reader
from labkit.web.asked import own_case, refuse_stale, told, visit, workplace
from labkit.web.inbox import (
    CONFIRMED,
    SET_ASIDE,
    Sent,
    decide,
    decided,
    deciding,
    find,
    keep,
    name_of,
    raw_of,
    refuse_decided,
    waiting,
)
from labkit.web.said import as_said
from labkit.web.sent_in import Shown, begin_makes, confirm, look, places_kept
from labkit.web.show import address, page

router = APIRouter()


@router.get("/proposals", name="proposals")
def proposals(request: Request) -> HTMLResponse:
    """List what waits and what was decided last, and take a file in."""
    last = _own(request, decided(workplace(request)))
    return page(request, "proposals", waiting=own_waiting(request), decided=last)


@router.post("/proposals", name="proposal_sent")
def proposal_sent(request: Request) -> Response:
    """Take in what a clinic sent; nothing is recorded."""
    place, sent = workplace(request), told(request).form.get("file")
    if not isinstance(sent, UploadFile) or not sent.filename:
        raise InputError("no file is chosen; choose what a clinic's sheet saved, or a table")
    raw, table = sent.file.read(), sent.filename.casefold().endswith(".csv")
    with place.look() as reader:
        shown = look(place, reader, raw, table=table)
    for case in shown.cases:
        own_case(request, case)
    name = name_of(raw)
    by, at = visit(request).by, place.now().isoformat(timespec="seconds")
    keep(place, Sent(name, shown.cases, shown.about, table, by, at), raw)
    return RedirectResponse(address(request, "proposal", name=name), 303)


@router.get("/proposals/{name}", name="proposal")
def proposal(request: Request, name: str) -> HTMLResponse:
    """Show what would be done, worked out on what holds now."""
    place, sent = workplace(request), _sent(request, name)
    with place.look() as reader:
        shown, problem = (None, ()) if sent.decided else _looked(request, reader, sent)
        entries = _entries(reader, sent)
        known = [case for case in sent.cases if reader.has_case(case)]
    return page(
        request, "proposal", sent=sent, shown=shown, entries=entries, known=known,
        problem=list(map(as_said, problem)),
    )


@router.post("/proposals/{name}", name="proposal_confirmed")
def proposal_confirmed(request: Request, name: str) -> Response:
    """Do what was shown; a technician's act."""
    place, by = workplace(request), visit(request).by
    with deciding(place, _sent(request, name)), ExitStack() as kept:
        sent = _sent(request, name)
        refuse_decided(sent)
        entries = dict(zip(sent.cases, told(request)("entries").split(), strict=False))
        with place.act() as ledger, ledger.transaction():
            for case in sent.cases:
                if ledger.has_case(case):
                    refuse_stale(ledger, case, entries.get(case, ""))
            shown = look(place, ledger, raw_of(place, sent), table=sent.table)
            confirm(place, ledger, shown, by)
            kept.enter_context(places_kept(place, shown))  # the last thing that can be refused
        # Decided before anything else can fail: what is on record is not confirmed once more.
        decide(place, sent, CONFIRMED, by)
        jobs = begin_makes(place, shown, by)
    if jobs:
        return RedirectResponse(address(request, "job", name=jobs[0]), 303)
    if len(sent.cases) == 1:
        return RedirectResponse(address(request, "case", case=sent.cases[0]), 303)
    return RedirectResponse(address(request, "cases"), 303)


@router.post("/proposals/{name}/aside", name="proposal_aside")
def proposal_aside(request: Request, name: str) -> Response:
    """Set a proposal aside: it is not to be done."""
    place = workplace(request)
    with deciding(place, _sent(request, name)):
        sent = _sent(request, name)
        refuse_decided(sent)
        decide(place, sent, SET_ASIDE, visit(request).by)
    return RedirectResponse(address(request, "proposals"), 303)


def own_waiting(request: Request) -> list[Sent]:
    """Give what waits, of the cases that the operator sees."""
    return _own(request, waiting(workplace(request)))


def _own(request: Request, found: Iterable[Sent]) -> list[Sent]:
    sees = visit(request).sees
    return [sent for sent in found if all(map(sees, sent.cases))]


def _sent(request: Request, name: str) -> Sent:
    sent = find(workplace(request), name)
    for case in sent.cases:
        own_case(request, case)
    return sent


def _entries(reader: Reader, sent: Sent) -> str:
    """Give the last entry of each case, so that nothing is confirmed on what has changed."""
    return " ".join(
        str(reader.last(case).seq) if reader.has_case(case) else "0" for case in sent.cases
    )


def _looked(request: Request, reader: Reader, sent: Sent) -> tuple[Shown | None, Iterable[str]]:
    """Work a proposal out; what refuses it by now is told on its page."""
    place = workplace(request)
    try:
        shown = look(place, reader, raw_of(place, sent), table=sent.table)
    except LabkitError as error:
        return None, str(error).splitlines()
    return shown, shown.refused
