"""Run rules: patterns on a chart that a stable process seldom makes."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labkit.errors import RefusedError
from labkit.qa.process.groups import Values, finite

Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Rule:
    """One pattern.

    Args:
        points: How many points the pattern takes.
        rate: How often a point completes it in a stable normal process whose centre and standard
            deviation are known.
        found: Marks the points that complete the pattern below (-1), above (+1) or either way.
        told: What was found, in words that follow the points.
        sides: What is marked: -1 and +1 for the two sides, 0 for a pattern of both.
    """

    name: str
    words: str
    points: int
    rate: float
    found: Callable[[Values, int], Flags]
    told: str
    sides: tuple[int, ...] = (1, -1)


@dataclass(frozen=True)
class Signal:
    """One pattern that was found.

    Args:
        index: The point that completes it, counted from 0.
        sentence: What was found, points counted from 1.
    """

    rule: str
    index: int
    sentence: str
    first: int
    last: int


def _windows(flags: Flags, points: int, least: int) -> Flags:
    """Mark each point that has `least` of the last `points`, itself among them."""
    counts = np.convolve(flags, np.ones(points, int))[: len(flags)]
    full = np.arange(len(flags)) >= least - 1
    return flags & full & (counts >= least)


def _six_trending(z: Values, side: int) -> Flags:
    rising = np.concatenate([[False], np.diff(z) * side > 0.0])
    return _windows(rising, 5, 5)


def _fourteen_alternating(z: Values, _side: int) -> Flags:
    steps = np.sign(np.diff(z))
    turns = np.concatenate([[False, False], steps[1:] * steps[:-1] < 0])[: len(z)]
    return _windows(turns, 12, 12)


#: The four zone rules and the trend. Their rates are exact, see tests/reference/.
BEYOND = Rule(
    "beyond-3-sigma", "one point beyond 3 standard deviations", 1, 0.0026998,
    lambda z, side: z * side > 3.0,
    "lies {side} the {limit} limit {level}, 3 standard deviations from the centre {centre}",
)
TWO_OF_THREE = Rule(
    "two-of-three", "2 of the last 3 points beyond 2 standard deviations on one side", 3,
    0.0020467, lambda z, side: _windows(z * side > 2.0, 3, 2),
    "2 of 3 points in a row lie more than 2 standard deviations {side} the centre {centre}",
)
FOUR_OF_FIVE = Rule(
    "four-of-five", "4 of the last 5 points beyond 1 standard deviation on one side", 5,
    0.0044657, lambda z, side: _windows(z * side > 1.0, 5, 4),
    "4 of 5 points in a row lie more than 1 standard deviation {side} the centre {centre}",
)
EIGHT_ON_ONE_SIDE = Rule(
    "eight-on-one-side", "8 points in a row on one side of the centre", 8, 0.0078125,
    lambda z, side: _windows(z * side > 0.0, 8, 8),
    "{count} points in a row lie {side} the centre {centre}: the level has moved",
)
SIX_TRENDING = Rule(
    "six-trending", "6 points in a row, each above (or each below) the one before", 6, 0.0027778,
    _six_trending, "{count} points in a row go {way}: a trend",
)
FOURTEEN_ALTERNATING = Rule(
    "fourteen-alternating", "14 points in a row, up and down in turns", 14, 0.0045736,
    _fourteen_alternating, "{count} points in a row go up and down in turns: two sources take "
    "turns, or each correction goes too far", (0,),
)
FIFTEEN_WITHIN = Rule(
    "fifteen-within", "15 points in a row within 1 standard deviation of the centre", 15,
    0.0032610, lambda z, _side: _windows(np.abs(z) < 1.0, 15, 15),
    "{count} points in a row lie within 1 standard deviation of the "
    "centre {centre}: too good to be true, look at the gauge and at how the limits were found",
    (0,),
)
EIGHT_OUTSIDE = Rule(
    "eight-outside", "8 points in a row, none within 1 standard deviation of the centre", 8,
    0.00010277, lambda z, _side: _windows(np.abs(z) > 1.0, 8, 8),
    "{count} points in a row keep 1 standard deviation away from the centre {centre}: two "
    "processes on one chart", (0,),
)
ZONE_RULES = (BEYOND, TWO_OF_THREE, FOUR_OF_FIVE, EIGHT_ON_ONE_SIDE)
#: What is looked for unless more is asked: every further rule costs further false alarms.
USUAL = (*ZONE_RULES, SIX_TRENDING)
ALL = (*USUAL, FOURTEEN_ALTERNATING, FIFTEEN_WITHIN, EIGHT_OUTSIDE)
_SIDES = {1: "above", -1: "below", 0: ""}


def run_rules(
    values: ArrayLike, centre: float, sigma: float, rules: Sequence[Rule] = USUAL
) -> tuple[Signal, ...]:
    """Look for patterns that a stable process seldom makes.

    Formula: z = (x − centre)/σ; each rule is a condition on consecutive z.

    Args:
        values: Measured values in the order in which they were made, any unit.

    Returns:
        What was found, by the point that completes it; a pattern that goes on is told once.

    Validity: Rates of false alarms hold for independent normal values and known centre and sigma;
    where those are estimated from few values there are more of them.

    Raises:
        InputError: A value is not finite.
        RefusedError: sigma is not above 0.

    >>> [s.index for s in run_rules([0.1, -0.4, 3.2, 0.3], 0.0, 1.0)]
    [2]

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2 (the rules of Western Electric,
    and trends); L. S. Nelson, Journal of Quality Technology 16 (1984) 237, for the last two.
    """
    x = finite(values, " on the chart")
    finite([centre], " on the chart")
    if not (np.isfinite(sigma) and sigma > 0.0):
        raise RefusedError(
            "the values do not differ, so there is no spread to judge them by; measure with a "
            "finer gauge", field="sigma", value=sigma,
        )
    z = (x - centre) / sigma
    found = [
        _told(rule, side, run, (x, centre, sigma))
        for rule in rules for side in rule.sides for run in _runs(rule, rule.found(z, side))
    ]
    return tuple(sorted(found, key=lambda s: (s.index, s.rule)))


def _runs(rule: Rule, marked: Flags) -> Iterator[tuple[int, int]]:
    """Put the points of one pattern that goes on together; points beyond a limit stay single.

    Yields:
        The point that completes the pattern, and the last to which it goes on.
    """
    points = [int(i) for i in np.flatnonzero(marked)]
    if rule.points == 1:
        yield from zip(points, points, strict=True)
        return
    for _, group in groupby(enumerate(points), key=lambda pair: pair[1] - pair[0]):
        run = [i for _, i in group]
        yield run[0], run[-1]


def _told(
    rule: Rule, side: int, run: tuple[int, int], chart: tuple[Values, float, float]
) -> Signal:
    (index, last), (x, centre, sigma) = run, chart
    first = max(0, index - rule.points + 1)
    words = rule.told.format(
        side=_SIDES[side], limit="upper" if side > 0 else "lower",
        level=f"{centre + 3 * side * sigma:.5g}", centre=f"{centre:.5g}",
        count=last - first + 1, way="up" if side > 0 else "down",
    )
    place = f"points {first + 1} to {last + 1}: "
    if rule.points == 1:
        place = f"point {index + 1} ({x[index]:.5g}) "
    return Signal(rule.name, index, place + words, first, last)
