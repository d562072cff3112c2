"""Files of sets: to be saved, or a paper to be read within the page."""

from __future__ import annotations

from pathlib import PurePosixPath

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from starlette.exceptions import HTTPException

from labkit.catalog.profiles import default_profile
from labkit.errors import RefusedError
from labkit.ledger.stored import StoredSet
from labkit.web.asked import own_case, refuse_stale, told, visit, workplace
from labkit.web.case_facts import recalled_in
from labkit.web.files import SHOWN, TYPES, files_of, read_file, zipped
from labkit.web.guard import POLICY_OF_A_PAPER
from labkit.web.jobs.job import Order, What, begin
from labkit.web.show import address, page
from labkit.workflow.record.lookup import need_case
from labkit.workflow.record.printed import note_sheet
from labkit.workflow.record.recorder import Recorder
from labkit.workflow.record.sheet import sheet_pdf, sheet_report
from labkit.workflow.record.standing import standing_of_case

router = APIRouter()
#: Papers tell another range than the one that holds now.
OTHER_RANGE = "papers_of_another_range"


@router.get("/sets/{name}/files/{file:path}", name="set_file")
def set_file(request: Request, name: str, file: str) -> Response:
    """Give one file of a set; papers and pictures open, the rest is saved."""
    content = read_file(_set(request, name), file)
    path = PurePosixPath(file)
    answer = Response(content, media_type=TYPES.get(path.suffix, "application/octet-stream"))
    if path.suffix not in SHOWN:
        answer.headers["Content-Disposition"] = f'attachment; filename="{path.name}"'
    return _shown_paper(answer) if path.suffix == ".pdf" else answer


@router.get("/sheet/{case:path}", name="sheet_today")
def sheet_today(request: Request, case: str) -> Response:
    """Give the case sheet of today as a paper; nothing is recorded."""
    place = workplace(request)
    with place.look() as reader:
        need_case(reader, own_case(request, case))
        report = sheet_report(standing_of_case(reader, case))
    profile = place.own.profile_named() or default_profile()
    return _shown_paper(Response(sheet_pdf(report, profile), media_type=TYPES[".pdf"]))


@router.post("/sheet/{case:path}", name="sheet_printed")
def sheet_printed(request: Request, case: str) -> Response:
    """Record that the case sheet of today is printed, so that a recall names it."""
    place, form = workplace(request), told(request)
    own_case(request, case)
    with place.act() as ledger, ledger.transaction():
        need_case(ledger, case)
        refuse_stale(ledger, case, form("entry"))
        recorder = Recorder(ledger, visit(request).by, place.now, lambda _: None)
        note_sheet(recorder, standing_of_case(ledger, case))
        entry = ledger.last(case).seq
    return RedirectResponse(f"{address(request, 'case', case=case)}?done={entry}", 303)


@router.post("/sets/{name}/papers", name="papers_printed")
def papers_printed(request: Request, name: str) -> Response:
    """Print the papers of a set again in the background, as they are today."""
    place, stored = workplace(request), _set(request, name)
    if problem := files_of(stored).problem:
        raise RefusedError(f"the papers of {name} cannot be printed again: {problem}")
    order = Order.of(place, What.PAPERS, (stored.case, visit(request).by), {"set": stored.name})
    return RedirectResponse(address(request, "job", name=begin(place, order)), 303)


@router.get("/sets/{name}/all.zip", name="set_zip")
def set_zip(request: Request, name: str) -> Response:
    """Give a whole set in one file."""
    stored = _set(request, name)
    answer = Response(zipped(stored), media_type="application/zip")
    answer.headers["Content-Disposition"] = f'attachment; filename="{stored.name}.zip"'
    return answer


@router.get("/sets/{name}/paper/{file:path}", name="paper")
def paper(request: Request, name: str, file: str) -> HTMLResponse:
    """Show a paper of a set within a page."""
    stored = _set(request, name)
    read_file(stored, file)
    with workplace(request).look() as reader:
        stale = [each for each in recalled_in(reader, stored.case) if each.reason == OTHER_RANGE]
    return page(request, "paper", stored=stored, file=file, stale=stale)


def _set(request: Request, name: str) -> StoredSet:
    with workplace(request).look() as reader:
        stored = reader.set_named(name)
    if stored is None:
        raise HTTPException(404)
    own_case(request, stored.case)
    return stored


def _shown_paper(answer: Response) -> Response:
    """Let a paper stand within a page of ours."""
    answer.headers["Content-Security-Policy"] = POLICY_OF_A_PAPER
    answer.headers["X-Frame-Options"] = "SAMEORIGIN"
    return answer
