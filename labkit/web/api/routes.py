"""What programs can ask: the reports' own JSON, what is made, and what becomes of rods."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request
from fastapi.openapi.utils import get_openapi
from fastapi.responses import JSONResponse, Response
from fastapi.routing import APIRoute

import labkit
from labkit.catalog.toml_source import parse_toml
from labkit.core.case.identifier import grouped
from labkit.core.clinic import ClinicFile, PrescriptionTold
from labkit.core.form.json_schema import file_schema
from labkit.errors import InputError, InputErrors, RefusedError
from labkit.ledger.events import checked_operator
from labkit.ledger.identity import identity_of
from labkit.ledger.stored import StoredPrescription
from labkit.web.api.asks import AskedLengths, AskedPrescription, AskedReadings, AskedRods
from labkit.web.api.speak import (
    PLACE,
    answer,
    code_and_passphrase,
    errors,
    sent,
    token_of,
    told_at,
)
from labkit.web.asked import own_case, visit, workplace
from labkit.web.jobs.job import Job, What, every, find
from labkit.web.pages.making import begun, own_job
from labkit.web.pages.rods import record
from labkit.web.pages.signing_in import account_of
from labkit.web.rights import Role
from labkit.web.worked_out import ONE_AT_A_TIME, templates_of
from labkit.workflow.inspection.entry import Tools, judge_entry
from labkit.workflow.inspection.inspect import record_readings
from labkit.workflow.inspection.inspect_report import inspection_report
from labkit.workflow.intake.file import read_clinic_file
from labkit.workflow.intake.means import Lab
from labkit.workflow.intake.prescribed import looked_at, source_of
from labkit.workflow.intake.proposal import Proposal, propose_intake, propose_prescription
from labkit.workflow.record.lookup import all_cases, case_story, find_rod, need_case
from labkit.workflow.record.prescribe import record_first, record_prescription
from labkit.workflow.record.reports import cases_report, rod_report, story_report
from labkit.workflow.record.sheet import sheet_report
from labkit.workflow.record.standing import standing_of_case
from labkit.workflow.rods.life import Told
from labkit.workflow.sets.cases import open_case
from labkit.workflow.sets.lengths_report import lengths_report

router = APIRouter()


@told_at(router, "POST /api/token", {"token": "string", "by": "string", "role": "string"})
def api_token(request: Request) -> Response:
    """Sign in (Basic: operator code and passphrase); the token is for `Authorization: Bearer`.

    It ends as a visit in the browser does.
    """
    code, passphrase = code_and_passphrase(request)
    by = checked_operator(code)
    account = account_of(request, by, passphrase)
    role = account.role if account else Role.ALL
    secret, _ = request.app.state.visits.begin(workplace(request).now(), by, role, account)
    return answer({"schema": 1, "token": secret, "by": by, "role": role})


@told_at(router, "DELETE /api/token", {"by": "string"})
def api_token_end(request: Request) -> Response:
    """Sign out: the token is of no use any more."""
    request.app.state.visits.end(token_of(request))
    return answer({"schema": 1, "by": visit(request).by})


@told_at(
    router, "POST /api/lengths",
    {"case": "string", "zero": "string", "jaw_model": "string", "action": "string",
     "steps": "array", "assumed": "array", "findings": "array"},
    takes=AskedLengths,
)
def api_lengths(request: Request) -> Response:
    """Work out the graded lengths of a prescription, as `labkit lengths --json` prints them.

    What a rule of the trade refuses is answered with 409, the sentences, and the same content.
    """
    asked = sent(request, AskedLengths)
    source = parse_toml(asked.prescription, "prescription")
    templates = dict(templates_of(workplace(request).own))
    with ONE_AT_A_TIME:
        case = open_case(source, templates)
        data = lengths_report(case, tuple(map(float, asked.opening_mm))).data
    refused = [finding.message for finding in case.refusals]
    return errors(refused, 409, data) if refused else answer(data)


@told_at(router, "GET /api/cases", {"cases": "array"})
def api_cases(request: Request) -> Response:
    """List the cases, as `labkit cases --json` does."""
    with workplace(request).look() as reader:
        lines = [line for line in all_cases(reader) if visit(request).sees(line.summary.case)]
    return answer({"schema": 1, **cases_report(lines).data})


@told_at(
    router, "GET /api/cases/{case:path}",
    {"case": "string", "prescriptions": "array", "sets": "array", "rods": "array",
     "releases": "array", "events": "array"},
)
def api_case(request: Request, case: str) -> Response:
    """Tell the story of a case, as `labkit show --json` does."""
    with workplace(request).look() as reader:
        return answer(story_report(case_story(reader, own_case(request, case))).data)


@told_at(
    router, "GET /api/sheet/{case:path}",
    {"case": "string", "prescription_revision": "integer", "entry": "integer", "date": "string",
     "pairs": "array", "asked_back": "array", "findings": "array"},
)
def api_sheet(request: Request, case: str) -> Response:
    """Tell what holds of a case today, as `labkit sheet --json` does."""
    with workplace(request).look() as reader:
        need_case(reader, own_case(request, case))
        return answer(sheet_report(standing_of_case(reader, case)).data)


@told_at(
    router, "GET /api/rods/{identifier}",
    {"identifier": "string", "case": "string", "set": "string", "side": "string",
     "label": "string", "length_mm": "string", "state": "string"},
)
def api_rod(request: Request, identifier: str) -> Response:
    """Find a rod by its identifier, typed or scanned, as `labkit find --json` does."""
    with workplace(request).look() as reader:
        found = find_rod(reader, identifier)
    own_case(request, found.rod.rod.case)
    return answer(rod_report(found).data)


@told_at(
    router, "POST /api/told/{case:path}", {"rods": "array", "in_circulation": "integer"},
    takes=AskedRods,
)
def api_told(request: Request, case: str) -> Response:
    """Record what became of rods, as `labkit rod --json` does: delivered, returned, and so on."""
    asked = sent(request, AskedRods)
    told = Told(asked.state, asked.note, asked.on, asked.unreleased, asked.instead)
    return answer(record(request, case, asked.rods, told).data)


@told_at(
    router, "POST /api/prescriptions",
    {"case": "string", "revision": "integer", "entry": "integer", "recorded": "boolean",
     "changes": "boolean", "words": "string"},
    takes=AskedPrescription,
)
def api_prescribe(request: Request) -> Response:
    """Record a prescription: of a new case, or as the next revision (`labkit prescription`)."""
    asked, place = sent(request, AskedPrescription), workplace(request)
    source, templates = parse_toml(asked.prescription, "prescription"), templates_of(place.own)
    case = own_case(request, open_case(source, dict(templates)).prescription.case)
    who = (visit(request).by, place.now().astimezone())
    with place.act() as ledger, ledger.transaction():
        if not ledger.has_case(case):
            done = record_first(ledger, source, templates, who)
        else:
            _require_newest(ledger.prescription(case), asked.revision)
            done = record_prescription(
                ledger, source, templates, asked.reason, who, despite_trial=asked.despite_trial
            )
    stored = done.stored
    return answer({
        "schema": 1, "case": case, "revision": stored.revision, "entry": stored.stamp.seq,
        "recorded": done.recorded, "changes": done.changes, "words": done.words,
    })


def _require_newest(newest: StoredPrescription, revises: int | None) -> None:
    if revises not in (None, newest.revision):
        raise RefusedError(
            f"{newest.stamp.by} has recorded prescription revision {newest.revision}, and revision "
            f"{revises} would be revised; look at the newest one first; nothing was recorded",
            field="revision", value=revises,
        )


@told_at(
    router, "POST /api/readings/{case:path}",
    {"case": "string", "set": "string", "result": "string", "recorded": "array", "rods": "array",
     "not_measured": "array"},
    takes=AskedReadings,
)
def api_readings(request: Request, case: str) -> Response:
    """Decide on readings of a set's rods and record them, as `labkit inspect --json` does."""
    asked, place = sent(request, AskedReadings), workplace(request)
    about, now = (own_case(request, case), asked.set), place.now()
    tools, by = Tools.of(place.own.instruments), visit(request).by
    with place.act() as ledger:
        found = judge_entry(ledger, about, asked.entry, tools, now.astimezone().date())
        if found.wrong:
            raise InputErrors(tuple(
                InputError(f"{grouped(rod)}: {one.message}", field=one.field)
                for rod, wrong in found.wrong.items() for one in wrong
            ))
        seqs = record_readings(
            ledger, found.inspection, found.rods, (by, now), asked.again or None,
            place.own.profile_named(),
        )
    events = dict(zip((rod.identifier for rod in found.rods), seqs, strict=True))
    return answer(inspection_report(found.inspection, found.rods, events, by).data)


