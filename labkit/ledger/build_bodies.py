"""What the events of a build hold: a case's pieces with their places, and those that failed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from labkit.core.case.identifier import is_identifier
from labkit.core.form.keys import Key
from labkit.ledger.body_keys import (
    ROWS,
    Digest,
    Identifier,
    MayNumber,
    Name,
    Number,
    Text,
)


@dataclass(frozen=True)
class Piece:
    """One piece of a build.

    Args:
        identifier: The rod that it is, or may become where it is a spare.
        place: Its number on the bed, as the map has it.
        spare: Which spare piece of the rod it is, from 1; None for the rod itself.
    """

    identifier: Identifier
    bed: Number
    place: Number
    spare: MayNumber = None


@dataclass(frozen=True)
class Build:
    """Rods of a case that were laid out to be built, and where each lies.

    Args:
        build: Number of the build in this record; other cases may have rods in it too.
        sums_sha256: Of the list of sums of its folder.
    """

    build: Number
    process: Name
    process_sha256: Digest
    folder: Text
    sums_sha256: Digest
    pieces: Annotated[tuple[Piece, ...], ROWS]


@dataclass(frozen=True)
class BuildFailed:
    """Rods of a case that a build did not give: they are open to be built again."""

    build: Number
    reason: Text
    rods: Annotated[tuple[str, ...], Key(
        allowed="a list of rod identifiers", least=1, holds=is_identifier
    )]
