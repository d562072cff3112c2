"""What the body of each kind of event holds: one value for each; lengths are whole micrometres."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, is_dataclass
from typing import Annotated, Any, TypeVar

from labkit.core.case import rod_life
from labkit.core.form.keys import Key
from labkit.core.form.read import Mistake, read_record
from labkit.errors import InputError, LedgerError
from labkit.ledger.body_keys import (
    LONG_TEXT,
    MOST_UM,
    ROWS,
    UM,
    Digest,
    Identifier,
    Label,
    Length,
    MayDay,
    MayDigest,
    MayIdentifier,
    MayNumber,
    MayTable,
    Name,
    Named,
    Note,
    Number,
    Percent,
    SetName,
    Side,
    Table,
    Text,
    one_of,
    text,
    whole,
)
from labkit.ledger.build_bodies import Build, BuildFailed, Piece
from labkit.ledger.events import Event, Kind

#: States that a rod can be given after it was made.
ROD_STATES = tuple(map(str, (*rod_life.OUT_OF_HOUSE, rod_life.RodState.RETURNED, *rod_life.ENDS)))
DECISIONS = ("released", "withheld")
#: What is seen of a rod at a trial fit, its other end fixed.
SEEN = ("meets", "too_long", "too_short")
PURPOSES = ("set", "extra", "replacement")
T = TypeVar("T")


@dataclass(frozen=True)
class CaseOpened:
    """The first event of a case."""

    note: Note = None


@dataclass(frozen=True)
class Prescription:
    """A revision of a prescription: its text as written, and why it was revised."""

    revision: Number
    text: Annotated[str, LONG_TEXT]
    reason: Note = None
    trial: MayNumber = None


@dataclass(frozen=True)
class RodReserved:
    """A rod to be made."""

    identifier: Identifier
    step: Number
    side: Side
    length_um: Length
    label: Label
    percent: Percent = None
    replaces: MayIdentifier = None


@dataclass(frozen=True)
class SetStarted:
    """A set's name and identifiers, reserved before anything is built, and all it is made from."""

    set: SetName
    revision: Number
    set_revision: Number
    purpose: Annotated[str, one_of(*PURPOSES)]
    folder: Text
    inputs_sha256: Digest
    program: Annotated[str, text(40)]
    template: Named
    process: Named
    rods: Annotated[tuple[RodReserved, ...], ROWS]
    order: MayNumber = None


@dataclass(frozen=True)
class SetMade:
    """A set that lies in its place.

    Args:
        rods_sha256: Of its list of sums, those lines that no paper made again changes.
    """

    set: SetName
    folder: Text
    sums_sha256: Digest
    spec: Table
    rods_sha256: MayDigest = None


@dataclass(frozen=True)
class SetAbandoned:
    """A set that was not finished."""

    set: SetName
    reason: Text


@dataclass(frozen=True)
class OrderLine:
    """A rod that is ordered, with what was asked in words."""

    side: Side
    length_um: Length
    label: Label
    asked: Annotated[str, text(200)]
    percent: Percent = None
    replaces: MayIdentifier = None


@dataclass(frozen=True)
class Order:
    """Rods ordered besides a set's own."""

    lines: Annotated[tuple[OrderLine, ...], ROWS]
    note: Note = None


@dataclass(frozen=True)
class OrderWithdrawn:
    """An order taken back before any rod of it left the house."""

    order: Number
    reason: Text


_TRIED = Key(allowed="a table with `label` (text), and what was seen of that rod")


@dataclass(frozen=True)
class Tried:
    """One side of a trial fit: a rod, and what was seen of its free end.

    Args:
        label: As engraved. It met its seat where nothing is seen (to revision 0003).
        identifier: Where it was told.
        by_um: How much too long or too short, above 0; None where it meets.
        gap_um: To revision 0003: how far the 100 % rod reached past its seat (+).
    """

    label: Annotated[str | None, text(16)] = None
    gap_um: Annotated[int | None, UM] = None
    identifier: MayIdentifier = None
    seen: Annotated[str | None, one_of(*SEEN)] = None
    by_um: Annotated[int | None, whole(1, MOST_UM)] = None


@dataclass(frozen=True)
class TrialFit:
    """A trial fit, and what it was taken to mean."""

    revision: Number
    left: Annotated[Tried, _TRIED]
    right: Annotated[Tried, _TRIED]
    proposal: Table
    note: Note = None
    on: MayDay = None


@dataclass(frozen=True)
class TrialAccepted:
    """The prescriber's word on a trial fit, and the revision that holds after it."""

    trial: Number
    revision: Number
    note: Note = None


@dataclass(frozen=True)
class TrialWithdrawn:
    """An accepted trial fit that does not count any more, and the revision that holds after it."""

    trial: Number
    revision: Number
    reason: Text


@dataclass(frozen=True)
class Reading:
    """One measurement of a rod: single readings, instrument and the like are its details."""

    identifier: Identifier
    quantity: Annotated[str, text(40)]
    value_um: Annotated[int, UM]
    gauge: Name
    uncertainty_nm: Annotated[int | None, whole(0)] = None
    note: Note = None
    details: MayTable = None


@dataclass(frozen=True)
class Release:
    """A decision on a set, and what it rests on."""

    set: SetName
    decision: Annotated[str, one_of(*DECISIONS)]
    basis: MayTable = None
    note: Note = None


