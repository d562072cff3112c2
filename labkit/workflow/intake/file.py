"""Reads the small file that a clinic's sheet saves; whatever else it may be is refused."""

from __future__ import annotations

import json
from decimal import Decimal
from typing import Any

from labkit.core.clinic import ClinicFile
from labkit.core.form.numbers import exact_number
from labkit.core.form.read import read_file
from labkit.core.form.words import dotted, shown
from labkit.errors import InputError, InputErrors

#: What a sheet saves is a page of text; anything larger is the wrong file.
MOST_BYTES = 200_000
_DO = "send the file that the clinic's sheet saved"


def read_clinic_file(raw: bytes, name: str) -> ClinicFile:
    """Read what a clinic's sheet saved.

    Args:
        raw: The whole file, or more than `MOST_BYTES` of it.

    Raises:
        InputError: It is too large, no UTF-8, no JSON, or nested too deeply.
        InputErrors: Keys are missing, not known or not usable.
    """
    content = _content(raw, name)
    told, mistakes = read_file(ClinicFile, content)
    if told is None:
        raise InputErrors(tuple(
            InputError(
                f"{dotted(one.location) or 'the file'} {one.message}", where=name,
                field=dotted(one.location), allowed=one.allowed,
            )
            for one in mistakes
        ))  # fmt: skip
    return told


def _content(raw: bytes, name: str) -> Any:
    if len(raw) > MOST_BYTES:
        raise InputError(f"is larger than {MOST_BYTES // 1000} kB; {_DO}", where=name)
    try:
        return json.loads(
            raw.decode("utf-8-sig"), parse_float=_number, parse_int=_whole,
            parse_constant=_not_finite, object_pairs_hook=_once,
        )
    except UnicodeDecodeError as error:
        raise InputError(f"is not UTF-8 text; {_DO}", where=name) from error
    except RecursionError as error:
        raise InputError(f"is nested too deeply; {_DO}", where=name) from error
    except json.JSONDecodeError as error:
        raise InputError(
            f"is not what a clinic's sheet saves: {error.msg}; {_DO}",
            where=f"{name}:{error.lineno}",
        ) from error
    except InputError as error:
        raise InputError(f"{error.message}; {_DO}", where=name) from error


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
