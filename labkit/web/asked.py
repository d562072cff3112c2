"""What a page's function asks of a request: the workplace, the visit, what a form tells."""

from __future__ import annotations

import datetime
from contextlib import suppress
from dataclasses import dataclass
from decimal import Decimal

from fastapi import Request
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException

from labkit.core.case.identifier import grouped
from labkit.core.form.numbers import could_be_thousands, exact_number
from labkit.errors import EXIT_REFUSED, InputError, LabkitError, RefusedError
from labkit.ledger.queries import Reader
from labkit.ledger.stored import StoredRod
from labkit.units import plain
from labkit.web.visits import Visit
from labkit.web.workplace import Workplace
from labkit.workflow.record.lookup import stored_rod


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


def own_rod(request: Request, reader: Reader, case: str, identifier: str) -> StoredRod:
    """Give a rod of a case that the operator may see.

    Raises:
        HTTPException: It is of another clinic, or unknown to who does not see every case.
        InputError: No rod bears the identifier, or it is of another case.
    """
    try:
        rod = stored_rod(reader, identifier)
    except InputError as error:
        if visit(request).limited:  # its sentence names rods that may be meant, of whomever
            raise HTTPException(404) from error
        raise
    if own_case(request, rod.case) != case:
        raise InputError(f"the rod {grouped(rod.identifier)} is of another case")
    return rod


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


def own_address(request: Request, url: str) -> str:
    """Give path and query of an address of ours, never one that leads elsewhere; "" for others."""
    own = str(request.base_url)
    return "/" + url.removeprefix(own).lstrip("/\\") if url.startswith(own) else ""


def day_of(text: str) -> datetime.date | None:
    """Read a day as a form gives it; None where none is told.

    Raises:
        InputError: It is no day.
    """
    try:
        return datetime.date.fromisoformat(text) if text else None
    except ValueError as error:
        raise InputError(f"{text!r} is not a day; give it as 2031-05-02") from error


def number_of(text: str, what: str, low: Decimal, high: Decimal) -> Decimal | None:
    """Read a number as a form gives it, with a point or a comma; None where none is told.

    Args:
        what: What sentences call it.

    Raises:
        InputError: It is no number, or lies outside of what is allowed.
        RefusedError: As `refuse_ambiguous`.
    """
    if not text:
        return None
    with suppress(InputError):
        number = exact_number(text.replace(",", "."))
        refuse_ambiguous(text, number, high)
        if low <= number <= high:
            return number
    raise InputError(
        f"{text!r} is not usable as {what}; give a number from {plain(low)} to {plain(high)}"
    )


def refuse_ambiguous(text: str, number: Decimal, high: Decimal) -> None:
    """Refuse a number whose one sign could part thousands, where both are allowed.

    Args:
        number: It, where the sign is a decimal one.

    Raises:
        RefusedError: 1.000 could be 1 or 1000.
    """
    if could_be_thousands(text) and number * 1000 <= high:
        raise RefusedError(
            f'"{text}" could be {plain(number)} or {plain(number * 1000)}; write it without the '
            "zeros or the sign that leave that open"
        )


def today_of(request: Request) -> datetime.date:
    """Give the day at the workplace."""
    return workplace(request).now().astimezone().date()


def status_of(error: LabkitError) -> int:
    """Give the status of a page that comes back with what is wrong with what was sent."""
    return 409 if error.exit_code == EXIT_REFUSED else 422


def refuse_stale(reader: Reader, case: str, entry: str) -> None:
    """Refuse what was decided on a page that is no longer true.

    Args:
        entry: The last entry of the case that the page knew.

    Raises:
        RefusedError: Something was recorded of the case since.
    """
    last = reader.last(case)
    if entry != str(last.seq):
        raise RefusedError(
            f"{last.by} has recorded something of the case {case} since this page was loaded, as "
            f"entry {last.seq}; go back, load the page again, and look once more; nothing was "
            "recorded"
        )
