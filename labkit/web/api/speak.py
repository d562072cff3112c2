"""How programs are understood and answered: JSON in, JSON out, errors as their sentences."""

from __future__ import annotations

import base64
import json
from collections.abc import Callable, Iterable, Mapping
from typing import Any, TypeVar

from fastapi import APIRouter, Request
from fastapi.responses import Response

from labkit.core.form.json_schema import record_schema
from labkit.core.form.json_text import read_json
from labkit.core.form.read import read_record
from labkit.core.form.words import dotted
from labkit.core.report import data_of
from labkit.errors import InputError, InputErrors
from labkit.units import as_written

ValueT = TypeVar("ValueT")
Endpoint = Callable[..., Response]
#: Addresses for programs begin so.
PLACE = "/api/"
_NAME = "the request"
_DO = "send an object as /api/openapi.json describes it"
_ERRORS = {
    "description": "Not done; each sentence says what is wrong and what to do.",
    "content": {
        "application/json": {"schema": {
            "type": "object", "required": ["schema", "errors"],
            "properties": {
                "schema": {"const": 1},
                "errors": {"type": "array", "items": {"type": "string"}, "minItems": 1},
            },
        }},
        # What the guard turns away before it is known what was asked.
        "text/plain": {"schema": {"type": "string"}},
    },
}


def is_asked_by_program(request: Request) -> bool:
    """Tell whether a program asks, by the address."""
    return request.url.path.startswith(PLACE)


def answer(data: Mapping[str, Any], status: int = 200) -> Response:
    """Give JSON, numbers and dates as `--json` writes them."""
    text = json.dumps(as_written(data_of(data)), ensure_ascii=False, allow_nan=False)
    return Response(text.encode("utf-8", "replace"), status, media_type="application/json")


def errors(sentences: Iterable[str], status: int, more: Mapping[str, Any] | None = None
           ) -> Response:
    """Tell what is wrong.

    Args:
        more: What is known all the same.
    """
    told = answer({"schema": 1, **(more or {}), "errors": list(sentences)}, status)
    if status == 401:
        told.headers["WWW-Authenticate"] = 'Bearer realm="labkit"'
    return told


def sent(request: Request, cls: type[ValueT]) -> ValueT:
    """Read what a program sends.

    Raises:
        InputError: It is not JSON.
        InputErrors: Keys are missing, not known or not usable.
    """
    content = read_json(request.state.sent, _NAME, "JSON", _DO)
    value, mistakes = read_record(cls, content)
    if value is None:
        raise InputErrors(tuple(
            InputError(f"{dotted(one.location) or _NAME} {one.message}", where=_NAME,
                       field=dotted(one.location), allowed=one.allowed)
            for one in mistakes
        ))
    return value


def token_of(request: Request) -> str | None:
    """Give the token that a program bears; None where it bears none."""
    kind, _, token = request.headers.get("authorization", "").partition(" ")
    return token.strip() if kind.casefold() == "bearer" else None


def code_and_passphrase(request: Request) -> tuple[str, str]:
    """Give the code and passphrase that a program gives itself (Basic).

    Raises:
        InputError: It gives none.
    """
    kind, _, told = request.headers.get("authorization", "").partition(" ")
    try:
        text = base64.b64decode(told, validate=True).decode() if kind.casefold() == "basic" else ""
    except ValueError:  # no base 64, or no UTF-8
        text = ""
    code, colon, passphrase = text.partition(":")
    if not colon:
        raise InputError(
            "no code and passphrase are given; send them as Basic authorization, such as "
            "`curl --user CODE:PASSPHRASE`; on a machine for itself the passphrase is left empty",
            field="authorization",
        )
    return code, passphrase


def told_at(
    router: APIRouter, asked: str, gives: Mapping[str, str], *, takes: Any = None,
    status: int = 200,
) -> Callable[[Endpoint], Endpoint]:
    """Make a function answer at an address, and describe it.

    Args:
        asked: Method and path, such as "GET /api/cases"; its name is that of the function.
        gives: Keys of the answer that are always there → their JSON types.
        takes: The value that is sent, or the schema of what is.
    """
    method, path = asked.split(" ")
    schema = takes if isinstance(takes, dict) else takes and record_schema(takes)
    body = {"requestBody": {"required": True, "content": {"application/json": {"schema": schema}}}}
    gives = {"schema": "integer", **gives}
    shown = {
        "type": "object", "required": list(gives),
        "properties": {key: {"type": kind} for key, kind in gives.items()},
    }
    done = {"description": "Done.", "content": {"application/json": {"schema": shown}}}

    def answering(function: Endpoint) -> Endpoint:
        name, words = function.__name__, (function.__doc__ or "").splitlines()[0]
        router.add_api_route(
            path, function, methods=[method], status_code=status, name=name, operation_id=name,
            summary=words.rstrip("."), openapi_extra=body if schema else None,
            responses={status: done, "4XX": _ERRORS},
        )
        return function

    return answering
