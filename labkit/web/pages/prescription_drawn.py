"""A prescription as drawings: the jaw from the side, moved along its steps and opened."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from labkit.catalog.toml_source import parse_toml
from labkit.web.asked import own_case, told, workplace
from labkit.web.jaw_view import MOST_DROP_MM, JawView, jaw_view
from labkit.web.language import decimal_sign
from labkit.web.prescription_form import fields
from labkit.web.show import drawn, page
from labkit.web.worked_out import templates_of, worked_out
from labkit.workflow.record.lookup import need_case
from labkit.workflow.sets.cases import open_case

router = APIRouter()


@router.post("/prescription-jaw", name="prescription_jaw")
async def prescription_jaw(request: Request) -> HTMLResponse:
    """Show the jaw at a step of what stands in the form."""
    tell = told(request)
    texts = {name: tell(name) for name in fields()}
    case = worked_out(texts, decimal_sign(request), workplace(request).own).case
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


def jaw_facts(seen: JawView | None) -> dict[str, Any]:
    """Give what the templates show of a jaw."""
    return {
        "jaw": seen, "drawing": drawn(seen.svg) if seen else "", "most_drop": MOST_DROP_MM,
    }