@told_at(router, "GET /api/head", {"identity": "string", "events": "integer", "head": "string"})
def api_head(request: Request) -> Response:
    """Tell where the record ends: note the digest, and `labkit ledger verify --head` tests it."""
    with workplace(request).look() as reader, reader.snapshot():
        head = reader.head()
        data = {"identity": identity_of(reader), "events": head.count, "head": head.digest}
    return answer({"schema": 1, **data})


_JOB = {"job": "string", "what": "string", "case": "string", "by": "string", "at": "string",
        "state": "string", "done": "integer", "total": "integer", "sentences": "array",
        "made": "string", "place": "integer"}


@told_at(router, "POST /api/make/{case:path}", _JOB, status=202)
def api_make(request: Request, case: str) -> Response:
    """Make a set from the newest prescription of a case, in the background."""
    name = begun(request, What.SET, case)
    return answer(_job(find(workplace(request), name)), 202)


@told_at(router, "GET /api/jobs", {"jobs": "array"})
def api_jobs(request: Request) -> Response:
    """List what is being made, and what was."""
    own = [job for job in every(workplace(request)) if visit(request).sees(job.order.case)]
    return answer({"schema": 1, "jobs": [_job(job) for job in own]})


@told_at(router, "GET /api/jobs/{name}", _JOB)
def api_job(request: Request, name: str) -> Response:
    """Tell how far a make is, or how it ended."""
    return answer(_job(own_job(request, name)))


