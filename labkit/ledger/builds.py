"""The builds of a case: which of its pieces lay where, and which of them failed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select

from labkit.core.case.identifier import grouped
from labkit.core.case.rod_life import RodState
from labkit.ledger.bodies import said
from labkit.ledger.build_bodies import Build, BuildFailed, Piece
from labkit.ledger.chain import event_of
from labkit.ledger.database import streamed
from labkit.ledger.events import Event, Kind
from labkit.ledger.queries import Reader
from labkit.ledger.stored import Stamp, stamp
from labkit.ledger.tables import EVENTS


@dataclass(frozen=True)
class StoredBuild:
    """A build as far as one case has rods in it.

    Args:
        failed: Rod → why the build did not give it.
    """

    case: str
    told: Build
    stamp: Stamp
    failed: Mapping[str, str]

    @property
    def number(self) -> int:
        """Number of the build."""
        return self.told.build

    def pieces_of(self, identifier: str) -> tuple[Piece, ...]:
        """Give the pieces of a rod, the rod itself before its spares."""
        return tuple(one for one in self.told.pieces if one.identifier == identifier)

    @property
    def given(self) -> frozenset[str]:
        """The rods that it gave, as far as the record knows."""
        return frozenset(one.identifier for one in self.told.pieces) - self.failed.keys()


def builds_of(reader: Reader, case: str) -> tuple[StoredBuild, ...]:
    """Give the builds that rods of a case lay in, in time order."""
    failed: dict[int, dict[str, str]] = {}
    for event in reader.current(case, Kind.BUILD_FAILED):
        body = said(event, BuildFailed)
        failed.setdefault(body.build, {}).update(dict.fromkeys(body.rods, body.reason))
    return tuple(
        StoredBuild(case, body, stamp(event), failed.get(body.build, {}))
        for event in reader.current(case, Kind.BUILD)
        for body in (said(event, Build),)
    )


def given_by(builds: Sequence[StoredBuild], identifier: str) -> dict[str, Any]:
    """Give the builds that a rod may come from, with its places, for programs; none, no key."""
    found = [
        {"build": build.number, "bed": piece.bed, "place": piece.place}
        | ({"spare": piece.spare} if piece.spare else {})
        for build in builds if identifier in build.given for piece in build.pieces_of(identifier)
    ]
    return {"builds": found} if found else {}


def numbers_of(builds: Sequence[StoredBuild], identifiers: Sequence[str]) -> dict[str, Any]:
    """Give the numbers of the builds that rods may come from, for programs; none, no key."""
    found = [build.number for build in builds if build.given & set(identifiers)]
    return {"builds": found} if found else {}


def last_build(reader: Reader) -> int:
    """Give the number of the last build of the whole record, 0 where there is none."""
    return next((said(event, Build).build for event in _latest_first(reader)), 0)


def cases_of_build(reader: Reader, number: int) -> tuple[str, ...]:
    """Name the cases that have rods in a build, in the order in which they were recorded."""
    found = []
    for event in _latest_first(reader):
        build = said(event, Build).build
        if build < number:
            break
        if build == number:
            found.append(event.case)
    return tuple(reversed(found))


def _latest_first(reader: Reader) -> Iterator[Event]:
    query = select(EVENTS).where(EVENTS.c.kind == str(Kind.BUILD)).order_by(EVENTS.c.seq.desc())
    with reader.database.reading() as connection:
        yield from map(event_of, streamed(connection, query))


def against_build(reader: Reader, event: Event) -> str:
    """Find what is wrong with a build to be recorded."""
    body = said(event, Build)
    last = last_build(reader)
    if body.build < last or any(one.number == body.build for one in builds_of(reader, event.case)):
        return f"cannot have a build {body.build}: the last one is build {last}; take the next"
    rods = {rod.identifier: rod for rod in reader.rods(event.case)}
    for piece in body.pieces:
        rod = rods.get(piece.identifier)
        if rod is None:
            return f"has no rod {grouped(piece.identifier)}; find its case with `labkit find`"
        if rod.state != RodState.MADE:
            return (
                f"has the rod {grouped(rod.identifier)} {rod.state}; only rods of a finished set "
                "that nobody has judged yet are built"
            )
    places = [(one.bed, one.place) for one in body.pieces]
    if len(set(places)) < len(places):
        return "has two pieces at one place of a bed"
    return ""


def against_failure(reader: Reader, event: Event) -> str:
    """Find what is wrong with what is said of a build that failed."""
    body = said(event, BuildFailed)
    build = next((one for one in builds_of(reader, event.case) if one.number == body.build), None)
    if build is None:
        return f"has no rod in build {body.build}"
    for identifier in body.rods:
        if identifier not in build.given:
            how = "failed there already" if identifier in build.failed else "did not lie there"
            return f"has the rod {grouped(identifier)} in no build {body.build}: it {how}"
    return ""
