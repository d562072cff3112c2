"""How keys and values of files are named in sentences."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping

Location = tuple[str | int, ...]

#: A key this alike is taken for a typing slip (0 to 1, difflib's ratio).
LIKENESS = 0.6
#: Long values are cut in messages; the line number shows the rest.
SHOWN_CHARACTERS = 60


def dotted(location: Location) -> str:
    """Write a location as a dotted key, array members counted from 1.

    >>> dotted(("grading", "percent", 2))
    'grading.percent[3]'
    """
    text = ""
    for part in location:
        word = part if isinstance(part, int) or part.isprintable() else repr(part)
        text += f"[{part + 1}]" if isinstance(part, int) else f".{word}" if text else f"{word}"
    return text


def nearest(word: str, known: Iterable[str], likeness: float = LIKENESS) -> str | None:
    """Name the known word most like a mistyped one, the first of them, None if none is near.

    >>> nearest("retrudet", ["retruded", "protruded"])
    'retruded'
    """
    words = list(known)
    if not difflib.get_close_matches(word, words, n=1, cutoff=likeness):
        return None
    return max(words, key=lambda each: difflib.SequenceMatcher(None, each, word).ratio())


def unknown(name: str, known: Iterable[str]) -> str:
    """Say that a named thing is not known, with the nearest and all known names.

    >>> unknown("eye", ["eyes", "pins"])
    '= "eye" is not known; did you mean `eyes`? known are eyes, pins'
    """
    names = list(known)
    near = nearest(name, names)
    hint = f"did you mean `{near}`? " if near else ""
    return f'= "{name}" is not known; {hint}known are {", ".join(names)}'


def unknown_key(key: str, known: Iterable[str]) -> str:
    """Say that a key is not known, with the nearest one, or else all known ones.

    >>> unknown_key("hight", ["height", "depth"])
    'is not a known key; did you mean `height`?'
    """
    names = list(known)
    near = nearest(key, names)
    if near:
        return f"is not a known key; did you mean `{near}`?"
    return f"is not a known key; known here are {', '.join(names)}"


def shown(value: object) -> str:
    """Show a value as the file would write it, cut if long.

    >>> shown("abc"), shown(True)
    ('"abc"', 'true')
    """
    if isinstance(value, bool):
        text = "true" if value else "false"
    elif isinstance(value, str):
        text = f'"{value}"'
    elif isinstance(value, list):
        text = "[" + ", ".join(shown(item) for item in value) + "]"
    elif isinstance(value, Mapping):
        text = "a table"
    else:
        text = f"{value}"
    text = text.encode("unicode_escape").decode() if not text.isprintable() else text
    return text if len(text) <= SHOWN_CHARACTERS else text[: SHOWN_CHARACTERS - 1] + "…"


def listed(words: Iterable[str]) -> str:
    """Write allowed words as a choice.

    >>> listed(["f", "m", "c"])
    '"f", "m" or "c"'
    """
    *first, last = (f'"{word}"' for word in words)
    return f"{', '.join(first)} or {last}" if first else last