def _job(job: Job) -> dict[str, Any]:
    order, state = job.order, job.state
    return {
        "schema": 1, "job": job.name, "what": order.what, "case": order.case, "by": order.by,
        "at": order.at, "state": state.how, "done": state.done, "total": state.total,
        "sentences": list(state.sentences), "made": state.made, "place": state.place,
    }


@told_at(
    router, "POST /api/intake",
    {"case": "string", "kind": "string", "on": "string", "by": "string", "note": "string",
     "since": "array", "commands": "array", "refused": "array", "waits": "string",
     "means": "object"},
    takes=file_schema(ClinicFile),
)
def api_intake(request: Request) -> Response:
    """Show what a clinic's sheet saved as a proposal, as `labkit intake --json` does.

    Nothing is recorded. The commands name the file as FILE.
    """
    return answer(_proposal(request).report.data)


def _proposal(request: Request) -> Proposal:
    place = workplace(request)
    file, now = read_clinic_file(request.state.sent, "the request"), place.now().astimezone()
    own_case(request, file.case)
    with place.look() as reader:
        if not isinstance(file.told, PrescriptionTold):
            return propose_intake(Lab(reader, place.own.installed, now), file, "FILE")
        source = source_of(file, file.told, "the request")
        sent = looked_at((source,), templates_of(place.own), None)
        return propose_prescription(reader, file, sent, now, "FILE --out DIR")


@router.get("/api/openapi.json", include_in_schema=False)
def api_openapi() -> JSONResponse:
    """Describe all of this (OpenAPI)."""
    return JSONResponse(description())


def description() -> dict[str, Any]:
    """Describe what programs can ask, as OpenAPI.

    Returns:
        The description; every address but that of the token wants one.
    """
    routes = [route for route in router.routes if isinstance(route, APIRoute)]
    told = get_openapi(
        title="labkit", version=labkit.__version__, routes=routes,
        description="The workplace for programs. Millimetres, degrees, percent.",
    )
    told["components"] = {"securitySchemes": {
        "token": {"type": "http", "scheme": "bearer"},
        "code": {"type": "http", "scheme": "basic"},
    }}
    told["security"] = [{"token": []}]
    told["paths"][f"{PLACE}token"]["post"]["security"] = [{"code": []}]
    return told
