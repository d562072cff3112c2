"""The inspection of a set: what is decided, what becomes of rods, release and certificate."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from labkit.catalog.causes import causes, told_cause
from labkit.core.case.rod_life import RodState
from labkit.errors import InputError, LabkitError
from labkit.ledger.events import Who
from labkit.ledger.store import Ledger
from labkit.web.asked import Told, day_of, own_case, own_rod, status_of, told, visit, workplace
from labkit.web.jobs.job import Order, What, begin
from labkit.web.said import as_said, lines_said
from labkit.web.show import address, page
from labkit.workflow.inspection.certificate import certificate_name, certificate_pdf, certified
from labkit.workflow.inspection.inspect import Inspection, inspect
from labkit.workflow.inspection.inspect_report import inspection_report
from labkit.workflow.inspection.lots import Lot
from labkit.workflow.inspection.questions import spans
from labkit.workflow.inspection.release import Words, before_release, release, withhold
from labkit.workflow.inspection.release_state import release_now, told_now
from labkit.workflow.inspection.use_as_is import Accepted, use_as_is, withdraw
from labkit.workflow.rods import life

router = APIRouter()


@dataclass(frozen=True)
class Done:
    """What became of it.

    Args:
        to: The page to go on with; "" for this one.
        notes: What to know of it.
    """

    to: str = ""
    notes: tuple[str, ...] = ()


@router.get("/inspection/{case:path}", name="inspection")
def inspection(request: Request, case: str) -> HTMLResponse:
    """Show what readings prove of a set, and what a release lacks."""
    own_case(request, case)
    return _shown(request, case, request.query_params.get("set"), {})


@router.post("/reject/{case:path}", name="rods_rejected")
def rods_rejected(request: Request, case: str) -> Response:
    """Reject the ticked rods; where that is asked, each is made once more in the background."""
    return _acted(request, case, _reject)


@router.post("/use-as-is/{case:path}", name="rod_measured_used_as_is")
def used(request: Request, case: str) -> Response:
    """Record that a rod is used as it is although it does not conform, or take that back."""
    return _acted(request, case, _use)


@router.post("/release/{case:path}", name="set_release")
def released(request: Request, case: str) -> Response:
    """Release a set, or say what is missing."""
    return _acted(request, case, _release)


@router.post("/withhold/{case:path}", name="set_release_withheld")
def withheld(request: Request, case: str) -> Response:
    """Record that a set must not leave, or must come back."""
    return _acted(request, case, _withhold)


@router.get("/certificate/{case:path}", name="certificate")
def certificate(request: Request, case: str, entry: int | None = None) -> Response:
    """Give the certificate of a release, as the record prints it."""
    own_case(request, case)
    with workplace(request).look() as reader:
        found = certified(reader, case, request.query_params.get("set"), entry)
        content = certificate_pdf(reader, *found)
    answer = Response(content, media_type="application/pdf")
    name = quote(certificate_name(*found))
    answer.headers["Content-Disposition"] = f"attachment; filename*=UTF-8''{name}"
    return answer


def _acted(
    request: Request, case: str, act: Callable[[Request, Ledger, str, Who], Done]
) -> Response:
    """Do one thing; where it is refused, the page comes back with what was typed."""
    form, place = told(request), workplace(request)
    who = (visit(request).by, place.now())
    own_case(request, case)
    try:
        with place.act() as ledger:
            done = act(request, ledger, case, who)
    except LabkitError as error:
        return _shown(request, case, form("set") or None, _typed(form), error)
    if done.notes:
        return _shown(request, case, form("set") or None, {}, notes=done.notes)
    here = f"{address(request, 'inspection', case=case)}?{urlencode({'set': form('set')})}"
    return RedirectResponse(done.to or here, 303)


def _typed(form: Told) -> dict[str, Any]:
    return {name: form.all(name) for name in form.form if name != "token"}


def _reject(request: Request, ledger: Ledger, case: str, who: Who) -> Done:
    form = told(request)
    rods, note = form.all("rod"), form("note")
    if not rods:
        raise InputError("no rod is ticked; tick those that are rejected")
    for each in rods:
        own_rod(request, ledger, case, each)
    cause = told_cause(form("cause"), note)
    if form("anew"):
        asked = {"rods": " ".join(rods), "reason": note or causes()[cause].words, "cause": cause}
        order = Order.of(workplace(request), What.ANEW, (case, who[0]), asked)
        return Done(address(request, "job", name=begin(workplace(request), order)))
    what = life.Told(RodState.REJECTED, note, cause=cause)
    with ledger.transaction():
        life.tell(ledger, rods, what, who[0], who[1].astimezone())
    return Done()


def _use(request: Request, ledger: Ledger, case: str, who: Who) -> Done:
    form = told(request)
    rod = own_rod(request, ledger, case, form("rod"))
    if form("back"):
        withdraw(ledger, rod.identifier, form("reason"), who)
    else:
        accepted = Accepted(form("reason"), form("prescriber"))
        profile = workplace(request).own.profile_named()
        use_as_is(ledger, rod.identifier, accepted, who, profile)
    return Done()


def _release(request: Request, ledger: Ledger, case: str, who: Who) -> Done:
    form, place = told(request), workplace(request)
    answers = {
        int(entry): text
        for entries, text in zip(form.all("entries"), form.all("answer"), strict=False) if text
        for entry in entries.split() if entry.isascii() and entry.isdigit() and len(entry) <= 9
    }
    words = Words(
        form("note"), place.own.profile_named(), answers,
        Lot(form("lot"), day_of(form("use_before"))),
    )
    return Done(notes=release(ledger, case, form("set") or None, None, who, words).notes)


def _withhold(request: Request, ledger: Ledger, case: str, who: Who) -> Done:
    form = told(request)
    withhold(ledger, case, form("set") or None, form("reason"), who)
    return Done()


def _shown(
    request: Request, case: str, name: str | None, typed: Mapping[str, Any],
    refused: LabkitError | None = None, notes: tuple[str, ...] = (),
) -> HTMLResponse:
    place, by = workplace(request), visit(request).by
    words = Words(profile=place.own.profile_named())
    with place.look() as reader:
        found = inspect(reader, case, name, (), {})
        now = release_now(reader, found.stored)
        missing, questions = before_release(reader, found, by, words)
    status = 200 if refused is None else status_of(refused)
    return page(
        request, "inspection", status, found=found, now=now, typed=typed,
        missing=list(map(as_said, missing)), told_now=as_said(told_now(now)) if now else "",
        report=inspection_report(found, (), {}, None),
        questions=[
            (" ".join(map(str, each.entries)), spans(each.entries), each) for each in questions
        ],
        causes=causes().values(), rods=_rods(found),
        sentences=lines_said(refused) if refused else (),
        notes=list(map(as_said, notes)),
    )


def _rods(found: Inspection) -> tuple[tuple[str, str, str, bool], ...]:
    """Give the rods that fill places: identifier, name, result, whether one asks what to do."""
    results = {rod.identifier: str(rod.result) for rod in found.decision.rods}
    return tuple(
        (
            slot.rod.identifier, f"{slot.rod.label} {slot.side}, step {slot.step}",
            results.get(slot.rod.identifier, "not measured"),
            slot.rod.identifier in found.decision.held and slot.rod.identifier not in found.as_is,
        )
        for slot in found.slots if slot.filled
    )
