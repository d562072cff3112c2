"""The list of cases, and the page of one."""

from __future__ import annotations

from dataclasses import replace

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from labkit.core.case.rod_life import TRANSITIONS
from labkit.core.grading.prescription import Side
from labkit.web.asked import own_address, own_case, today_of, visit, workplace
from labkit.web.case_facts import CaseFacts, facts_of
from labkit.web.files import files_of
from labkit.web.pages.files import OTHER_RANGE
from labkit.web.pages.proposals import own_waiting
from labkit.web.pages.rods import ONCE_MORE
from labkit.web.rights import OVERRULES
from labkit.web.scale import HEIGHT
from labkit.web.show import address, drawn, page
from labkit.workflow.record.lookup import all_cases, need_case
from labkit.workflow.rods.life import RECORDED

router = APIRouter()
#: Characters of the entries that an act recorded.
_LONGEST_DONE = 21


@router.get("/cases", name="cases")
def cases(request: Request, find: str = "") -> HTMLResponse:
    """List the cases, the last one at work first."""
    sees = visit(request).sees
    with workplace(request).look() as reader:
        lines = [line for line in all_cases(reader) if sees(line.summary.case)]
    wanted = [line for line in lines if find.casefold() in line.summary.case.casefold()]
    wanted.sort(key=lambda line: line.summary.last.seq, reverse=True)
    return page(request, "cases", lines=wanted, find=find, of=len(lines))


@router.get("/since/{entry}/{case:path}", name="case_since")
def case_since(request: Request, case: str, entry: int) -> HTMLResponse:
    """Tell an open page whether somebody has recorded something of the case since."""
    with workplace(request).look() as reader:
        need_case(reader, own_case(request, case))
        last = reader.last(case)
    here, own = own_address(request, request.headers.get("hx-current-url", "")), address(
        request, "case", case=case
    )
    # The page of the case says what was just recorded, which it is not when it is loaded again.
    here = own if not here or here.partition("?")[0] == own else here
    return page(request, "since", case=case, entry=entry, last=last, here=here)


@router.get("/cases/{case:path}", name="case")
def case(request: Request, case: str, done: str = "") -> HTMLResponse:
    """Show a case; after an act, the entries that were recorded, such as 7 or 7-9."""
    with workplace(request).look() as reader:
        facts = facts_of(reader, own_case(request, case), limited=visit(request).limited)
    pairs = [
        replace(row, rods=tuple(replace(rod, drawing=drawn(rod.drawing)) for rod in row.rods))
        for row in facts.pairs
    ]
    return page(
        request, "case", facts=facts, pairs=pairs, height=HEIGHT,
        files={stored.name: files_of(stored) for stored in facts.sets},
        process=workplace(request).own.process_name(), states=RECORDED,
        may_be_told=[state for state, after in TRANSITIONS.items() if after],
        overrules=visit(request).role in OVERRULES,
        today=today_of(request), other_range=OTHER_RANGE, sides=list(map(str, Side)),
        waiting=[sent for sent in own_waiting(request) if case in sent.cases],
        done=_done(facts, done), once_more=ONCE_MORE,
    )


def _done(facts: CaseFacts, done: str) -> tuple[tuple[int, str, str, str, int | None], ...]:
    """Give the entries that an act recorded, the first one first."""
    first, _, last = done.partition("-")
    numbers = [each for each in (first, last or first) if each.isascii() and each.isdigit()]
    if len(numbers) < 2 or len(done) > _LONGEST_DONE:
        return ()
    low, high = map(int, numbers)
    return tuple(event for event in reversed(facts.events) if low <= event[0] <= high)
