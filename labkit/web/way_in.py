"""What every request passes: whose visit it is, what the role may ask, and what is sent."""

from __future__ import annotations

from collections.abc import AsyncIterator

from fastapi import Request
from starlette.exceptions import HTTPException

from labkit.web.api.speak import is_asked_by_program, token_of
from labkit.web.rights import BY_THEMSELVES, Role, may
from labkit.web.visits import COOKIE, Visit
from labkit.web.workplace import Workplace

#: What a form may hold: the readings of a set of sixty steps have the most fields.
_MOST_FIELDS, _MOST_FILES = 3000, 4


async def form_closed(request: Request) -> AsyncIterator[None]:
    """Close the files that a form sent, however the answer ends."""
    try:
        yield
    finally:
        if hasattr(request.state, "form"):
            await request.state.form.close()


async def who_may(request: Request) -> None:
    """Find the visit, hold the address against the role, and take in what is sent.

    A browser shows its cookie, and each form the token of the visit; a program shows its token
    alone, which no other page can make a browser send.

    Raises:
        HTTPException: 401 who has not signed in, 403 whose role may not do this or whose form is
            too old, 415 a program that sends something else than JSON.
    """
    program, name = is_asked_by_program(request), request.scope["route"].name
    visit = find_visit(request, by_itself=name in BY_THEMSELVES)
    role = visit.role if visit else Role.NOBODY
    if not may(role, name):
        raise HTTPException(401 if role is Role.NOBODY else 403)
    if request.method == "POST":
        await (_take_json(request) if program else _take_form(request, visit))


def find_visit(request: Request, *, by_itself: bool) -> Visit | None:
    """Find whose visit a request is of, and keep it with the request.

    Args:
        by_itself: Whether a page asks by itself, which keeps no visit alive.
    """
    app, program = request.app, is_asked_by_program(request)
    secret = token_of(request) if program else request.cookies.get(COOKIE)
    now = app.state.workplace.now()
    visit: Visit | None = app.state.visits.find(secret, now, by_itself=by_itself)
    if visit is not None and not _still(app.state.workplace, visit):
        app.state.visits.end(secret)
        visit = None
    request.state.visit = visit
    return visit


async def _take_form(request: Request, visit: Visit | None) -> None:
    form = await request.form(max_files=_MOST_FILES, max_fields=_MOST_FIELDS)
    request.state.form = form
    if visit is None or form.get("token") != visit.token:
        raise HTTPException(403, "form")


async def _take_json(request: Request) -> None:
    request.state.sent = await request.body()
    kind = request.headers.get("content-type", "").partition(";")[0].strip().casefold()
    if request.state.sent and kind != "application/json":
        raise HTTPException(415)


def _still(workplace: Workplace, visit: Visit) -> bool:
    """Tell whether the account of a visit is still as it was when the visit began."""
    if workplace.accounts is None or not visit.by:
        return True
    return workplace.accounts.every().get(visit.by) == visit.account
