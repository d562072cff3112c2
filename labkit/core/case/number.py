"""Case numbers that the pages of a case could not be shown under."""

from __future__ import annotations


def why_not_shown(number: str) -> str:
    """Say why no page could be shown of a case; empty where one can.

    >>> why_not_shown("2031/17.a"), why_not_shown("a/./b")[:35]
    ('', "no page could be shown of a case 'a")
    """
    if not {".", ".."} & set(number.split("/")):  # a browser takes it for a step upwards
        return ""
    return (
        f"no page could be shown of a case {number!r}; give a number in which no part between "
        "slashes is . or ..; nothing was recorded"
    )
