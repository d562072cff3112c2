"""The workplace as a web application: its pages, who may ask for them, and how errors are told."""

from __future__ import annotations

import logging
from collections.abc import Mapping

from fastapi import Depends, FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import RedirectResponse, Response
from fastapi.routing import APIRoute
from fastapi.staticfiles import StaticFiles
from starlette.exceptions import HTTPException
from starlette.routing import Mount

from labkit.catalog.places import templates_dir
from labkit.errors import InputError, InputErrors, LabkitError
from labkit.web.accounts import Slips
from labkit.web.api import routes
from labkit.web.api.speak import errors, is_asked_by_program
from labkit.web.asked import own_address
from labkit.web.guard import HEADERS, Guard
from labkit.web.pages import (
    between,
    cases,
    files,
    guide,
    inspection,
    making,
    measure,
    prescription,
    prescription_drawn,
    process,
    proposals,
    rods,
    signing_in,
    today,
    trial,
)
from labkit.web.rights import LOOPBACK, RIGHTS
from labkit.web.show import PLACE, page
from labkit.web.visits import Visit, Visits
from labkit.web.way_in import find_visit, form_closed, who_may
from labkit.web.workplace import Workplace

_LOG = logging.getLogger("labkit.web")
_ROUTERS = tuple(
    module.router for module in (
        signing_in,
        today,
        cases,
        prescription,
        prescription_drawn,
        between,
        trial,
        proposals,
        making,
        rods,
        files,
        guide,
        routes,
        measure,
        inspection,
        process,
    )
)


def application(workplace: Workplace) -> FastAPI:
    """Put the workplace together."""
    app = FastAPI(
        title="labkit", docs_url=None, redoc_url=None, openapi_url=None,
        dependencies=[Depends(form_closed), Depends(who_may)],
    )
    app.state.workplace, app.state.visits, app.state.slips = workplace, Visits(), Slips()
    for router in _ROUTERS:
        app.include_router(router)
    for name, folder in (("static", f"{PLACE}/static"), ("fonts", "documents/fonts")):
        app.mount(f"/{name}", StaticFiles(directory=templates_dir() / folder), name=name)
    app.add_middleware(Guard, hosts=None if workplace.accounts else frozenset(LOOPBACK))
    app.add_exception_handler(LabkitError, _told)
    app.add_exception_handler(RequestValidationError, _not_readable)
    app.add_exception_handler(HTTPException, _no_such_page)
    app.add_exception_handler(Exception, _unforeseen)
    _require_rights(app)
    return app


def names_of(app: FastAPI) -> dict[str, APIRoute | Mount]:
    """Give every address of the workplace by its name."""
    found: dict[str, APIRoute | Mount] = {}
    for router in (app.router, *_ROUTERS):
        for route in router.routes:
            if isinstance(route, (APIRoute, Mount)):
                found[route.name or ""] = route
    return found


def _require_rights(app: FastAPI) -> None:
    unknown = names_of(app).keys() - RIGHTS.keys()
    if unknown:
        raise RuntimeError(f"no row of rights names {', '.join(sorted(unknown))}")


_LONGEST_IN_HEADING = 60
_NO_SUCH: Mapping[int, tuple[str, str]] = {
    403: ("Not yours to do", "Your account may not do this; ask somebody whose account may."),
    404: ("There is no such page", "Go on from what needs doing today, or from the list of cases."),
    405: ("There is no such page", "Go on from what needs doing today, or from the list of cases."),
}
_CANNOT_BE_READ = "That cannot be read"
#: What an address is about and is not there: field of the error → heading of the page.
_NOT_THERE: Mapping[str, str] = {
    "case": "There is no case {}",
    "TOPIC": "There is no page {} in the guide",
    "job": "There is no such job",
}
_STALE = (
    "This form is too old",
    "Nothing was recorded. Go back, load the page again, and send it once more.",
)
#: What programs are told in place of a page.
_NO_SUCH_ADDRESS: Mapping[int, str] = {
    401: "no valid token is given; sign in at /api/token, and send it as Authorization: Bearer",
    403: "this account may not do this; sign in with one that may",
    404: "there is no such address, case, rod or job; /api/openapi.json lists what can be asked",
    405: "this address is not asked so; /api/openapi.json lists what can be asked",
    415: "this address takes JSON; send it with Content-Type: application/json",
}


