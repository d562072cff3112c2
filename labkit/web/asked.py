"""What a page's function asks of a request: the workplace, the visit, what a form tells."""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import Request
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException

from labkit.web.visits import Visit
from labkit.web.workplace import Workplace


def workplace(request: Request) -> Workplace:
    """Give what the pages work on."""
    place: Workplace = request.app.state.workplace
    return place


def visit(request: Request) -> Visit:
    """Give who is there."""
    who: Visit = request.state.visit
    return who


def own_case(request: Request, case: str) -> str:
    """Give a case number where the operator may see the case.

    Raises:
        HTTPException: It is of another clinic.
    """
    if not visit(request).sees(case):
        raise HTTPException(404)
    return case


@dataclass(frozen=True)
class Told:
    """What a form tells."""

    form: FormData

    def __call__(self, name: str) -> str:
        """Give one field's text without spaces at its ends; "" where it was left out."""
        value = self.form.get(name, "")
        return value.strip() if isinstance(value, str) else ""

    def all(self, name: str) -> tuple[str, ...]:
        """Give every text of a field that can be told several times."""
        return tuple(value for value in self.form.getlist(name) if isinstance(value, str))


def told(request: Request) -> Told:
    """Give what the form tells."""
    return Told(request.state.form)