@dataclass(frozen=True)
class RodState:
    """What became of a rod."""

    identifier: Identifier
    state: Annotated[str, one_of(*ROD_STATES)]
    reason: Note = None
    on: MayDay = None
    cause: Annotated[str | None, text(40)] = None


@dataclass(frozen=True)
class AsIsBasis:
    """What a rod that is used as it is was accepted with: entries of its readings, and faults."""

    readings: Annotated[tuple[int, ...], Key(low=1, allowed="a list of entries")]
    faults: Annotated[tuple[str, ...], Key(allowed="a list of texts")]
    measured_mm: Annotated[float, Key(low=0, high=MOST_UM / 1000)]


@dataclass(frozen=True)
class UseAsIs:
    """A rod that does not conform is used as it is."""

    identifier: Identifier
    reason: Text
    prescriber: Text
    basis: AsIsBasis


@dataclass(frozen=True)
class PapersPrinted:
    """Papers of a set that were made again, or one of a case, and the entry they are true for."""

    set: SetName
    entry: Number
    paper: Annotated[str | None, one_of("sheet")] = None


@dataclass(frozen=True)
class Correction:
    """An earlier event is taken back."""

    reason: Text


BODIES: Mapping[Kind, type] = {
    Kind.CASE_OPENED: CaseOpened,
    Kind.PRESCRIPTION: Prescription,
    Kind.SET_STARTED: SetStarted,
    Kind.SET_MADE: SetMade,
    Kind.SET_ABANDONED: SetAbandoned,
    Kind.ORDER: Order,
    Kind.ORDER_WITHDRAWN: OrderWithdrawn,
    Kind.TRIAL_FIT: TrialFit,
    Kind.TRIAL_ACCEPTED: TrialAccepted,
    Kind.TRIAL_WITHDRAWN: TrialWithdrawn,
    Kind.READING: Reading,
    Kind.RELEASE: Release,
    Kind.ROD_STATE: RodState,
    Kind.PAPERS_PRINTED: PapersPrinted,
    Kind.USE_AS_IS: UseAsIs,
    Kind.BUILD: Build,
    Kind.BUILD_FAILED: BuildFailed,
    Kind.CORRECTION: Correction,
}

KINDS: Mapping[type, Kind] = {cls: kind for kind, cls in BODIES.items()}


def body_of(value: Any) -> dict[str, Any]:
    """Write a body as JSON content; what may be left out and is None is not there."""
    told = {field.name: getattr(value, field.name) for field in fields(value)}
    return {name: _written(one) for name, one in told.items() if one is not None}


def _written(value: Any) -> Any:
    if isinstance(value, tuple):
        return [_written(one) for one in value]
    return body_of(value) if is_dataclass(value) else value


def check_body(kind: Kind, body: Mapping[str, Any]) -> None:
    """Check the body of an event.

    Raises:
        InputError: A key is missing, unknown, or has a value that is not allowed.
    """
    _, mistakes = read_record(BODIES[kind], body)
    if mistakes:
        raise _refuse(kind, body, mistakes[0])


def _refuse(kind: Kind, body: Any, mistake: Mistake) -> InputError:
    """Say which event, which line of its list, which key, and what is allowed there."""
    where, value = f"the event {kind}", body
    *course, name = mistake.location
    for part in course:
        value = value[part]
        where += f" {part + 1}" if isinstance(part, int) else f", {part}"
    if isinstance(name, int):
        return InputError(f"{where} {name + 1} must be a table", field=where)
    if mistake.allowed == "a known key":
        known = mistake.message.partition("; ")[2]
        return InputError(f"{where} has no place for `{name}`; {known}", field=name)
    value = value.get(name)
    text = repr(value) if len(repr(value)) <= 60 else f"{repr(value)[:57]}..."
    return InputError(
        f"{where} has {name} = {text}; it must be {mistake.allowed}",
        field=name, value=value, allowed=mistake.allowed,
    )


#: Values that hold others.
_INSIDE: Mapping[type, Mapping[str, type]] = {
    SetStarted: {"rods": RodReserved},
    Order: {"lines": OrderLine},
    TrialFit: {"left": Tried, "right": Tried},
    UseAsIs: {"basis": AsIsBasis},
    Build: {"pieces": Piece},
}


def said(event: Event, cls: type[T]) -> T:
    """Give the body of an event of a kind as its value; it was checked when it was written."""
    assert BODIES[event.kind] is cls
    return _made(cls, event.body)


def require_known_keys(body: Mapping[str, Any], cls: Any) -> None:
    """Refuse a body of a later program, whose keys this one does not know.

    Raises:
        LedgerError: It has such a key.
    """
    if unknown := sorted(body.keys() - {field.name for field in fields(cls)}):
        raise LedgerError(
            f"an event of the record holds {unknown[0]}, which this version of labkit does not "
            "know; use the version that recorded it, or a newer one"
        )


def _made(cls: type[T], body: Mapping[str, Any]) -> T:
    values = dict(body)
    require_known_keys(values, cls)
    for name, inner in _INSIDE.get(cls, {}).items():
        held = body[name]
        values[name] = (
            _made(inner, held) if isinstance(held, dict) else tuple(_made(inner, x) for x in held)
        )
    return cls(**values)
