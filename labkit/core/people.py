"""The people of a lab, by the codes that they act under, and who of them may release."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Annotated

from labkit.core.form.keys import Key
from labkit.core.jsonable import LEFT_OUT_AT_DEFAULT
from labkit.errors import RefusedError

_CODE_CHARACTERS = 32
#: Small Cyrillic and Greek letters that look like Latin ones (Unicode Technical Standard 39).
_LOOK_ALIKE = str.maketrans("аеорсухіјѕһԁԛԝοανρικτχ", "aeopcyxijshdqwoavpiktx")


@dataclass(frozen=True)
class Person:
    """One person of the lab."""

    code: Annotated[str, Key(
        "code that the person acts under (--by)", f"text of 1 to {_CODE_CHARACTERS} characters",
        most=_CODE_CHARACTERS,
    )]
    name: Annotated[str, Key("name for people")] = field(default="", metadata=LEFT_OUT_AT_DEFAULT)
    releases: Annotated[bool, Key("whether the person may release a set")] = field(
        default=True, metadata=LEFT_OUT_AT_DEFAULT
    )


def is_one_of(code: str, codes: Iterable[str]) -> bool:
    """Tell whether a code is that of one of some people, as far as an eye tells codes apart.

    Capitals, accents, full-width forms, signs and letters that look alike make no other person.

    >>> [is_one_of(code, ["quinn"]) for code in ("Quinn.", "quïnn", "ｑuinn", "quіnn", "kim")]
    [True, True, True, True, False]
    """
    return _seen(code) in map(_seen, codes)


def _seen(code: str) -> str:
    plain = unicodedata.normalize("NFKD", code).casefold().translate(_LOOK_ALIKE)
    return "".join(filter(str.isalnum, plain)) or plain


def require_known(people: Sequence[Person], *codes: str | None) -> None:
    """Refuse a code that nobody of the lab has; a lab that lists nobody knows every code.

    Args:
        codes: Capitals do not matter; None is nobody.

    Raises:
        RefusedError: One is none of theirs.

    >>> require_known([Person("kim"), Person("quinn")], "Kim", None)
    """
    known = {one.code.casefold() for one in people}
    for code in (code for code in codes if people and code and code.casefold() not in known):
        raise RefusedError(
            f"{code} is not a code in the lab's profile, which lists "
            f"{', '.join(one.code for one in people)}; give one of these codes, or add the person "
            "to the profile ([[people]]); nothing was recorded",
            field="by", value=code,
        )


def require_releasing(people: Sequence[Person], code: str) -> None:
    """Refuse a code whose person may not release a set, or that nobody of the lab has.

    Raises:
        RefusedError: It is so.
    """
    require_known(people, code)
    may = [one.code for one in people if one.releases]
    if people and code.casefold() not in {one.casefold() for one in may}:
        raise RefusedError(
            f"{code} may not release a set by the lab's profile; let "
            f"{' or '.join(may) or 'somebody'} release it, or change the profile ([[people]], "
            "releases); nothing was recorded",
            field="by", value=code,
        )
