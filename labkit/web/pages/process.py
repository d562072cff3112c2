"""How rods come out: chart and capability, gauge study, calibration, rejects, lots, instruments."""

from __future__ import annotations

import base64
import datetime
from collections.abc import Mapping
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse
from starlette.datastructures import UploadFile

from labkit.catalog.causes import causes
from labkit.catalog.instruments import gauge_pins, instruments
from labkit.catalog.processes import processes
from labkit.catalog.rods import rod_templates
from labkit.core.gauging.ways_of_measuring import Method
from labkit.documents.instrument_report import Tool, instrument_report
from labkit.errors import InputError, LabkitError
from labkit.web.asked import Told, day_of, status_of, today_of, told, visit, workplace
from labkit.web.guard import MOST_BYTES
from labkit.web.said import lines_said
from labkit.web.show import page
from labkit.workflow.process.data import Selection
from labkit.workflow.process.looks import (
    Look,
    TableSent,
    calibration_look,
    drifting,
    gauge_asked,
    gauge_look,
    lots_of,
    lots_report,
    names_known,
    process_look,
    record_sample,
)
from labkit.workflow.process.rejects import rejects_report

router = APIRouter()
#: Fields of a calibration that hold one text.
_WORDS = ("process_name", "name", "day", "way", "template_name", "tolerance", "reason")


@router.get("/process", name="process")
def process(request: Request) -> HTMLResponse:
    """Show what is known of the processes, the lots and the instruments."""
    place, today = workplace(request), today_of(request)
    own = place.own
    with place.look() as reader:
        lots = lots_of(reader)
        drift = drifting(reader, processes(own.processes))
        rejects = rejects_report(reader, causes())
    tools: list[Tool] = [
        *instruments(own.instruments).values(), *gauge_pins(own.instruments).values()
    ]
    tools.sort(key=lambda tool: (tool.calibration_due or datetime.date.max, tool.name))
    return page(
        request, "process", known=names_known(lots), lots=lots_report(lots), drift=drift,
        rejects=rejects, tools=[(tool, instrument_report(tool, today)) for tool in tools],
        today=today, asked={},
    )


@router.get("/process/look", name="process_look")
def look(request: Request) -> HTMLResponse:
    """Chart the values of rods, or report what the process can do."""
    asked = {name: text.strip() for name, text in request.query_params.items() if text.strip()}
    sentences: tuple[str, ...] = ()
    report = None
    with workplace(request).look() as reader:
        known = names_known(lots_of(reader))
        try:
            sample = record_sample(reader, _selection(asked), asked.get("subgroup"))
            report = process_look(
                sample, _look(asked), today_of(request), all_rules="all_rules" in asked
            )
        except LabkitError as error:
            sentences = lines_said(error)
    return page(
        request, "process-look", known=known, asked=asked, report=report,
        sentences=sentences,
    )


@router.get("/process/gauge-study", name="gauge_study")
def gauge_study(request: Request) -> HTMLResponse:
    """Ask for the table of a gauge study."""
    return page(request, "gauge-study", typed={}, report=None, sentences=())


@router.post("/process/gauge-study", name="gauge_studied")
def gauge_studied(request: Request) -> HTMLResponse:
    """Study a gauge by the table that was sent; nothing is recorded."""
    form = told(request)
    typed = {"tolerance": form("tolerance")}
    try:
        tables = _table(form, "readings"), _table(form, "bias")
        if not any(tables):
            raise InputError("no table was sent; choose the file of a study, or of a bias study")
        asked = gauge_asked(typed["tolerance"].replace(",", "."))
        report = gauge_look(*tables, asked, today_of(request))
    except LabkitError as error:
        return page(
            request, "gauge-study", status_of(error), typed=typed, report=None,
            sentences=lines_said(error),
        )
    return page(request, "gauge-study", typed=typed, report=report, sentences=())


@router.get("/process/calibration", name="calibration")
def calibration(request: Request) -> HTMLResponse:
    """Ask for the coupons of a calibration."""
    return _calibrating(request, {"day": str(today_of(request))})


@router.post("/process/calibration", name="calibrated")
def calibrated(request: Request) -> HTMLResponse:
    """Calibrate a process by the coupons that were sent, and give the process file."""
    form, own = told(request), workplace(request).own
    typed = {name: form(name) for name in (*_WORDS, "instrument_name", "keep", "leave_out")}
    asked: dict[str, Any] = {
        **typed, "by": visit(request).by, "process_places": own.processes,
        "template_places": own.templates, "instrument_places": own.instruments,
        "tolerance": typed["tolerance"].replace(",", ".") or None,
        **{name: _listed(typed[name]) for name in ("keep", "leave_out")},
    }
    try:
        coupons = _table(form, "coupons")
        if coupons is None:
            raise InputError("no table of coupons was sent; choose its file")
        report, text = calibration_look(coupons, asked)
    except LabkitError as error:
        return _calibrating(request, typed, status_of(error), sentences=lines_said(error))
    file = f"data:application/toml;base64,{base64.b64encode(text.encode()).decode()}"
    return _calibrating(request, typed, report=report, file=file, text=text)


def _calibrating(
    request: Request, typed: Mapping[str, str], status: int = 200, **facts: Any
) -> HTMLResponse:
    own = workplace(request).own
    given = {"report": None, "sentences": (), "file": "", "text": "", **facts}
    return page(
        request, "calibration", status, typed=typed, ways=list(map(str, Method)),
        processes=processes(own.processes), templates=rod_templates(own.templates),
        instruments=instruments(own.instruments), today=today_of(request), **given,
    )


def _selection(asked: Mapping[str, str]) -> Selection:
    return Selection(
        process=asked.get("process"), machine=asked.get("machine"),
        material=asked.get("material"), lot=asked.get("lot"), template=asked.get("template"),
        side=asked.get("side"),
        since=day_of(asked.get("since", "")), until=day_of(asked.get("until", "")),
    )


def _look(asked: Mapping[str, str]) -> Look:
    try:
        return Look(asked.get("look", Look.CHART))
    except ValueError as error:
        raise InputError(f"there are {' and '.join(Look)} to look at; choose one") from error


def _table(form: Told, name: str) -> TableSent | None:
    """Give a table that was sent; None where none was chosen."""
    sent = form.form.get(name)
    if not isinstance(sent, UploadFile) or not sent.filename:
        return None
    return TableSent(sent.filename.rpartition("/")[2], sent.file.read(MOST_BYTES))


def _listed(text: str) -> tuple[str, ...]:
    return tuple(word.strip() for word in text.split(",") if word.strip())
