"""The page of readings: what its form tells, and what it shows of each rod."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from labkit.core.case.identifier import grouped
from labkit.errors import InputError
from labkit.web.asked import Told
from labkit.web.said import as_said
from labkit.workflow.inspection.entry import (
    COMMON,
    KEEP_BY,
    OF_ROD,
    USUAL,
    Entry,
    JudgedEntry,
    length_told,
)
from labkit.workflow.inspection.inspect import Inspection

#: Fields of a rod in which several boxes can be ticked; what is ticked is told with commas.
_TICKED = ("fittings", "look")
#: Words of a column for people, where they are not its name.
_WORDS = {
    "label_read": "label", "material_lot": "lot", "measured_on": "day", "result": "your result",
    "use_before": "last day of the lot",
    "measured_by": "measured by", "temperature_c": "temperature", "gauge_pins": "gauge pins",
}
#: What becomes of a line for the eye.
_LOOKS = {"conforms": "good", "does not conform": "bad", "undecided": "open"}


@dataclass(frozen=True)
class RodLine:
    """One rod on the page.

    Args:
        typed: What is typed of it, by field; readings apart.
        on_record: What the record tells of it already; "" where it tells nothing.
        there: Whether it fills its place, so that it can be measured.
        result: What typed readings and record prove of it, "" while they prove nothing.
        held: Whether it is kept back, for itself or for what the whole set shows.
        told: That in words.
        problems: What holds it, or what is wrong with what is typed.
    """

    identifier: str
    step: int
    side: str
    typed: Mapping[str, str] = field(default_factory=dict)
    readings: tuple[str, ...] = ()
    really: bool = False
    on_record: str = ""
    there: bool = True
    result: str = ""
    held: bool = False
    told: str = ""
    problems: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """The rod by its identifier, as on its bag."""
        return grouped(self.identifier)

    @property
    def fields(self) -> tuple[str, ...]:
        """Readings as typed, with empty ones up to the usual number."""
        return (*self.readings, *[""] * (USUAL - len(self.readings)))

    @property
    def looks(self) -> str:
        """What the line looks like."""
        looks = _LOOKS.get(self.result, "wrong" if self.problems else "")
        return "open" if self.held and looks == "good" else looks

    @property
    def word(self) -> str:
        """The result in a word, or that what is typed cannot be read."""
        if not self.result:
            return "look again" if self.problems else ""
        held = self.held and _LOOKS[self.result] == "good"
        return f"{self.result}, but held" if held else self.result

    @property
    def asks(self) -> bool:
        """Whether it is asked if the readings are really so, or was."""
        return self.really or any(KEEP_BY in problem for problem in self.problems)

    def ticked(self, name: str, word: str) -> bool:
        """Tell whether a box is ticked."""
        return word in self.typed.get(name, "").split(", ")


def entry_of(form: Told) -> Entry:
    """Read the form."""
    rods = {
        rod: {
            name: ", ".join(form.all(f"{rod} {name}")) if name in _TICKED else form(f"{rod} {name}")
            for name in OF_ROD
        }
        for rod in form.all("rod")
    }
    readings = {
        rod: _without_empty_end([text.strip() for text in form.all(f"{rod} reading")])
        for rod in rods
    }
    really = frozenset(rod for rod in rods if form(f"{rod} really"))
    return Entry({name: form(name) for name in COMMON}, rods, readings, really)


def _without_empty_end(texts: Sequence[str]) -> tuple[str, ...]:
    last = max((at for at, text in enumerate(texts, 1) if text), default=0)
    return tuple(texts[:last])


def blank_lines(inspection: Inspection) -> tuple[RodLine, ...]:
    """Give the lines of a page on which nothing is typed yet."""
    return tuple(_blank(inspection))


def _blank(inspection: Inspection) -> Iterator[RodLine]:
    slots = {slot.rod.identifier: slot for slot in inspection.slots}
    for place in inspection.bench.places:
        rod, slot = place.expected, slots[place.identifier]
        record, on_record = inspection.records[rod.identifier], ""
        if record.lengths:
            entry = record.lengths[-1].stamp
            on_record = f"measured by {entry.by}, entry {entry.seq}"
        elif record.entries:
            on_record = f"looked at by {record.entries[-1].stamp.by}, not measured"
        yield RodLine(
            rod.identifier, rod.step, rod.side, on_record=on_record, there=slot.filled,
            told="" if slot.filled else f"The rod is {slot.rod.state}.",
        )


def judged_lines(judged: JudgedEntry, entry: Entry) -> tuple[RodLine, ...]:
    """Give the lines with what is typed and what that proves; rods of no place come last."""
    blank = {line.identifier: line for line in blank_lines(judged.inspection)}
    strays = [
        RodLine(rod, 0, "") for rod in entry.rods if rod not in blank and rod in judged.wrong
    ]
    return tuple(_judged(line, judged, entry) for line in (*blank.values(), *strays))


def _judged(line: RodLine, judged: JudgedEntry, entry: Entry) -> RodLine:
    rod = line.identifier
    typed, wrong = entry.rods.get(rod, {}), judged.wrong.get(rod, ())
    decided = judged.decided(rod) if judged.told(rod) else None
    return RodLine(
        rod, line.step, line.side, typed, tuple(entry.readings.get(rod, ())), rod in entry.really,
        line.on_record, line.there,
        str(decided.result) if decided else "",
        rod in judged.inspection.decision.held,
        _told(judged, rod),
        tuple(_wrong_told(error) for error in wrong if error.field not in COMMON)
        or tuple(as_said(finding.message) for finding in judged.about(rod)),
    )


def _told(judged: JudgedEntry, rod: str) -> str:
    if not judged.told(rod):
        return ""
    decided = judged.decided(rod)
    return length_told(decided) if decided else "looked at; no length yet"


def common_problems(judged: JudgedEntry) -> tuple[str, ...]:
    """Say what is wrong with what is told once for all rods, each once."""
    return tuple(dict.fromkeys(
        _wrong_told(error) for errors in judged.wrong.values() for error in errors
        if error.field in COMMON
    ))


def _wrong_told(error: InputError) -> str:
    """Say which field is wrong, and what is."""
    name = error.field
    number = name.removeprefix("reading_").removesuffix("_mm")
    words = f"reading {number}" if number.isdigit() else _WORDS.get(name, name.replace("_", " "))
    return f"{words}: {as_said(error.message)}"