async def _no_such_page(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    if not hasattr(request.state, "visit"):  # no page has this address, so nobody looked yet
        find_visit(request, by_itself=True)
    if is_asked_by_program(request):
        words = _NO_SUCH_ADDRESS.get(error.status_code, _NO_SUCH_ADDRESS[404])
        return errors((words,), error.status_code)
    if error.status_code == 401:
        # A signed-out page asks who is there and comes back to where one wanted to go.
        fragment = "hx-request" in request.headers
        came = request.headers.get("hx-current-url", "") if fragment else str(request.url)
        wanted = own_address(request, came) if fragment or request.method == "GET" else ""
        target = request.url_for("sign_in").include_query_params(to=wanted or "/")
        to = f"{target.path}?{target.query}"
        # A part of a page is no place to sign in: the whole page goes there.
        return Response(None, 401, {"HX-Redirect": to}) if fragment else RedirectResponse(to, 303)
    title, words = _NO_SUCH.get(error.status_code, _NO_SUCH[404])
    if error.detail == "form":
        title, words = _STALE
    return page(request, "told", error.status_code, title=title, sentences=(words,), back="")


async def _not_readable(request: Request, error: Exception) -> Response:
    """Tell what in an address is no number; every other text is read by a page's own rules."""
    assert isinstance(error, RequestValidationError)
    sentences = tuple(
        f"{one['loc'][-1]} in this address is {str(one['input'])[:40]!r}, which is no whole "
        "number; give one such as 12, or go on from the list of cases" for one in error.errors()
    )
    if is_asked_by_program(request):
        return errors(sentences, 422)
    return page(
        request, "told", 422, title=_CANNOT_BE_READ, sentences=sentences, back=_back(request)
    )


#: Errors at these name cases or rods that may be meant, of whomever they are.
_NAMES_OTHERS = ("case", "identifier", "told.rods")


async def _told(request: Request, error: Exception) -> Response:
    """Tell an error of the trade in its own sentences."""
    assert isinstance(error, LabkitError)
    unknown = isinstance(error, InputError)
    visit: Visit | None = request.state.visit
    if unknown and error.field in _NAMES_OTHERS and visit is not None and visit.limited:
        return await _no_such_page(request, HTTPException(404))
    status = (404 if request.method == "GET" else 422) if unknown else 409
    several = error.errors if isinstance(error, InputErrors) else (error,)
    title = _CANNOT_BE_READ if unknown else "Refused"
    if status == 404 and error.field in _NOT_THERE:
        title = _NOT_THERE[error.field].format(str(error.value)[:_LONGEST_IN_HEADING])
    sentences = tuple(line for each in several for line in str(each).splitlines() if line)
    if is_asked_by_program(request):
        return errors(sentences, status)
    return page(request, "told", status, title=title, sentences=sentences, back=_back(request))


def _back(request: Request) -> str:
    """Give the page of ours that the browser came from; "" where there is none."""
    return own_address(request, request.headers.get("referer", ""))


async def _unforeseen(request: Request, error: Exception) -> Response:
    _LOG.error("%s %s", request.method, request.url.path, exc_info=error)
    words = (
        "The program has met something that it does not foresee. What was recorded before stays; "
        "look at the case before you do it again.",
    )
    answer: Response
    if is_asked_by_program(request):
        answer = errors(words, 500)
    else:
        answer = page(
            request, "told", 500, title="Not foreseen", sentences=words, back=_back(request)
        )
    answer.headers.update(HEADERS)  # it is sent past the guard
    return answer
