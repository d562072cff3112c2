"""Reads the small file that a clinic's sheet saves; whatever else it may be is refused."""

from __future__ import annotations

from labkit.core.clinic import ClinicFile
from labkit.core.form.json_text import read_json
from labkit.core.form.read import read_file
from labkit.core.form.words import dotted
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
    if len(raw) > MOST_BYTES:
        raise InputError(f"is larger than {MOST_BYTES // 1000} kB; {_DO}", where=name)
    content = read_json(raw, name, "what a clinic's sheet saves", _DO)
    told, mistakes = read_file(ClinicFile, content)
    if told is None:
        raise InputErrors(tuple(
            InputError(
                f"{dotted(one.location) or 'the file'} {one.message}", where=name,
                field=dotted(one.location), allowed=one.allowed,
            )
            for one in mistakes
        ))
    return told
