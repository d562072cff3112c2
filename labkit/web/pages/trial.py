"""The trial fit: what was seen as pictures, what it would mean, and the prescriber's decision."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from labkit.core.case.rod_life import IN_CIRCULATION, RodState
from labkit.core.grading.prescription import Side
from labkit.core.report import Report
from labkit.errors import InputError, LabkitError, RefusedError
from labkit.ledger.queries import Reader
from labkit.ledger.stored import StoredRod
from labkit.web.asked import own_case, refuse_stale, today_of, told, visit, workplace
from labkit.web.asked_trial import CORRECTS, FIELDS, is_whole, read_otherwise, seen_of, told_by
from labkit.web.drawings import rods_of
from labkit.web.print_report import ShownSection, report_facts
from labkit.web.said import as_said
from labkit.web.scale import HEIGHT
from labkit.web.show import address, page
from labkit.web.trial_pictures import SideShown, scale_after, side_shown
from labkit.workflow.record.lookup import need_case
from labkit.workflow.record.standing import standing_of_case
from labkit.workflow.record.story import told as told_event
from labkit.workflow.rods.trial import Trial, propose
from labkit.workflow.rods.trial_accept import accept
from labkit.workflow.rods.trial_days import counted_trials
from labkit.workflow.rods.trial_report import trial_report
from labkit.workflow.rods.trial_rods import tried_first
from labkit.workflow.rods.trial_withdraw import withdraw_trial
from labkit.workflow.sets.stored_case import StoredCase, read_case

router = APIRouter()


@dataclass(frozen=True)
class _Counted:
    """An accepted trial fit that counts."""

    entry: int
    by: str
    words: str


@router.get("/trial/{case:path}", name="trial")
def trial(request: Request, case: str) -> HTMLResponse:
    """Show what a trial fit would mean; nothing is recorded."""
    place, asked = workplace(request), told_by(request.query_params)
    own_case(request, case)
    with place.look() as reader, reader.snapshot():
        need_case(reader, case)
        sides, problem = _sides(reader, case, asked)
        # Nobody has to choose the rods that the page shows as tried.
        asked = {**{str(one.side): one.chosen.identifier for one in sides}, **asked}
        looked: Trial | None = None
        read: tuple[str, ...] = ()
        if sides and is_whole(asked):
            looked, problem = _looked(request, reader, case, asked)
            read = read_otherwise(asked, looked.seen) if looked else ()
        entry = reader.last(case).seq
        counted = [
            _Counted(event.seq, event.by, told_event(event))
            for event in counted_trials(reader, case)
        ]
    proposal = looked.outcome.proposal if looked else None
    report = trial_report(looked) if looked else None
    return page(
        request, "trial", case=case, asked=asked, sides=sides,
        problem=[as_said(each) for each in problem], looked=looked, read=read,
        report=report, meaning=_meaning(report) if report else (), proposal=proposal, fields=FIELDS,
        scale=scale_after(proposal) if proposal else None, height=HEIGHT,
        entry=entry, counted=counted, corrects=CORRECTS, today=today_of(request),
    )


@router.post("/trial/{case:path}", name="trial_accept")
def trial_accept(request: Request, case: str) -> Response:
    """Record what was shown, and that the prescriber accepts it."""
    form, place = told(request), workplace(request)
    own_case(request, case)
    seen, now = seen_of(told_by(form.form)), place.now().astimezone()
    with place.act() as ledger, ledger.transaction():
        need_case(ledger, case)
        refuse_stale(ledger, case, form("entry"))
        accepted = accept(ledger, case, seen, visit(request).by, now, form("note"))
        if accepted.entry is None:
            sentences = (finding.message for finding in accepted.outcome.refused)
            raise RefusedError("\n".join((*sentences, "nothing was recorded")))
    # Beside the trial fit its acceptance is recorded, and the revision where there is one.
    return _done(request, case, f"{accepted.entry}-{accepted.entry + 1 + bool(accepted.text)}")


@router.post("/trial-withdrawn/{case:path}", name="trial_withdraw")
def trial_withdraw(request: Request, case: str) -> Response:
    """Record that an accepted trial fit does not count any more."""
    form, place = told(request), workplace(request)
    own_case(request, case)
    entry = form("trial")
    if not (entry.isascii() and entry.isdigit() and len(entry) < 10):
        raise InputError("it is not said which trial fit is withdrawn; choose one from the list")
    with place.act() as ledger:
        who = visit(request).by, place.now().astimezone()
        report = withdraw_trial(ledger, case, int(entry), form("reason"), who)
    return _done(request, case, str(report.data["withdrawn"]))


def _meaning(report: Report) -> tuple[ShownSection, ...]:
    """Give a trial fit's report without its answer, which stands above all else."""
    first, *rest = report_facts(report) or (None,)
    if first is None:
        return ()
    words = tuple(each for each in first.words if each != report.data["answer"])
    return (replace(first, words=words), *rest)


def _done(request: Request, case: str, entry: str) -> Response:
    """Go on to the case as it is now, which says what was recorded."""
    return RedirectResponse(f"{address(request, 'case', case=case)}?done={entry}", 303)


def _sides(
    reader: Reader, case: str, asked: Mapping[str, str]
) -> tuple[tuple[SideShown, ...], Iterable[str]]:
    """Put both sides together; empty, with why, where no trial fit can be told."""
    try:
        stored = read_case(reader, case)
    except LabkitError as error:
        return (), str(error).splitlines()
    first, drawings = tried_first(stored), rods_of(reader.sets(case))
    struck = {
        rod.identifier for pair in standing_of_case(reader, case, steps=False).pairs
        if pair.not_to_be_worn for rod in pair.rods.values()
    }
    found = [
        side_shown(side, {
            rod.identifier: (rod, drawings.get(rod.identifier)) for rod in _to_try(stored, side)
        }, asked, first.get(side, ""), struck)
        for side in Side
    ]
    sides = tuple(side for side in found if side is not None)
    if len(sides) < len(Side):
        return (), ("No rod is in circulation on the left or the right, so none can be tried.",)
    return sides, ()


def _to_try(stored: StoredCase, side: Side) -> list[StoredRod]:
    rods = [
        rod for rod in stored.rods
        if rod.side == side and rod.state in IN_CIRCULATION and rod.state != RodState.RESERVED
    ]
    return sorted(rods, key=lambda rod: -rod.length_um)


def _looked(
    request: Request, reader: Reader, case: str, asked: Mapping[str, str]
) -> tuple[Trial | None, Iterable[str]]:
    """Work out what was seen; what refuses it is told on the page."""
    try:
        looked = propose(reader, case, seen_of(asked), workplace(request).now().astimezone())
    except LabkitError as error:
        return None, str(error).splitlines()
    return looked, tuple(finding.message for finding in looked.outcome.refused)
