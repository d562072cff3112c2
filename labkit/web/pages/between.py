"""Rods in between: pointing at a gap shows what would be made; only then can it be ordered."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from decimal import Decimal, InvalidOperation

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from labkit.core.case.extra_requests import Between, ByPercent, ExtraRequest
from labkit.core.grading.prescription import Side
from labkit.core.grading.steps import Step
from labkit.errors import InputError, LabkitError
from labkit.ledger.queries import Reader
from labkit.web.asked import own_case, workplace
from labkit.web.drawings import rod_svg
from labkit.web.scale import HEIGHT, WIDTH, Shown, scale_of
from labkit.web.show import drawn, page
from labkit.workflow.record.lookup import need_case
from labkit.workflow.record.standing import standing_of_case
from labkit.workflow.rods.extra import ExtraOrder, Installed
from labkit.workflow.rods.extra_report import Looked, look_at_extra

router = APIRouter()
#: More rods between two pairs are asked for by their percentages.
MOST_BETWEEN = 5
#: What is taken as it was recorded, although what is installed has changed.
AS_STORED = ("template_as_stored", "process_as_stored")


@router.get("/cases/{case}/between", name="between")
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
        scale=scale_of(standing, tuple(map(_shown, steps))), width=WIDTH, height=HEIGHT,
        drawings=[drawn(rod_svg(rod)) for rod in sorted(rods, key=lambda rod: -rod.length)],
        counts=range(1, MOST_BETWEEN + 1), sides=list(Side),
    )


def order_of(case: str, asked: Mapping[str, str]) -> ExtraOrder:
    """Read an order of rods in between.

    Raises:
        InputError: As `requests_of`.
    """
    stored = [bool(asked.get(name)) for name in AS_STORED]
    return ExtraOrder(case, requests_of(asked), *stored)


def requests_of(asked: Mapping[str, str]) -> tuple[ExtraRequest, ...]:
    """Read what is asked for: a percentage, or a number of rods between two.

    Raises:
        InputError: It is no number, or nothing is asked for.
    """
    if percent := asked.get("percent", "").strip():
        return (ByPercent(_number(percent)),)
    if asked.get("low") and asked.get("high"):
        count = asked.get("count") or "1"
        if not count.isdecimal():
            raise InputError(f"{count!r} is no number of rods; give a whole number")
        return (Between(_number(asked["low"]), _number(asked["high"]), int(count)),)
    raise InputError("no rod was asked for; point at what lies between two pairs")


def _number(text: str) -> Decimal:
    try:
        value = Decimal(text.replace(",", ".").removesuffix("%").strip())
    except InvalidOperation as error:
        raise InputError(f"{text!r} is no percentage; give a number such as 68.75") from error
    if not value.is_finite():
        raise InputError(f"{text!r} is no percentage; give a number such as 68.75")
    return value


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
