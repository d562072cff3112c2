"""A template and a process taken back out of the ledger, and how the installed ones differ."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any, TypeVar

from labkit.core.form.read import read_record
from labkit.core.jsonable import jsonable
from labkit.core.rod.rods import Process, RodTemplate
from labkit.errors import InputError, RefusedError
from labkit.ledger.stored import StoredContent
from labkit.units import as_written

StoredT = TypeVar("StoredT", RodTemplate, Process)

#: What sentences and options call the two.
_NOUNS: dict[type[RodTemplate] | type[Process], str] = {
    RodTemplate: "template", Process: "process",
}
#: Stands for a field that one of the two does not have.
_ABSENT = "nothing"
#: How rods lie while they are built changes no rod: the installed word on it holds.
_OF_THE_BUILD = "build"


def as_stored(
    cls: type[StoredT],
    stored: StoredContent,
    installed: Mapping[str, StoredT],
    of_set: str,
    *,
    accept: bool,
) -> StoredT:
    """Take a rod template or a process as it was recorded; how rods lie is as installed.

    Args:
        accept: Whether the stored one is wanted although the installed one differs.

    Raises:
        RefusedError: The installed one differs or is gone; every field is named.
        InputError: It was recorded in a form that this program does not know.
    """
    if not accept:
        _refuse_changed(_NOUNS[cls], stored, installed.get(stored.name), of_set)
    value, _ = read_record(cls, stored.content)
    # Nothing of what was recorded may be lost on the way.
    if value is None or differences(stored.content, jsonable(value)):
        raise InputError(
            f"the {_NOUNS[cls]} {stored.name} as recorded has other fields than this version of "
            "the program knows; make the rods with the version that the set was made with "
            "(labkit show)",
            field=_NOUNS[cls], value=stored.name,
        )
    return value if accept else replace(value, build=installed[stored.name].build)


def differences(stored: Mapping[str, Any], installed: Mapping[str, Any]) -> tuple[str, ...]:
    """List the fields in which two templates or processes differ.

    Returns:
        A line for each field: name, recorded value, value now.

    >>> differences({"body": {"height_mm": 4.0}, "name": "a"}, {"body": {"height_mm": 4.2}})
    ('body.height_mm: 4.0 as recorded, 4.2 now', "name: 'a' as recorded, nothing now")
    """
    # Versions before numbers were cut kept digits that are noise.
    before, after = (dict(_fields(as_written(content))) for content in (stored, installed))
    return tuple(
        f"{name}: {before.get(name, _ABSENT)} as recorded, {after.get(name, _ABSENT)} now"
        for name in dict.fromkeys((*before, *after))
        if before.get(name) != after.get(name)
    )


def _fields(content: Mapping[str, Any], prefix: str = "") -> Iterator[tuple[str, str]]:
    for name, value in content.items():
        if isinstance(value, Mapping):
            yield from _fields(value, f"{prefix}{name}.")
        else:
            yield f"{prefix}{name}", repr(value)


def _refuse_changed(
    what: str, stored: StoredContent, installed: RodTemplate | Process | None, of_set: str
) -> None:
    way_out = f"to make the rods as those of {of_set}, use --{what}-as-stored"
    if installed is None:
        raise RefusedError(
            f"the {what} {stored.name} that {of_set} was made with is no longer installed; "
            f"install it, or, {way_out}",
            field=what, value=stored.name,
        )
    changed = differences(*(
        {name: value for name, value in content.items() if name != _OF_THE_BUILD}
        for content in (stored.content, jsonable(installed))
    ))
    if changed:
        raise RefusedError(
            "\n".join((
                f"the {what} {stored.name} has changed since {of_set} was made with it; {way_out}; "
                "the differences are:",
                *changed,
            )),
            field=what, value=stored.name,
        )
