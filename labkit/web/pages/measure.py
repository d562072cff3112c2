"""Measuring a set: readings as they are taken, judged at once, recorded together."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from pathlib import PurePath
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from starlette.datastructures import UploadFile

from labkit.core.case.identifier import grouped
from labkit.errors import InputError, LabkitError
from labkit.units import counted, plain
from labkit.web.asked import (
    Told,
    number_of,
    own_case,
    own_rod,
    status_of,
    today_of,
    told,
    visit,
    workplace,
)
from labkit.web.entry_form import blank_lines, common_problems, entry_of, judged_lines
from labkit.web.jobs.job import Order, What, begin
from labkit.web.said import lines_said
from labkit.web.show import address, page
from labkit.workflow.inspection.entry import (
    MOST,
    JudgedEntry,
    Tools,
    judge_entry,
    way_told,
)
from labkit.workflow.inspection.inspect import Inspection, inspect, record_readings, where_is
from labkit.workflow.inspection.inspect_report import inspection_report
from labkit.workflow.record.lookup import need_case, stored_rod

router = APIRouter()
#: Characters of a file's name that the record keeps.
_LONGEST_NAME = 100
#: Field of a scan → what it is, and its least and greatest number.
_OF_SCAN = {
    "temperature_c": ("temperature of the rod, °C", Decimal(5), Decimal(45)),
    "most_u_mm": ("largest standard uncertainty, mm", Decimal("0.001"), Decimal("0.02")),
}
_NONE_YET: Mapping[str, Any] = {
    "again": "", "recorded": "", "sentences": (), "report": None, "common_problems": (),
}
_NOTHING = "nothing is typed yet; type what was read on at least one rod"


@router.get("/measure", name="measure_find")
def find(request: Request, identifier: str = "", case: str = "", of: str = "") -> Response:
    """Find the set of a rod by its bag; a page that measures another set is told about it."""
    if not identifier.strip():
        return page(request, "measure-find")
    with workplace(request).look() as reader:
        try:
            rod = stored_rod(reader, identifier)
        except InputError as error:
            if not case or visit(request).limited:  # its sentence names rods that may be meant
                raise
            return page(request, "measure-other", said=error.message, place="")
        own_case(request, rod.case)
        place = f"{address(request, 'measure', case=rod.case)}?set={rod.first_set}"
        if not case:
            return RedirectResponse(f"{place}#rod-{rod.identifier}", 303)
        need_case(reader, own_case(request, case))
        what = where_is(reader, inspect(reader, case, of or None, (), {}), rod.identifier)
    return page(
        request, "measure-other", said=f"the rod {grouped(rod.identifier)} {what}",
        place=place if rod.case != case or rod.first_set != of else "",
    )


@router.get("/measure/{case:path}", name="measure")
def measure(request: Request, case: str, recorded: int = 0) -> HTMLResponse:
    """Ask for the readings of a set."""
    named = request.query_params.get("set")
    tools = _tools(request)
    with workplace(request).look() as reader:
        found = inspect(reader, own_case(request, case), named, (), tools.instruments)
    first = {"way": str(found.bench.first), "measured_on": str(today_of(request))}
    return _asking(
        request, found, tools, first, lines=blank_lines(found),
        recorded=f"Recorded: {counted(recorded, 'rod')}." if recorded > 0 else "",
    )


@router.post("/measure-judged/{case:path}", name="measure_judged")
def judged(request: Request, case: str) -> HTMLResponse:
    """Say at once what is proved by what is typed; nothing is recorded."""
    about, entry = _about(request, case), entry_of(told(request))
    try:
        with workplace(request).look() as reader:
            found = judge_entry(reader, about, entry, _tools(request), today_of(request))
    except LabkitError as error:
        return page(request, "measure-stopped", sentences=lines_said(error))
    return page(request, "measure-judged", lines=judged_lines(found, entry), **_of(found))


@router.post("/measure/{case:path}", name="measure_recorded")
def recorded(request: Request, case: str) -> Response:
    """Record what is typed: all of it, or nothing, and then the page comes back as it was."""
    about, form, place = _about(request, case), told(request), workplace(request)
    tools, today, by = _tools(request), today_of(request), visit(request).by
    entry = entry_of(form)
    with place.act() as ledger:
        found = judge_entry(ledger, about, entry, tools, today)
        try:
            _require_readable(found)
            record_readings(
                ledger, found.inspection, found.rods, (by, place.now()), form("again") or None,
                place.own.profile_named(),
            )
        except LabkitError as error:
            refused = error
        else:
            to = f"{address(request, 'measure', case=case)}?set={found.inspection.stored.name}"
            return RedirectResponse(f"{to}&recorded={len(found.rods)}", 303)
    lines = judged_lines(found, entry)
    return _asking(
        request, found.inspection, tools, entry.common, lines=lines, again=form("again"),
        sentences=lines_said(refused), **_of(found),
        status=status_of(refused),
    )


@router.post("/scan/{case:path}", name="scan_measured")
def scan_measured(request: Request, case: str) -> Response:
    """Take the scan of a rod and measure it in the background."""
    form, place = told(request), workplace(request)
    about = (own_case(request, case), visit(request).by)
    sent, again = form.form.get("scan"), form("again")
    with place.look() as reader:
        rod = own_rod(request, reader, case, form("rod"))
    if not isinstance(sent, UploadFile) or not sent.filename:
        raise InputError("no scan was sent; choose its file, an STL, PLY, OBJ or 3MF")
    asked = {
        **_numbers(form), "rod": rod.identifier, "instrument": form("instrument"), "again": again,
        "file": sent.filename.rpartition("/")[2][:_LONGEST_NAME],
    }
    scan = sent.file, PurePath(sent.filename).suffix
    name = begin(place, Order.of(place, What.SCAN, about, asked), scan)
    return RedirectResponse(address(request, "job", name=name), 303)


def _numbers(form: Told) -> dict[str, str]:
    """Read what a form tells of a scan in numbers, written as the command takes them."""
    found = {name: number_of(form(name), *about) for name, about in _OF_SCAN.items()}
    return {name: plain(number) for name, number in found.items() if number is not None}


def _require_readable(found: JudgedEntry) -> None:
    if found.wrong:
        rods = ", ".join(map(grouped, found.wrong))
        raise InputError(f"look again at what is typed of {rods}; nothing was recorded")
    if not found.rods:
        raise InputError(f"{_NOTHING}; nothing was recorded")


def _asking(
    request: Request, found: Inspection, tools: Tools, common: Mapping[str, str], *,
    status: int = 200, **facts: Any,
) -> HTMLResponse:
    facts = {**_NONE_YET, **facts}
    return page(
        request, "measure", status, found=found, tools=tools, common=common, most=MOST,
        ways={str(way.method): way_told(way) for way in found.bench.ways},
        on_record=any(line.on_record for line in facts["lines"]), today=today_of(request), **facts,
    )


def _of(found: JudgedEntry) -> dict[str, Any]:
    report = inspection_report(found.inspection, found.rods, {}, None) if found.rods else None
    return {"report": report, "common_problems": common_problems(found)}


def _about(request: Request, case: str) -> tuple[str, str | None]:
    return own_case(request, case), told(request)("set") or None


def _tools(request: Request) -> Tools:
    return Tools.of(workplace(request).own.instruments)
