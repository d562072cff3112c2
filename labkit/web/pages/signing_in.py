"""Signing in and out."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from labkit.errors import LabkitError, RefusedError
from labkit.ledger.events import checked_operator
from labkit.units import counted
from labkit.web.accounts import Account
from labkit.web.asked import told, workplace
from labkit.web.rights import Role
from labkit.web.show import address, page
from labkit.web.visits import COOKIE, SIGNED_OUT, Visit, Visits

router = APIRouter()


@router.get("/sign-in")
def sign_in(request: Request, to: str = "/") -> HTMLResponse:
    """Ask who is there; where somebody has just signed out, the browser forgets the drafts."""
    out = SIGNED_OUT in request.cookies
    answer = _asking(request, to, out=out)
    if out:
        answer.delete_cookie(SIGNED_OUT)
    return answer


@router.post("/sign-in")
def signed_in(request: Request) -> Response:
    """Begin a visit: a new secret, so that one known before signing in is of no use."""
    form, now = told(request), workplace(request).now()
    try:
        by = checked_operator(form("by"))
        account = account_of(request, by, form("passphrase"))
    except RefusedError as error:
        return _asking(request, form("to"), error.message, 403)
    except LabkitError as error:
        return _asking(request, form("to"), error.message, 422)
    _visits(request).end(request.cookies.get(COOKIE))
    secret, _ = _visits(request).begin(
        now, by, account.role if account else Role.ALL, account
    )
    answer = RedirectResponse(_own(form("to")), 303)
    _keep(request, answer, COOKIE, secret)
    return answer


@router.post("/sign-out")
def sign_out(request: Request) -> Response:
    """End the visit."""
    _visits(request).end(request.cookies.get(COOKIE))
    answer = RedirectResponse(address(request, "sign_in"), 303)
    answer.delete_cookie(COOKIE)
    _keep(request, answer, SIGNED_OUT, "1", 60)
    return answer


def account_of(request: Request, by: str, passphrase: str) -> Account | None:
    """Give an operator's account; None where a code is enough.

    Raises:
        RefusedError: Code and passphrase do not go together, or there were too many slips.
    """
    place, slips = workplace(request), request.app.state.slips
    if place.accounts is None:
        return None
    now, host = place.now(), request.client.host if request.client else ""
    names = (f"code {by.casefold()}", f"address {host}")
    wait = slips.begin(names, now)
    if wait:
        raise RefusedError(
            "there were too many wrong passphrases; try again in "
            f"{counted(int(wait.total_seconds()) + 1, 'second')}"
        )
    account = place.accounts.open(by, passphrase)
    if account is None:
        raise RefusedError("code and passphrase do not go together; give both again")
    slips.right(*names)
    return account


def _visits(request: Request) -> Visits:
    visits: Visits = request.app.state.visits
    return visits


def _asking(
    request: Request, to: str, wrong: str = "", status: int = 200, *, out: bool = False
) -> HTMLResponse:
    """Show the form; a visit of nobody gives it the token that it has to bear."""
    here: Visit | None = request.state.visit
    secret = ""
    if here is None:
        secret, here = _visits(request).begin(workplace(request).now())
        request.state.visit = here
    accounts = workplace(request).accounts is not None
    answer = page(
        request, "sign-in", status, to=_own(to), wrong=wrong, accounts=accounts, out=out
    )
    if secret:
        _keep(request, answer, COOKIE, secret)
    return answer


def _keep(
    request: Request, answer: Response, name: str, value: str, seconds: int | None = None
) -> None:
    answer.set_cookie(
        name, value, seconds, httponly=True, samesite="strict",
        secure=request.url.scheme == "https",
    )


def _own(to: str) -> str:
    """Give an address of this workplace; the start page for any other."""
    inside = to.startswith("/") and not to.startswith("//") and "\\" not in to
    return to if inside and to.isprintable() else "/"
