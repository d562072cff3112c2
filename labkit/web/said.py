"""Sentences of the use cases as a page says them: fields in place of the command line's options."""

from __future__ import annotations

import re
from collections.abc import Mapping
from types import MappingProxyType

#: Option → the field of a page that tells the same.
FIELDS: Mapping[str, str] = MappingProxyType({
    "--accept": "The prescriber accepts",
    "--correct": "Where left and right disagree",
    "--date": "Day",
    "--instead": "The pair in the mouth comes out",
    "--note": "Remark",
    "--percent": "At a percentage of the range",
    "--process-as-stored": "the process as recorded",
    "--read-to": "Gaps are read to",
    "--reason": "Why",
    "--template-as-stored": "the rod template as recorded",
    "--unreleased": "Why, if rods not released or not to be worn are delivered",
})  # fmt: skip
_OPTION = re.compile(r"(\bwith )?(--[a-z][a-z-]*)(?: [A-Z]+\b)?")
#: A choice among the command's words, which stands by itself on a page.
_CORRECT = re.compile(r"--correct (left|right|midline)")


def as_said(sentence: str) -> str:
    """Name the fields of a page where a sentence names options that they stand for.

    >>> as_said("today is 2031-03-20; give its day with --date")
    'today is 2031-03-20; give its day under “Day”'
    >>> as_said("a mistake is taken back with a reason: add --note")
    'a mistake is taken back with a reason: add “Remark”'
    """
    sentence = _CORRECT.sub(r"\1", sentence)

    def field(found: re.Match[str]) -> str:
        words = FIELDS.get(found[2])
        if words is None:
            return found[0]
        return f"{'under ' if found[1] else ''}“{words}”"

    return _OPTION.sub(field, sentence)
