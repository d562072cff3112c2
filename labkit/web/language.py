"""How whoever sits at the browser writes numbers."""

from __future__ import annotations

from fastapi import Request

#: Languages whose decimal sign is a comma, and their regions where it is a point.
#: Source: Unicode CLDR 45, numbers/symbols/decimal of each locale.
_COMMA = frozenset(
    ("af", "be", "bg", "bs", "ca", "cs", "da", "de", "el", "es", "et", "eu", "fi", "fr", "gl", "hr",
     "hu", "id", "is", "it", "kk", "lt", "lv", "mk", "nb", "nl", "nn", "no", "pl", "pt", "ro", "ru",
     "sk", "sl", "sq", "sr", "sv", "tr", "uk", "vi")
)
_POINT_THERE = frozenset(
    ("de-ch", "de-li", "it-ch", "es-do", "es-gt", "es-hn", "es-mx", "es-ni", "es-pa", "es-pe",
     "es-pr", "es-sv", "es-us")
)


def decimal_sign(request: Request) -> str:
    """Give the decimal sign of the browser's first language; "" where it names none."""
    first = request.headers.get("accept-language", "").split(",")[0].split(";")[0].strip()
    return sign_of(first)


def sign_of(tag: str) -> str:
    """Give the decimal sign of a language.

    >>> sign_of("de-AT"), sign_of("de-CH"), sign_of("en-GB"), sign_of("")
    (',', '.', '.', '')
    """
    tag = tag.casefold()
    if not tag or tag == "*":
        return ""
    comma = tag.partition("-")[0] in _COMMA and tag not in _POINT_THERE
    return "," if comma else "."
