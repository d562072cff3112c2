"""Reads JSON that somebody sends: exact numbers, no key twice, nothing endless."""

from __future__ import annotations

import json
from decimal import Decimal
from typing import Any

from labkit.core.form.numbers import exact_number
from labkit.core.form.words import shown
from labkit.errors import InputError


def read_json(raw: bytes, name: str, what: str, do: str) -> Any:
    """Read JSON text.

    Args:
        name: What it is called in sentences.
        what: What it should be, such as "what a clinic's sheet saves".
        do: What to do where it is not.

    Returns:
        Tables, lists, texts, whole numbers and decimals.

    Raises:
        InputError: It is no UTF-8, no JSON, has a key twice, or is nested too deeply.

    >>> read_json(b'{"by_mm": 0.80}', "body", "JSON", "send JSON")
    {'by_mm': Decimal('0.80')}
    """
    try:
        return json.loads(
            raw.decode("utf-8-sig"), parse_float=_number, parse_int=_whole,
            parse_constant=_not_finite, object_pairs_hook=_once,
        )
    except UnicodeDecodeError as error:
        raise InputError(f"is not UTF-8 text; {do}", where=name) from error
    except RecursionError as error:
        raise InputError(f"is nested too deeply; {do}", where=name) from error
    except json.JSONDecodeError as error:
        raise InputError(
            f"is not {what}: {error.msg}; {do}", where=f"{name}:{error.lineno}"
        ) from error
    except InputError as error:
        raise InputError(f"{error.message}; {do}", where=name) from error


def _number(text: str) -> Decimal:
    return exact_number(text)


def _whole(text: str) -> int:
    return int(exact_number(text))


def _not_finite(text: str) -> Any:
    raise InputError(f"has {text} where a number belongs")


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for key, value in pairs:
        if key in found:
            raise InputError(f"gives {shown(key)} twice")
        found[key] = value
    return found
