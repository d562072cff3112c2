"""Rods in between: pointing at a gap shows what would be made; only then can it be ordered."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from labkit.core.grading.prescription import Side
from labkit.core.grading.steps import Step
from labkit.errors import LabkitError
from labkit.ledger.queries import Reader
from labkit.web.asked import own_case, told, visit, workplace
from labkit.web.asked_rods import ASKED, MOST_BETWEEN, gap_of, order_of
from labkit.web.drawings import rod_svg
from labkit.web.jobs.job import Order, What, begin
from labkit.web.scale import HEIGHT, Shown, scale_of
from labkit.web.show import address, drawn, page
from labkit.workflow.record.lookup import need_case
from labkit.workflow.record.standing import standing_of_case
from labkit.workflow.rods.extra import Installed
from labkit.workflow.rods.extra_report import Looked, look_at_extra

router = APIRouter()


@router.get("/between/{case:path}", name="between")
def between(request: Request, case: str) -> HTMLResponse:
    """Show what would be made between two pairs, or at a percentage; nothing is written."""
    place, asked = workplace(request), dict(request.query_params)
    own_case(request, case)
    installed = place.own.installed()
    with place.look() as reader:
        need_case(reader, case)
        looked, problem = _looked(reader, case, asked, installed)
        standing = standing_of_case(reader, case)
    steps = looked.plan.case.spacer_set.steps if looked else ()
    rods = {
        part.rod for part, _ in looked.plan.planned(installed.lettering)
    } if looked and not looked.refusal else set()
    return page(
        request, "between", case=case, asked=asked, problem=problem, looked=looked,
        scale=scale_of(standing, tuple(map(_shown, steps))), height=HEIGHT,
        gap=gap_of(asked),
        drawings=[drawn(rod_svg(rod)) for rod in sorted(rods, key=lambda rod: -rod.length)],
        counts=range(1, MOST_BETWEEN + 1), sides=list(Side),
    )


@router.post("/between/{case:path}", name="between_make")
def between_make(request: Request, case: str) -> Response:
    """Order what was shown, and make it in the background."""
    form, place = told(request), workplace(request)
    about = (own_case(request, case), visit(request).by)
    asked = {name: form(name) for name in ASKED if form(name)}
    with place.look() as reader:
        need_case(reader, case)
        looked = look_at_extra(reader, order_of(case, asked), place.own.installed())
    if looked.refusal is not None:
        raise looked.refusal
    name = begin(place, Order.of(place, What.BETWEEN, about, asked))
    return RedirectResponse(address(request, "job", name=name), 303)


def _looked(
    reader: Reader, case: str, asked: Mapping[str, str], installed: Installed
) -> tuple[Looked | None, Iterable[str]]:
    """Look at the order; what refuses it is told on the page."""
    try:
        looked = look_at_extra(reader, order_of(case, asked), installed)
    except LabkitError as error:
        return None, str(error).splitlines()
    return looked, str(looked.refusal).splitlines() if looked.refusal else ()


def _shown(step: Step) -> Shown:
    left, right = step.left.label, step.right.label
    words = left if left == right else f"{left}/{right}"
    return Shown(step.made.advancement_mm, step.made.percent, words, "new")
