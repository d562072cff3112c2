"""Makes in the background: begun, watched, and made again where they were broken off."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from starlette.exceptions import HTTPException

from labkit.errors import RefusedError
from labkit.web.asked import own_case, visit, workplace
from labkit.web.jobs.job import Job, Order, What, begin, every, find
from labkit.web.rights import may
from labkit.web.show import address, page
from labkit.workflow.record.lookup import need_case

router = APIRouter()


@router.get("/jobs", name="jobs")
def jobs(request: Request) -> HTMLResponse:
    """List what is being made, and what was."""
    sees = visit(request).sees
    found = [job for job in every(workplace(request)) if sees(job.order.case)]
    return page(request, "jobs", jobs=found)


@router.get("/jobs/{name}", name="job")
def job(request: Request, name: str) -> HTMLResponse:
    """Show one make."""
    return page(request, "job", job=own_job(request, name))


@router.get("/jobs/{name}/state", name="job_state")
def job_state(request: Request, name: str) -> HTMLResponse:
    """Show how far a make is: what its page asks for again and again."""
    return page(request, "job-line", job=own_job(request, name))


@router.post("/jobs/{name}/again", name="job_again")
def job_again(request: Request, name: str) -> Response:
    """Make again what was refused, broken off or not begun; papers QA too may print again."""
    before = own_job(request, name)
    if not may(visit(request).role, before.asked_at):
        raise HTTPException(403)
    if before.at_work:
        raise RefusedError("it is still being made; wait for its end")
    if before.order.what is What.SCAN:
        raise RefusedError("a scan is sent again from the page on which its set is measured")
    return _watching(request, begun(request, before.order.what, before.order.case, before))


@router.post("/make/{case:path}", name="set_make")
def set_make(request: Request, case: str) -> Response:
    """Make a set from the newest prescription of a case."""
    return _watching(request, begun(request, What.SET, case))


def own_job(request: Request, name: str) -> Job:
    """Give a make of a case that the operator may see.

    Raises:
        HTTPException: It is of another clinic's case.
        InputError: There is no such make.
    """
    job = find(workplace(request), name)
    own_case(request, job.order.case)
    return job


def begun(request: Request, what: What, case: str, before: Job | None = None) -> str:
    """Begin a make in the background; give its name.

    Args:
        before: A make that is made again.

    Raises:
        HTTPException: The case is of another clinic.
        InputError: The record does not know the case.
    """
    place, asked = workplace(request), before.order.asked if before else {}
    with place.look() as reader:
        need_case(reader, own_case(request, case))
    return begin(place, Order.of(place, what, (case, visit(request).by), asked))


def _watching(request: Request, name: str) -> Response:
    return RedirectResponse(address(request, "job", name=name), 303)
