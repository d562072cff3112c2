"""Does what the house says of a case agree with the account of it?

Everything said is read as text. A line that names a pair or a rod may tell what was true once only
beside what is true now; a pair above 100 % stands nowhere without its words.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

from tests.year.account import (
    IN_CIRCULATION,
    NOT_TO_BE_WORN,
    WITHIN_ROUNDING,
    Now,
    Pair,
)

IDENTIFIER = re.compile(r"(?<![\w-])(\d{4})[ -]?(\d{3})[ -]?(\d{3})[ -]?(\d{4})(?![\w-])")
#: A line of the story: what was done, not what holds.
STORY = re.compile(r"^\d+ 20\d\d-\d\d-\d\d[ T]\d\d:\d\d")
NUMBER = re.compile(r"(?<![\d.,/−-])\d+\.\d+(?![\d.])")
ENTRY = re.compile(r"True as of entry (\d+) of the record, (\d{4}-\d\d-\d\d)")


@dataclass(frozen=True)
class Said:
    """One screen or paper, its text, and the set that it is a paper of, if it is."""

    source: str
    text: str
    set_name: str = ""

    @cached_property
    def lines(self) -> list[str]:
        return [" ".join(line.split()) for line in self.text.splitlines() if line.strip()]

    @cached_property
    def whole(self) -> str:
        return " ".join(self.text.split())


def identifiers(line: str) -> list[str]:
    """Give every rod identifier of a line."""
    return ["".join(found.groups()) for found in IDENTIFIER.finditer(line)]


def names_pair(line: str, pair: Pair) -> bool:
    """Tell whether a line has both lengths side by side, in a table's row or as a/b."""
    left, right = (re.escape(length) for length in pair.lengths)
    beside = rf"(?<![\d.]){left}L?( ?/ ?| | left,? and | left, )(right )?{right}(?![\d.])"
    return bool(re.search(rf"{beside}|left {left}L?\b.{{1,8}}right {right}R?\b", line))


def disagreements(now: Now, said: Said) -> Iterator[str]:
    """Give each thing said that is not so, a sentence each."""
    lines = said.lines
    for number, line in enumerate(lines):
        below = " ".join(_row(lines, number))
        about = " ".join(lines[max(0, number - 2) : number + 2])
        for fault in (
            *_unknown(now, line), *_stale_range(now, line, about),
            *_pairs_told(now, line, about if " makes" in line else below),  # else a table's row
        ):
            yield f"{said.source}: {fault}: {line!r}"
    yield from (f"{said.source}: {fault}" for fault in _without_words(now, said))
    yield from (f"{said.source}: {fault}" for fault in _wrong_words(now, said))


def _row(lines: list[str], number: int) -> list[str]:
    """Give a line and what follows: cells of several lines, and a mark, also on the next page."""
    ends = any("Page " in line for line in lines[number : number + 6])
    return lines[number : number + (14 if ends else 4)]


def _unknown(now: Now, line: str) -> Iterator[str]:
    for identifier in identifiers(line):
        if identifier not in now.rods:
            yield f"no rod of this case is {identifier}"


def _pairs_told(now: Now, line: str, near: str) -> Iterator[str]:
    if not STORY.match(line):
        for pair in now.pairs:
            named = set(identifiers(line)) & {rod.identifier for rod in pair.rods}
            if named or names_pair(line, pair):
                yield from _at_row(now, line, near, pair)


def _at_row(now: Now, line: str, near: str, pair: Pair) -> Iterator[str]:
    """A line that names a pair: its percent is that of now, with its words."""
    yield from _stale_percent(now, line, pair)
    told = f"{pair.percent:.1f}" in set(NUMBER.findall(line)) - set(pair.lengths)
    if told and pair.word.lower() not in near.lower():
        yield f"{pair.labels} make {pair.percent:.1f} %, which stands without {pair.word!r}"


def _stale_percent(now: Now, line: str, pair: Pair) -> Iterator[str]:
    """A percent of an earlier range, without that of now."""
    numbers = set(NUMBER.findall(line)) - set(pair.lengths)
    today = f"{pair.percent:.1f}"
    earlier = {f"{100 * pair.advancement_mm / one:.1f}" for one in now.earlier_mm} - {today}
    if numbers & earlier and today not in numbers:
        yield f"{pair.labels} make {today} % now, said is only {sorted(numbers & earlier)}"


def _stale_range(now: Now, line: str, about: str) -> Iterator[str]:
    """A range that held once, without the one that holds now or that it held once."""
    if "range" not in line.lower():
        return
    told_mm = re.findall(r"([\d.]+\d) ?mm(?! of advancement)", line)
    numbers = {round(float(one), 2) for one in told_mm}
    earlier = {round(one, 2) for one in now.earlier_mm} - {round(now.range_mm, 2)}
    told = re.search("as prescribed|made for|recorded is|instead of", about.lower())
    if numbers & earlier and round(now.range_mm, 2) not in numbers and not told:
        yield f"the range is {now.range_mm:.2f} mm now"


def _without_words(now: Now, said: Said) -> Iterator[str]:
    """Whoever names a rod above 100 % says so somewhere on the same paper, by its identifier."""
    named = {
        identifier for line in said.lines if not STORY.match(line)
        for identifier in identifiers(line)
    }
    for pair in now.pairs:
        shown = any(
            rod.identifier in named or rod.set_name == said.set_name for rod in pair.rods
        ) or any(names_pair(line, pair) for line in said.lines if not STORY.match(line))
        if pair.word == WITHIN_ROUNDING:  # said beside the percent, where one is told
            shown = shown and f"{pair.percent:.1f}" in NUMBER.findall(said.whole)
        if shown and pair.word.lower() not in said.whole.lower():
            yield f"{pair.labels}, {pair.percent:.1f} %, without {pair.word!r}"


