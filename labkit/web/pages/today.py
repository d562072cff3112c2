"""The start page: what needs doing today."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from labkit.web.asked import today_of, visit, workplace
from labkit.web.jobs.job import STOPPED, every
from labkit.web.pages.proposals import own_waiting
from labkit.web.rights import may
from labkit.web.show import page
from labkit.workflow.record.today import Doing, to_do

router = APIRouter()
#: As many things of a kind stand open; the others behind a fold.
_MOST = 8


@router.get("/", name="today")
def today(request: Request) -> HTMLResponse:
    """Show what needs doing, by what is to be done."""
    place, sees = workplace(request), visit(request).sees
    with place.look() as reader:
        found = [
            each for each in to_do(reader, place.own.instruments, today_of(request))
            if sees(each.case)
        ]
        any_case = any(sees(summary.case) for summary in reader.cases())
    seen = every(place) if may(visit(request).role, "jobs") else []
    at_work = [job for job in seen if sees(job.order.case)]
    by_kind = {doing: [each for each in found if each.doing is doing] for doing in Doing}
    waiting = own_waiting(request) if may(visit(request).role, "proposal_confirmed") else []
    return page(
        request, "today", most=_MOST, by_kind=by_kind, count=len(found), any_case=any_case,
        proposals=waiting,
        jobs=[job for job in at_work if job.at_work or job.state.how in STOPPED][:5],
    )
