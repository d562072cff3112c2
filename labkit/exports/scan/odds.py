"""How much likelier a label is than every other one that a template allows."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import combinations

from labkit.core.label.rules import needs_bar
from labkit.core.rod.rods import RodTemplate
from labkit.exports.scan.glyphs import Guess

#: A label is read where the odds against every other one are at least a million to one.
LEAST_NATS = math.log(1e6)
#: Larger odds are told as "more than".
MOST_TOLD = 12


@dataclass(frozen=True)
class Rival:
    """The likeliest other label.

    Args:
        nats: Natural logarithm of the odds against it; infinite where there is none.
    """

    text: str = ""
    nats: float = math.inf

    @property
    def told(self) -> str:
        """The odds in words.

        >>> Rival("27.9", 16.2).told, Rival("27.9", 90.0).told, Rival().told
        ('10^7 to 1 against 27.9', 'more than 10^12 to 1 against 27.9', 'no other label')
        """
        if not self.text:
            return "no other label"
        power = max(int(self.nats / math.log(10.0)), 0)
        more = "more than " if power > MOST_TOLD else ""
        return f"{more}10^{min(power, MOST_TOLD)} to 1 against {self.text}"


NO_RIVAL = Rival()


def is_allowed(text: str, bar: bool, template: RodTemplate) -> bool:
    """Tell whether the template allows a label: its length, and the bar under it."""
    length = text.rstrip("LR")
    within = template.shortest_mm <= Decimal(length) <= template.longest_mm
    return within and needs_bar(length) == bar


def rival_of(chars: Sequence[Guess], bar: bool, template: RodTemplate) -> Rival:
    """Find the likeliest other label of the same form.

    Formula: odds = exp(Σ gains of the characters read − Σ gains of the other label's).

    Validity: labels that differ in one or two characters; more of them are less likely still.
    """
    for loss, text in sorted(_others(chars)):
        if is_allowed(text, bar, template):
            return Rival(text, loss)
    return NO_RIVAL


def likeliest(chars: Sequence[Guess], bar: bool, template: RodTemplate) -> Rival:
    """Find the likeliest label of a form that the template allows, and what it lacks to the best.

    Returns:
        The label; `nats` are what it is less likely than the characters as read.
    """
    text = "".join(char.char for char in chars)
    if is_allowed(text, bar, template):
        return Rival(text, 0.0)
    return rival_of(chars, bar, template)


def _others(chars: Sequence[Guess]) -> Iterator[tuple[float, str]]:
    """Give every label that differs in one or two characters, with what is lost in likelihood."""
    text = [char.char for char in chars]
    singles = [
        (char.gain - gain, place, other)
        for place, char in enumerate(chars)
        for other, gain in char.gains.items() if other != char.char
    ]
    changes = [*((one,) for one in singles), *combinations(singles, 2)]
    for changed in changes:
        places = {place: other for _, place, other in changed}
        if len(places) == len(changed):
            told = "".join(places.get(place, own) for place, own in enumerate(text))
            yield sum(loss for loss, _, _ in changed), told
