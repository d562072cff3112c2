"""A set to be made, worked out to its last label, and the identifiers that it may use."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TYPE_CHECKING

from labkit.catalog.profiles import Profile
from labkit.core.case.identifier import NO_LEDGER, rod_identifier
from labkit.core.grading.prescription import Side
from labkit.core.label.lettering import Engraving, Lettering
from labkit.core.rod.parts import Part
from labkit.core.rod.rods import Process
from labkit.documents.set_spec import SeriesPlace
from labkit.workflow.sets.cases import Case

if TYPE_CHECKING:
    from labkit.ledger.queries import Reader


@dataclass(frozen=True)
class Means:
    """What a lab makes a set with.

    Args:
        profile: The lab's profile, for the papers.
        process_named: Whether somebody chose the process; else it is the one that adds nothing.
    """

    process: Process
    lettering: Lettering
    profile: Profile
    process_named: bool = True


@dataclass(frozen=True)
class Wishes:
    """What is wanted where a case has rods already.

    Args:
        take_back: Rods in circulation that could be taken for new ones are taken back.
        copy: The files of a set that is recorded in another folder are wanted here too.
        looking: Opens the record that tells papers what holds now, where nothing is recorded.
    """

    take_back: bool = False
    copy: bool = False
    looking: Callable[[], AbstractContextManager[Reader | None]] = field(default=nullcontext)


NOTHING_WISHED: Wishes = Wishes()


@dataclass(frozen=True)
class Replaced:
    """A rod whose place a new one takes.

    Args:
        revision: Revision of the prescription that it was made from.
    """

    identifier: str
    set_name: str
    revision: int


@dataclass(frozen=True)
class Job:
    """A set to be made.

    Args:
        planned: Its parts with laid-out labels.
        inputs_sha256: Digest of everything it is made from.
        series: The whole series of the case, of extra rods only; the new settings have the
            revision 0 until the set has its own.
        replaces: Of rods that take the place of others: the rod whose place each one takes. Only
            these are made, and the steps are those of the set that they belong to.
    """

    case: Case
    means: Means
    planned: tuple[tuple[Part, Engraving], ...]
    inputs_sha256: str
    series: tuple[SeriesPlace, ...] = ()
    replaces: Mapping[tuple[int, Side], Replaced] = field(
        default_factory=lambda: MappingProxyType({})
    )

    @property
    def number(self) -> str:
        """The case number."""
        return self.case.prescription.case

    def places(self) -> Iterator[tuple[int, Side]]:
        """Give step and side of every rod of the set, in order."""
        for step, _ in enumerate(self.case.spacer_set.steps, 1):
            for side in Side:
                if not self.replaces or (step, side) in self.replaces:
                    yield step, side


@dataclass(frozen=True)
class Ticket:
    """The revision and the identifiers that a set may use.

    Args:
        inputs_sha256: Digest of everything the set is made from.
        ledger: Identity of the ledger that the identifiers are of.
        attempts: Attempt of each rod, by step and side, where it is not the first.
    """

    inputs_sha256: str
    revision: int
    attempts: Mapping[tuple[int, Side], int] = field(
        default_factory=lambda: MappingProxyType({})
    )
    ledger: str = NO_LEDGER

    def identifier(self, step: int, side: Side) -> str:
        """Give the identifier of one rod."""
        attempt = self.attempts.get((step, side), 0)
        return rod_identifier(
            self.inputs_sha256, self.revision, step, side, attempt, self.ledger
        )
