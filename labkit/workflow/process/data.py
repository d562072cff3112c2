"""Values of a process from the record: one for each measured rod, whatever became of it."""

from __future__ import annotations

import datetime
import math
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from labkit.core.form.words import nearest
from labkit.errors import InputError, RefusedError
from labkit.ledger.queries import Reader
from labkit.ledger.stored import LastReading
from labkit.qa.process.capability import Limits
from labkit.qa.process.sample import Grouping, Sample
from labkit.units import counted, plain

#: Rods of like length are compared in bands of this width, mm.
BAND_MM = 5
_MOST_LISTED = 12
_TITLE = "length minus nominal"
_NO_LOT = "not recorded"
#: What a selection names → what it is called.
_NAMED = {
    "process": "process", "machine": "machine", "material": "material", "lot": "material lot",
    "template": "rod template", "side": "side", "case": "case",
}
#: What rods are put together by, where they differ in it.
_GROUPED = ("lot", "process", "machine", "material", "template", "length", "side")


@dataclass(frozen=True)
class RodValue:
    """One measured rod.

    Args:
        version: Digest of the process as it was then.
        deviation_mm: Measured functional length minus nominal.
        u_mm: Standard uncertainty of that, None if not recorded.
    """

    identifier: str
    case: str
    set_name: str
    side: str
    template: str
    process: str
    version: str
    machine: str
    material: str
    lot: str | None
    nominal_mm: float
    tolerance_mm: float
    deviation_mm: float
    u_mm: float | None
    measured_on: datetime.date


@dataclass(frozen=True)
class Selection:
    """Which rods are wanted; None takes all.

    Args:
        shortest_mm, longest_mm: Bounds of the nominal length, both included.
        since, until: Bounds of the day of measuring, both included.
    """

    process: str | None = None
    machine: str | None = None
    material: str | None = None
    lot: str | None = None
    template: str | None = None
    side: str | None = None
    case: str | None = None
    shortest_mm: float | None = None
    longest_mm: float | None = None
    since: datetime.date | None = None
    until: datetime.date | None = None


def rod_values(reader: Reader) -> tuple[tuple[RodValue, ...], int]:
    """Read every measured rod from the record, in the order in which they were made.

    Each rod counts once, with its last reading that nothing has corrected. Rejected rods count:
    they came from the process, too.

    Returns:
        The rods, and how many readings keep no details and cannot be used.
    """
    with reader.snapshot():
        process = cache(reader.process)
        found = [_value(each, process) for each in reader.last_readings()]
    values = tuple(value for value in found if value is not None)
    return values, len(found) - len(values)


def _value(
    last: LastReading, process_of: Callable[[str], Mapping[str, Any]]
) -> RodValue | None:
    reading, details = last.reading, last.reading.details
    if not {"length_mm", "nominal_mm", "tolerance_mm"} <= details.keys():
        return None
    process, nominal = process_of(last.process_sha256), float(details["nominal_mm"])
    return RodValue(
        identifier=reading.identifier,
        case=last.case,
        set_name=last.set_name,
        side=last.side,
        template=last.template,
        process=last.process,
        version=last.process_sha256,
        machine=process.get("machine", ""),
        material=process.get("material", ""),
        lot=details.get("material_lot"),
        nominal_mm=nominal,
        tolerance_mm=float(details["tolerance_mm"]),
        # Lengths are kept to the last bit: take away what subtracting adds.
        deviation_mm=round(float(details["length_mm"]) - nominal, 9),
        u_mm=reading.u_mm,
        measured_on=reading.measured_on,
    )


def chosen(values: Sequence[RodValue], wanted: Selection) -> tuple[RodValue, ...]:
    """Choose rods.

    Raises:
        InputError: A name is not in the record at all; the sentence names the nearest or all.
        RefusedError: No rod fits.
    """
    if not values:
        raise RefusedError(
            "the record has no measured rods yet; record readings with `labkit inspect CASE FILE`, "
            "or name a table with --file"
        )
    for field, words in _NAMED.items():
        _require_known(field, words, getattr(wanted, field), values)
    fitting = tuple(value for value in values if _fits(value, wanted))
    if not fitting:
        raise RefusedError(
            f"none of {counted(len(values), 'measured rod')} in the record fits the whole "
            "selection; leave out one of its options"
        )
    return fitting


def _require_known(
    field: str, words: str, name: str | None, values: Iterable[RodValue]
) -> None:
    known = sorted({getattr(value, field) or "" for value in values} - {""})
    if name is None or name in known:
        return
    # Names such as lots are all alike: a few are better listed than guessed at.
    near = nearest(name, known) if len(known) > _MOST_LISTED else None
    hint = f"did you mean {near!r}?" if near else (
        f"measured are {', '.join(map(repr, known[:_MOST_LISTED]))}" if known
        else "none is recorded"
    )
    raise InputError(
        f"no measured rod has the {words} {name!r}; {hint}", field=field, value=name
    )


