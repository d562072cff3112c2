"""A prescription as drawings: the jaw from the side, and the rods as solids."""

from __future__ import annotations

from functools import partial
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response
from starlette.exceptions import HTTPException

from labkit.catalog.toml_source import parse_toml
from labkit.errors import InputError, LabkitError
from labkit.web.asked import own_case, told, workplace
from labkit.web.files import TYPES, files_of
from labkit.web.jaw_view import MOST_DROP_MM, JawView, jaw_view
from labkit.web.jobs.solids import ask_for, look_for
from labkit.web.language import decimal_sign
from labkit.web.prescription_form import fields
from labkit.web.show import drawn, page
from labkit.web.worked_out import in_turn, templates_of, worked_out
from labkit.workflow.record.lookup import need_case
from labkit.workflow.sets.cases import Case, open_case

router = APIRouter()
#: The solids of a set that was made.
SET_SOLIDS = "pictures/set.glb"
_NOT_RIGHT = "the form is not right yet; correct it, and ask for the solids then"


@router.post("/prescription-jaw", name="prescription_jaw")
async def prescription_jaw(request: Request) -> HTMLResponse:
    """Show the jaw at a step of what stands in the form."""
    return await in_turn(partial(_jaw_told, request))


def _jaw_told(request: Request) -> HTMLResponse:
    tell, case = told(request), _case_told(request)
    asked = {name: tell(name) for name in ("at_step", "at_drop")}
    seen = jaw_view(case, asked) if case else None
    if seen is None:
        return HTMLResponse('<div id="jaw-seen"></div>')
    return page(request, "jaw-seen", **jaw_facts(seen))


@router.get("/jaw/{case:path}", name="jaw")
def jaw(request: Request, case: str) -> HTMLResponse:
    """Show the jaw at a step of the newest prescription of a case."""
    place = workplace(request)
    with place.look() as reader:
        need_case(reader, own_case(request, case))
        newest = reader.prescription(case)
    graded = open_case(parse_toml(newest.text, case), dict(templates_of(place.own)))
    seen = jaw_view(graded, dict(request.query_params))
    if seen is not None and "hx-request" in request.headers:
        return page(request, "jaw-seen", **jaw_facts(seen))
    return page(
        request, "jaw", case=case, revision=newest.revision,
        refused=[finding.message for finding in graded.refusals], **jaw_facts(seen),
    )


def _case_told(request: Request) -> Case | None:
    """Work out what stands in the form; None where it cannot be read."""
    tell = told(request)
    texts = {name: tell(name) for name in fields()}
    return worked_out(texts, decimal_sign(request), workplace(request).own).case


def jaw_facts(seen: JawView | None) -> dict[str, Any]:
    """Give what the templates show of a jaw."""
    return {
        "jaw": seen, "drawing": drawn(seen.svg) if seen else "", "most_drop": MOST_DROP_MM,
    }


@router.post("/prescription-solids", name="prescription_solids")
def prescription_solids(request: Request) -> HTMLResponse:
    """Show the rods of what stands in the form as solids; build them where need be."""
    case = _case_told(request)
    if case is None or case.refusals:
        return page(request, "solids", solids=None, refused=_NOT_RIGHT)
    try:
        solids = ask_for(workplace(request), case)
    except LabkitError as error:
        return page(request, "solids", solids=None, refused=error.message)
    return page(request, "solids", solids=solids, refused="")


@router.get("/solids/{digest}", name="solids_state")
def solids_state(request: Request, digest: str) -> HTMLResponse:
    """Show how far solids are: what the page asks for again and again."""
    return page(request, "solids", solids=look_for(workplace(request), digest), refused="")


@router.get("/solids/{digest}/rods.glb", name="solids_file")
def solids_file(request: Request, digest: str) -> Response:
    """Give the solids."""
    solids = look_for(workplace(request), digest)
    if not solids.made:
        raise HTTPException(404)
    return Response(solids.glb.read_bytes(), media_type=TYPES[".glb"])


@router.get("/sets/{name}/solids", name="set_solids")
def set_solids(request: Request, name: str) -> HTMLResponse:
    """Show the rods of a set as solids."""
    with workplace(request).look() as reader:
        stored = reader.set_named(name)
    if stored is None:
        raise HTTPException(404)
    own_case(request, stored.case)
    if SET_SOLIDS not in files_of(stored).names:
        raise InputError(f"the set {name} has no file of its solids; make the set again")
    return page(request, "set-solids", stored=stored, file=SET_SOLIDS)
