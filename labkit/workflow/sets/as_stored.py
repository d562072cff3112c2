"""A template and a process taken back out of the ledger, and how the installed ones differ."""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Mapping
from typing import Any

from labkit.core.jsonable import jsonable
from labkit.core.rod.calibration import Calibration, FittedOffset
from labkit.core.rod.rods import Compensation, Legibility, Plate, Process, RodTemplate
from labkit.documents.rod_values import template_of
from labkit.errors import InputError, RefusedError
from labkit.ledger.stored import StoredContent

#: Stands for a field that one of the two does not have.
_ABSENT = "nothing"


def template_as_stored(
    stored: StoredContent, installed: Mapping[str, RodTemplate], of_set: str, *, accept: bool
) -> RodTemplate:
    """Take a rod template as it was recorded.

    Args:
        accept: Whether the stored one is wanted although the installed one differs.

    Raises:
        RefusedError: The installed one differs or is gone; every field is named.
    """
    now = installed.get(stored.name)
    if not accept:
        _refuse_changed("template", stored, now, of_set)
    template = template_of({"template": stored.content})
    _require_whole("template", stored, template)
    return template


def process_as_stored(
    stored: StoredContent, installed: Mapping[str, Process], of_set: str, *, accept: bool
) -> Process:
    """Take a process as it was recorded.

    Args:
        accept: Whether the stored one is wanted although the installed one differs.

    Raises:
        RefusedError: The installed one differs or is gone; every field is named.
    """
    now = installed.get(stored.name)
    if not accept:
        _refuse_changed("process", stored, now, of_set)
    try:
        process = _process(stored.content)
    except (KeyError, TypeError, ValueError) as error:
        raise _unreadable("process", stored) from error
    _require_whole("process", stored, process)
    return process


def _process(own: Mapping[str, Any]) -> Process:
    """Rebuild a process; older ledgers have no expansion and no calibration, which are defaults."""
    own_calibration = own.get("calibration")
    return Process(**{
        **own,
        "compensation": Compensation(**own["compensation"]),
        "plate": Plate(**own["plate"]),
        "legibility": Legibility(**own["legibility"]),
        "calibration": None if own_calibration is None else _calibration(own_calibration),
    })  # fmt: skip


def _calibration(own: Mapping[str, Any]) -> Calibration:
    offsets = {
        kind: None if own[kind] is None else FittedOffset(**own[kind])
        for kind in ("bore", "pin", "ball")
    }
    return Calibration(**{**own, "date": datetime.date.fromisoformat(own["date"]), **offsets})


def differences(stored: Mapping[str, Any], installed: Mapping[str, Any]) -> tuple[str, ...]:
    """List the fields in which two templates or processes differ.

    Returns:
        A line for each field: name, recorded value, value now.

    >>> differences({"body": {"height_mm": 4.0}, "name": "a"}, {"body": {"height_mm": 4.2}})
    ('body.height_mm: 4.0 as recorded, 4.2 now', "name: 'a' as recorded, nothing now")
    """
    before, after = dict(_fields(stored)), dict(_fields(installed))
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
            f"the {what} {stored.name} that {of_set} was made with is not installed any more; "
            f"install it, or, {way_out}",
            field=what, value=stored.name,
        )  # fmt: skip
    changed = differences(stored.content, jsonable(installed))
    if changed:
        raise RefusedError(
            "\n".join((
                f"the {what} {stored.name} has changed since {of_set} was made with it; {way_out}; "
                "the differences are:",
                *changed,
            )),
            field=what, value=stored.name,
        )  # fmt: skip


def _require_whole(what: str, stored: StoredContent, rebuilt: RodTemplate | Process) -> None:
    """Hold what was rebuilt against the record: nothing of it may be lost on the way."""
    if differences(stored.content, jsonable(rebuilt)):
        raise _unreadable(what, stored)


def _unreadable(what: str, stored: StoredContent) -> InputError:
    return InputError(
        f"the {what} {stored.name} as recorded has other fields than this version of the program "
        "knows; make the rods with the version that the set was made with (labkit show)",
        field=what, value=stored.name,
    )  # fmt: skip