def _wrong_words(now: Now, said: Said) -> Iterator[str]:
    """Nothing is struck that may be worn."""
    good = {
        rod.identifier for pair in now.pairs if pair.word != NOT_TO_BE_WORN
        for rod in pair.rods
    }
    for line in said.lines:
        if NOT_TO_BE_WORN in line:
            for identifier in set(identifiers(line)) & good:
                yield f"{identifier} may be worn: {line!r}"


def disagreements_of_labels(now: Now, said: Said) -> Iterator[str]:
    """Bag labels are cut apart: each bears what is to be said of its rod, and no percent."""
    for block in said.whole.split(now.case)[1:]:
        for identifier in identifiers(block):
            rod = now.rods[identifier]
            pair = now.by_rod.get(identifier)
            # What a rod made that nobody has any more may still be said of it.
            if pair and (NOT_TO_BE_WORN in block) != (pair.word == NOT_TO_BE_WORN):
                yield f"{said.source}: the bag of {rod.grouped} must say {pair.word!r}: {block!r}"
            if f"{rod.label} mm" not in block or rod.side not in block:
                yield f"{said.source}: the bag of {rod.grouped} is another rod's: {block!r}"


def entries(said: Said) -> list[tuple[int, str]]:
    """Give the entries of the record, with their dates, that a paper says it is true for."""
    return [(int(number), day) for number, day in ENTRY.findall(said.whole)]


def disagreements_of_tables(now: Now, lab) -> Iterator[str]:
    """What programs are given, number by number."""
    shown = {rod["identifier"]: rod for rod in lab.told("show", now.case)["rods"]}
    found = {rod.identifier: lab.told("find", rod.identifier) for rod in lab.some_rods()}
    if set(shown) != set(now.rods):
        yield f"show: rods {set(shown) ^ set(now.rods)}"
    for identifier, rod in now.rods.items():
        for source, told in (("show", shown[identifier]), ("find", found.get(identifier))):
            if told is None:
                continue
            if told["state"] != rod.state:
                yield f"{source}: {rod.grouped} is {rod.state}, told is {told['state']}"
            pair = now.by_rod.get(identifier)
            yield from _number_told(f"{source}: {rod.grouped}", told["now"], pair)
    (case,) = (json.loads(line) for line in lab.run("cases", "--json").stdout.splitlines())
    out = sum(rod.state in IN_CIRCULATION for rod in now.rods.values())
    back = {
        rod.identifier for pair in now.pairs if pair.word == NOT_TO_BE_WORN
        for rod in pair.rods if rod.state in ("delivered", "fitted")
    }
    alone = {rod.identifier for rod in lab.account.in_circulation()} - set(now.by_rod)
    if case["asked_back"] != len(back) and not alone:
        yield f"cases: {back} are asked back, told are {case['asked_back']}"
    if case["rods_out"] != out:
        yield f"cases: {out} rods are in circulation, told are {case['rods_out']}"


    yield from _recalled(now, lab)
    yield from _together(now, lab)


def _recalled(now: Now, lab) -> Iterator[str]:
    """Recall names every pair beyond the maximum, and the papers that tell another range."""
    told = lab.told("recall")["recalled"]
    beyond = {rod for one in told if one["reason"] == "beyond_the_maximum" for rod in one["rods"]}
    mine = {rod.identifier for pair in now.pairs if pair.word == NOT_TO_BE_WORN
            for rod in pair.rods}
    alone = {rod.identifier for rod in lab.account.in_circulation()} - set(now.by_rod)
    if beyond - alone != mine:
        yield f"recall: beyond the maximum are {mine}, told are {beyond}"
    papers = {
        re.match(r"papers of (\S+) that", one["what"])[1]: set(one["rods"]) for one in told
        if one["reason"] == "papers_of_another_range"
    }
    if papers != lab.account.wrong_papers():
        yield f"recall: papers of {lab.account.wrong_papers()} are wrong, told are {papers}"
    others = {one["reason"] for one in told} - {
        "beyond_the_maximum", "papers_of_another_range", "made_uncompensated"}
    if others:
        yield f"recall: {others} is not so: {told}"


def _together(now: Now, lab) -> Iterator[str]:
    """What any two rods make: those of the furthest pair, and rods of two steps."""
    for left, right in ((now.pairs[-1], now.pairs[-1]), (now.pairs[0], now.pairs[-1])):
        asked = [left.left.label.rstrip("L") + "L", right.right.label.rstrip("R") + "R"]
        told = json.loads(lab.asked("rod", *asked, "--case", now.case, "--json"))
        mine = lab.account.makes(left.left.length, right.right.length)
        if abs(told["advancement_mm"] - mine) > 1e-5:
            yield f"rod {asked}: {mine:.6f} mm, told is {told['advancement_mm']}"
        struck = lab.account.word(left.left, right.right) == NOT_TO_BE_WORN
        if left is right and told["may_be_worn"] == struck:
            yield f"rod {asked}: NOT TO BE WORN is {struck}, told is {told}"


def _number_told(source: str, told, pair: Pair | None) -> Iterator[str]:
    if pair is None:
        return
    for name, mine in (("percent", pair.percent), ("advancement_mm", pair.advancement_mm)):
        if abs(told[name] - mine) > 1e-5:
            yield f"{source}: {name} is {mine:.6f}, told is {told[name]}"
