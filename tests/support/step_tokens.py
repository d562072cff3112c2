"""The tokens of a STEP file and what a single one of them may be changed into."""

from __future__ import annotations

import random
import re
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass

TOKEN = re.compile(
    r"(?P<string>'(?:[^']|'')*')|(?P<reference>\#\d+)|(?P<number>[+-]?\d+(?:\.\d*(?:E[+-]?\d+)?)?)"
    r"|(?P<word>\.[A-Z_0-9]+\.)|(?P<keyword>[A-Z][A-Z0-9_-]*)|(?P<sign>[()=;,*$])"
)
WORDS = (".T.", ".F.", ".U.", ".MILLI.", ".CENTI.", ".METRE.", ".RADIAN.", "$")
SIGNS = ("", "(", ")", ",", ";", "*", "$", "=")


@dataclass(frozen=True)
class Token:
    """A token of a text and where it stands."""

    kind: str
    text: str
    start: int


def tokens_of(text: str) -> list[Token]:
    """List a file's tokens in order."""
    return [
        Token(found.lastgroup or "", found[0], found.start()) for found in TOKEN.finditer(text)
    ]


class Changes:
    """Changes single tokens of one file."""

    def __init__(self, text: str, seed: int = 0) -> None:
        self.text = text
        self.tokens = tokens_of(text)
        self._random = random.Random(seed)
        self._alike: dict[str, list[str]] = defaultdict(list)
        for number, keyword in re.findall(r"(#\d+) = ([A-Z0-9_]*)", text):
            self._alike[keyword].append(number)
        self._kind_of = {number: key for key, all_ in self._alike.items() for number in all_}
        self._keywords = sorted({t.text for t in self.tokens if t.kind == "keyword"})

    def of(self, token: Token) -> Iterator[str]:
        """Give other texts for a token, none equal to it."""
        seen = {token.text}
        for other in getattr(self, f"_{token.kind}")(token.text):
            if other not in seen:
                seen.add(other)
                yield other

    def changed(self, *changes: tuple[Token, str]) -> str:
        """Give the file with tokens changed, each into another text."""
        pieces, done = [], 0
        for token, other in sorted(changes, key=lambda one: one[0].start):
            pieces += [self.text[done : token.start], other]
            done = token.start + len(token.text)
        return "".join((*pieces, self.text[done:]))

    def _string(self, text: str) -> Iterator[str]:
        yield "'x'" if text == "''" else "''"
        yield "'2;2'"

    def _reference(self, text: str) -> Iterator[str]:
        alike = self._alike[self._kind_of.get(text, "")]
        if alike:
            place = alike.index(text)
            yield alike[(place + 1) % len(alike)]
            yield self._random.choice(alike)
        yield self._random.choice([*self._kind_of])
        yield "#999999"

    def _number(self, text: str) -> Iterator[str]:
        digits = [place for place, one in enumerate(text) if one.isdigit()]
        for place in {digits[0], digits[-1], self._random.choice(digits)}:
            other = str((int(text[place]) + self._random.randint(1, 9)) % 10)
            yield text[:place] + other + text[place + 1 :]
        yield text[1:] if text.startswith("-") else f"-{text}"
        if "." in text:
            yield repr(float(text) + 1.0)
            yield repr(float(text) + 10 ** self._random.uniform(-8, 0))
            yield repr(float(text) - 10 ** self._random.uniform(-8, 0))
            yield text.replace(".", "")
            yield text if "E" in text else text + "E1"

    def _word(self, text: str) -> Iterator[str]:
        yield {".T.": ".F.", ".F.": ".T."}.get(text, ".T.")
        yield self._random.choice(WORDS)

    def _keyword(self, text: str) -> Iterator[str]:
        yield self._random.choice(self._keywords)

    def _sign(self, text: str) -> Iterator[str]:
        yield ""
        yield self._random.choice(SIGNS)
