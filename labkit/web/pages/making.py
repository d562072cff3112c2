"""Makes in the background: begun, watched, and made again where they were broken off."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from labkit.errors import RefusedError
from labkit.web.asked import own_case, visit, workplace
from labkit.web.jobs.job import Job, Order, What, begin, every, find
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
    return page(request, "job", job=_own(request, name))


@router.get("/jobs/{name}/state", name="job_state")
def job_state(request: Request, name: str) -> HTMLResponse:
    """Show how far a make is: what its page asks for again and again."""
    return page(request, "job-line", job=_own(request, name))


@router.post("/jobs/{name}/again", name="job_again")
def job_again(request: Request, name: str) -> Response:
    """Make again what was refused or broken off."""
    before = _own(request, name)
    if before.at_work:
        raise RefusedError("it is still being made; wait for its end")
    return _begun(request, before.order.what, before.order.case, before)


@router.post("/make/{case:path}", name="set_make")
def set_make(request: Request, case: str) -> Response:
    """Make a set from the newest prescription of a case."""
    with workplace(request).look() as reader:
        need_case(reader, own_case(request, case))
    return _begun(request, What.SET, case, None)


def _own(request: Request, name: str) -> Job:
    job = find(workplace(request), name)
    own_case(request, job.order.case)
    return job


def _begun(request: Request, what: What, case: str, before: Job | None) -> Response:
    place, asked = workplace(request), before.order.asked if before else {}
    name = begin(place, Order.of(place, what, (case, visit(request).by), asked))
    return RedirectResponse(address(request, "job", name=name), 303)