def _fits(value: RodValue, wanted: Selection) -> bool:
    bounds: tuple[tuple[Any, Any, Any], ...] = (
        (wanted.shortest_mm, value.nominal_mm, wanted.longest_mm),
        (wanted.since, value.measured_on, wanted.until),
    )
    return all(
        getattr(wanted, field) in (None, getattr(value, field)) for field in _NAMED
    ) and all(
        (low is None or low <= own) and (high is None or own <= high) for low, own, high in bounds
    )


def rod_sample(
    values: Sequence[RodValue], wanted: Selection, without: int = 0, subgroup: str | None = None
) -> Sample:
    """Make a sample of the deviations of rods.

    Where the rods have one tolerance, values and limits are mm. Where they have several, each
    deviation is divided by the tolerance of its rod and the limits are ± 1: a rod is judged by
    what it was allowed, and rods of different tolerances may stand in one study.

    Args:
        without: Readings that could not be used.
        subgroup: What was made under the same conditions: "set" or "lot"; None for neighbours.

    Raises:
        InputError: There is no such subgroup.
    """
    tolerances = sorted({value.tolerance_mm for value in values})
    one = len(tolerances) == 1
    scale = [1.0 if one else value.tolerance_mm for value in values]
    limit = tolerances[0] if one else 1.0
    return Sample(
        title=_TITLE,
        unit="mm" if one else "of the tolerance",
        values=tuple(v.deviation_mm / s for v, s in zip(values, scale, strict=True)),
        names=tuple(value.identifier for value in values),
        limits=Limits(-limit, limit, 0.0),
        about=tuple(_about(values, wanted, tolerances)),
        groupings=tuple(_groupings(values)),
        subgroups=_subgroups(values, subgroup),
        uncertainty=_uncertainty(values, scale),
        notes=tuple(_notes(values, tolerances, without)),
        ends=("too short", "too long"),
    )


def _subgroups(values: Sequence[RodValue], name: str | None) -> Grouping | None:
    if name is None:
        return None
    field = {"set": "set_name", "lot": "lot"}.get(name)
    if field is None:
        raise InputError(
            f"rods of the record have no subgroup {name!r}; choose `set` or `lot`",
            field="subgroup", value=name,
        )
    return Grouping(name, tuple(_mark(value, field) for value in values))


def _about(
    values: Sequence[RodValue], wanted: Selection, tolerances: Sequence[float]
) -> Iterator[tuple[str, str]]:
    for field in ("process", "machine", "material", "lot", "template"):
        found = Counter(getattr(value, field) or _NO_LOT for value in values)
        words = ", ".join(f"{name} ({n})" if len(found) > 1 else name for name, n in found.items())
        yield _NAMED[field].capitalize(), words
    if wanted.side:
        yield "Side", wanted.side
    low, high = (plain(end(value.nominal_mm for value in values)) for end in (min, max))
    yield "Lengths", f"{low} to {high} mm" if low != high else f"{low} mm"
    yield "Tolerance", ", ".join(f"± {plain(t)} mm" for t in tolerances)
    days = sorted(value.measured_on for value in values)
    yield "Measured", f"{days[0]} to {days[-1]}" if days[0] != days[-1] else f"{days[0]}"
    sets = len({value.set_name for value in values})
    yield "Rods", f"{len(values)} of {counted(sets, 'set')}"


def _groupings(values: Sequence[RodValue]) -> Iterator[Grouping]:
    for field in _GROUPED:
        marks = tuple(_mark(value, field) for value in values)
        if len(set(marks)) > 1:
            by_number = tuple(sorted(set(marks), key=_low_end)) if field == "length" else ()
            yield Grouping(_NAMED.get(field, field), marks, by_number)


def _mark(value: RodValue, field: str) -> str:
    """Say what a rod is put together by: a field, or the band of its length."""
    if field == "length":
        return _band(value.nominal_mm)
    own = getattr(value, field)
    return str(own) if own or field != "lot" else _NO_LOT


def _band(length_mm: float) -> str:
    """Give the band of lengths that a rod belongs to.

    >>> _band(33.6)
    '30 to 35 mm'
    """
    low = BAND_MM * math.floor(length_mm / BAND_MM)
    return f"{low} to {low + BAND_MM} mm"


def _low_end(band: str) -> int:
    return int(band.partition(" ")[0])


def _uncertainty(values: Sequence[RodValue], scale: Sequence[float]) -> float | None:
    known = [v.u_mm / s for v, s in zip(values, scale, strict=True) if v.u_mm is not None]
    return math.sqrt(sum(u * u for u in known) / len(known)) if known else None


def _notes(
    values: Sequence[RodValue], tolerances: Sequence[float], without: int
) -> Iterator[str]:
    if len(tolerances) > 1:
        yield (
            f"the rods have {len(tolerances)} different tolerances: each deviation counts as a "
            "share of its rod's own tolerance"
        )
    versions: dict[str, set[str]] = {}
    for value in values:
        versions.setdefault(value.process, set()).add(value.version)
    for process, kinds in versions.items():
        if len(kinds) > 1:
            yield (
                f"the process {process} was changed meanwhile ({len(kinds)} versions among these "
                "rods): choose days with --since and --until to study one of them"
            )
    if len(versions) > 1:
        yield f"rods of {len(versions)} processes are judged together; name one with --process"
    if without:
        words = counted(without, "older reading")
        yield f"{words} without details could not be used"
