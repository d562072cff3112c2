"""Lists of numbers as they are typed: decimal commas in them, and steps out of order."""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise

from labkit.catalog.problems import at
from labkit.catalog.toml_source import TomlSource
from labkit.core.form.words import Location
from labkit.core.grading.series import out_of_order
from labkit.errors import InputError
from labkit.units import plain

#: The lists whose members are steps.
STEP_LISTS = (("grading", "percent"), ("grading", "advancement"))
_PERCENT: Location = ("grading", "percent")
_MEMBER = re.compile(r"(\s*)([^,\s]+)(\s*)(?:,|$)")
#: What may stand before a decimal comma, and after it: nobody writes a 0 at the end there.
_WHOLE = re.compile(r"[-+]?\d+")
_FRACTION = re.compile(r"\d?[1-9]")
#: A step of one digit after one of two: far oftener the 5 of "62,5" than a step of 5 %.
_WHOLE_PERCENT = re.compile(r"\d\d")
#: Lines of a list that are looked at.
_MOST_LINES = 80


@dataclass(frozen=True)
class _Member:
    """One member of a list, and the space that stands before and after it."""

    before: str
    text: str
    after: str


def step_slips(source: TomlSource) -> list[InputError]:
    """Find steps that neither rise nor fall throughout, and decimal commas among them.

    A comma without a space after it is taken for a decimal comma where the members on both sides
    could be one number, and either other commas of the list have a space after them or, among
    percents, one digit follows two.
    """
    found, lines = [], source.text.splitlines()
    for location in (place for place in STEP_LISTS if place in source.lines):
        typed = _typed(lines, source.lines[location])
        joined, turn = _joined(location, typed), _turn(source, location)
        if turn is not None:
            found.append(at(source, location, _not_in_order(typed, turn, joined)))
        elif joined:
            found.append(at(source, location, _decimal_comma(typed, joined)))
    return found


def other_slips(source: TomlSource) -> list[InputError]:
    """Find decimal commas in other lists; they count only where the list is not usable."""
    lines = source.text.splitlines()  # once: a text of a megabyte may have a key in every line
    told = ((place, typed, _joined(place, typed)) for place, line in source.lines.items()
            if place not in STEP_LISTS
            if (typed := _typed(lines, line)))
    return [
        at(source, place, _decimal_comma(typed, joined)) for place, typed, joined in told if joined
    ]


def _typed(lines: list[str], number: int) -> str:
    """Give what stands between the brackets of a list, as typed, without comments.

    Args:
        number: Of the line of its key.
    """
    if "[" not in lines[number - 1]:
        return ""
    listed = lines[number - 1 : number - 1 + _MOST_LINES]
    text = "\n".join(re.sub(r"#.*", "", line) for line in listed)
    found = re.match(r"[^=\[\]\n]*=\s*\[([^\[\]\"']*)\]", text)
    return found.group(1).strip() if found else ""


def _joined(location: Location, typed: str) -> str:
    """Give the first two members that look like one number with a decimal comma, as typed."""
    pairs = list(pairwise(_Member(*found) for found in _MEMBER.findall(typed)))
    # Where a list goes on in the next line, that line's first spaces tell nothing.
    spaced = any(second.before and "\n" not in second.before for _, second in pairs)
    for first, second in pairs:
        touching = not first.after and not second.before
        numbers = _WHOLE.fullmatch(first.text) and _FRACTION.fullmatch(second.text)
        one_digit = (
            location == _PERCENT and len(second.text) == 1 and _WHOLE_PERCENT.fullmatch(first.text)
        )
        if touching and numbers and (spaced or one_digit):
            return f"{first.text},{second.text}"
    return ""


def _turn(source: TomlSource, location: Location) -> tuple[Decimal, Decimal] | None:
    """Find where a list of steps turns; None for one in order, and for what is no list."""
    grading = source.data["grading"]
    listed = grading.get(location[-1]) if isinstance(grading, dict) else None
    if not isinstance(listed, list) or not all(type(one) in (int, Decimal) for one in listed):
        return None
    return out_of_order([Decimal(one) for one in listed])


def _decimal_comma(typed: str, joined: str) -> str:
    whole, fraction = joined.split(",")
    return (
        f'= [{typed}] has "{joined}", which looks like a number with a decimal comma; write '
        f'{whole}.{fraction} for one number, or "{whole}, {fraction}" for two'
    )


def _not_in_order(typed: str, turn: tuple[Decimal, Decimal], joined: str) -> str:
    right = "list the steps in rising or falling order"
    if joined:
        right = f'"{joined}" looks like a number with a decimal comma: write it with a point, ' + (
            joined.replace(",", ".")
        )
    goes = "rise" if turn[0] > turn[1] else "fall"
    return (
        f"= [{typed}] does not {goes} throughout, since {plain(turn[1])} follows {plain(turn[0])}; "
        f"{right}"
    )
