"""A trial fit as a page tells it, read as a clinic's own file is."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from labkit.core.case.trial_seen import READ_TO_MM, Correct, Seen, TrialSeen
from labkit.core.case.trial_words import read_seen
from labkit.core.clinic import TrialTold
from labkit.core.form.read import read_file
from labkit.core.grading.prescription import Side
from labkit.errors import InputError, InputErrors
from labkit.units import plain
from labkit.web.asked import day_of

#: All that the page can tell, besides who records it and a remark.
FIELDS = (
    *(f"{side}{what}" for side in Side for what in ("", "_seen", "_by")),
    "read_to", "correct", "date",
)
#: Field → its words on the page.
_FIELDS = {
    "by": "“By how many mm”", "rod": "the rod", "seen": "what was seen",
    "read_to": "“Gaps are read to”", "correct": "“Where left and right disagree”",
}
_PLAIN = re.compile(r"[0-9]+(\.[0-9]+)?")
#: Characters of a field that are looked at.
_LONGEST = 60


def told_by(form: Mapping[str, Any]) -> dict[str, str]:
    """Take what a form or an address tells of a trial fit; nothing else of it."""
    asked = {name: str(form[name]).strip()[:_LONGEST] for name in FIELDS if form.get(name)}
    for side in Side:
        if asked.get(f"{side}_seen") == Seen.MEETS:  # its number of mm is not shown then
            asked.pop(f"{side}_by", None)
    return asked


def is_whole(asked: Mapping[str, str]) -> bool:
    """Tell whether something is said of both sides."""
    return all(
        asked.get(f"{side}_seen") and (
            asked[f"{side}_seen"] == Seen.MEETS or asked.get(f"{side}_by")
        )
        for side in Side
    )


def seen_of(asked: Mapping[str, str]) -> TrialSeen:
    """Read what was seen.

    Raises:
        InputErrors: What cannot be read, field by field.
        InputError: A day is none, or what was seen of a side cannot be.
    """
    content: dict[str, Any] = {
        "read_to": asked.get("read_to", plain(READ_TO_MM)),
        **{str(side): _side(asked, side) for side in Side},
    }
    if "correct" in asked:
        content["correct"] = asked["correct"]
    told, mistakes = read_file(TrialTold, content, ("trial",))
    if told is None:
        raise InputErrors(tuple(
            InputError(
                f"{_field(one.location[1:])} {one.message}", field="trial", allowed=one.allowed,
            )
            for one in mistakes
        ))
    left, right = read_seen(Side.LEFT, told.left.words), read_seen(Side.RIGHT, told.right.words)
    return TrialSeen(left, right, told.read_to_mm, told.correct, day_of(asked.get("date", "")))


def read_otherwise(asked: Mapping[str, str], seen: TrialSeen) -> tuple[str, ...]:
    """Say how numbers are read that are typed with a comma or a unit."""
    return tuple(
        f"“{typed}” on the {side} is read as {plain(told.by_mm)} mm."
        for side, told in zip(Side, (seen.left, seen.right), strict=True)
        for typed in (asked.get(f"{side}_by", ""),)
        if told.by_mm is not None and not _PLAIN.fullmatch(typed)
    )


def _field(location: tuple[Any, ...]) -> str:
    """Name a field of the page as it is labelled there."""
    names = [_FIELDS.get(str(one), str(one)) for one in location]
    return f"{names[1]} on the {names[0]}" if names[1:] else "".join(names)


def _side(asked: Mapping[str, str], side: Side) -> dict[str, str]:
    told = {"rod": asked.get(str(side), ""), "seen": asked.get(f"{side}_seen", "")}
    by = asked.get(f"{side}_by")
    return told | ({"by": by} if by else {})


#: What the sides can be corrected by, with words for the page.
CORRECTS = {
    Correct.LEFT: "the left distance was recorded wrongly",
    Correct.RIGHT: "the right distance was recorded wrongly",
    Correct.MIDLINE: "the midline deviation was recorded wrongly",
}
