"""Sentences of the use cases as a page says them: fields in place of the command line's options."""

from __future__ import annotations

import re
from collections.abc import Mapping
from types import MappingProxyType

from labkit.errors import LabkitError

#: Option → the field of a page that tells the same.
FIELDS: Mapping[str, str] = MappingProxyType({
    "--accept": "The prescriber accepts",
    "--again": "Why rods that were measured before are measured again",
    "--cause": "Cause",
    "--correct": "Where left and right disagree",
    "--date": "Day",
    "--instrument": "Instrument",
    "--instead": "The pair in the mouth comes out",
    "--keep": "Coupons far from the others that were found right",
    "--leave-out": "Coupons that do not count",
    "--lot": "Lot, where readings name none",
    "--name": "Name of the calibrated process",
    "--note": "Remark",
    "--pins": "Gauge pins",
    "--percent": "At a percentage of the range",
    "--process-as-stored": "the process as recorded",
    "--prescriber": "The prescriber's word",
    "--read-to": "Gaps are read to",
    "--process": "Process",
    "--reason": "Why",
    "--since": "Measured since",
    "--template": "Rod template of the coupons",
    "--template-as-stored": "the rod template as recorded",
    "--temperature": "Temperature",
    "--tolerance": "Tolerance, ± mm",
    "--until": "until",
    "--unreleased": "Why, if rods not released or not to be worn are delivered",
})
#: Command → what does the same on a page.
ACTS: Mapping[str, str] = MappingProxyType({
    "calibrate": "Calibration by coupons",
    "cases": "Cases",
    "certificate": "Certificate",
    "chart": "Process",
    "extra": "Rods in between",
    "find": "Rods",
    "inspect": "Measure",
    "instruments": "Instruments",
    "make": "Make the set",
    "papers": "Print these papers again",
    "prescription": "Revise the prescription",
    "reject": "Reject",
    "rejects": "Rejected rods",
    "release": "Release the set",
    "replace": "Reject",
    "rod": "What became of the rods",
    "sheet": "Case sheet of today",
    "show": "The story",
    "trial": "Trial fit",
    "use-as-is": "Use as is",
})
_COMMAND = re.compile(r"(\bwith )?`labkit ([a-z-]+)[^`]*`")
_OPTION = re.compile(r"(\bwith )?(--[a-z][a-z-]*)(?: [A-Z]+\b)?")
#: A choice among the command's words, which stands by itself on a page.
_CORRECT = re.compile(r"--correct (left|right|midline)")
#: The file or server of the record, which is nobody's business on a page.
_PLACE = re.compile(
    r"\bledger (?:[\w+]+:)?[/\\](?:[^;]*?\.(?:sqlite3?|db)\b|.*?"
    r"(?=[;:,)]|\s(?:has|is|was|bears|cannot|could|does|needs|names|holds)\b|$))"
)


def as_said(sentence: str) -> str:
    """Name the fields of a page where a sentence names options that they stand for.

    >>> as_said("today is 2031-03-20; check the day given with --date")
    'today is 2031-03-20; check the day given under “Day”'
    >>> as_said("a mistake is taken back with a reason: add --note")
    'a mistake is taken back with a reason: add “Remark”'
    >>> as_said("make it again with `labkit reject 4829173065 --cause …`; see `labkit show`")
    'make it again under “Reject”; see “The story”'
    >>> as_said("the ledger /srv/lab/ledger.sqlite has no case 'QF-9'")
    "the record has no case 'QF-9'"
    >>> as_said("no rod in the ledger /srv/our lab/today bears the identifier 482 917 3065")
    'no rod in the record bears the identifier 482 917 3065'
    """
    sentence = _PLACE.sub("record", _CORRECT.sub(r"\1", sentence))

    def act(found: re.Match[str]) -> str:
        words = ACTS.get(found[2])
        return found[0] if words is None else f"{'under ' if found[1] else ''}“{words}”"

    def field(found: re.Match[str]) -> str:
        words = FIELDS.get(found[2])
        if words is None:
            return found[0]
        return f"{'under ' if found[1] else ''}“{words}”"

    parts = _COMMAND.sub(act, sentence).split("`")
    # What a command that has no page is given stays as it is typed.
    return "`".join(
        part if place % 2 else _OPTION.sub(field, part) for place, part in enumerate(parts)
    )


def sentence_said(words: str) -> str:
    """Make a sentence for a page: fields for options, a capital letter, a full stop.

    >>> sentence_said("the set is not released; see `labkit ledger verify`:")
    'The set is not released; see `labkit ledger verify`:'
    """
    said = as_said(words)
    return f"{said[:1].upper()}{said[1:]}{'' if said.endswith(('.', ':', '!', '?')) else '.'}"


def lines_said(error: LabkitError) -> tuple[str, ...]:
    """Give the sentences of an error as a page says them."""
    return tuple(as_said(line) for line in str(error).splitlines() if line)
