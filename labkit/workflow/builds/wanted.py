"""Which rods a build job takes: those of the cases named whose files are made, not yet built."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path

from labkit.core.case.case_standing import CaseStanding
from labkit.core.case.identifier import grouped, parse_identifier
from labkit.core.case.rod_life import RodState, state_words
from labkit.errors import InputError, LabkitError, RefusedError
from labkit.ledger.builds import builds_of
from labkit.ledger.queries import Reader
from labkit.ledger.stored import StoredRod, StoredSet
from labkit.units import first_few
from labkit.workflow.record.lookup import find_rod, need_case
from labkit.workflow.record.standing import standing_of_case
from labkit.workflow.rods.slots import withdrawn_orders


@dataclass(frozen=True)
class Asked:
    """What is to be built.

    Args:
        words: Case numbers, names of sets, identifiers of rods.
        spares: Rods of which a spare piece is built too.
        again: Rods that were built already and are built once more.
    """

    words: tuple[str, ...]
    spares: tuple[str, ...] = ()
    again: tuple[str, ...] = ()


@dataclass(frozen=True)
class WhyNot:
    """Why a rod is not built, and what to do; empty where there is nothing to do."""

    why: str
    do: str = ""

    def __str__(self) -> str:
        return f"{self.why}; {self.do}" if self.do else self.why


@dataclass(frozen=True)
class LeftOut:
    """A rod that is not built, and why.

    Args:
        what: Its set; the case, where that has no set.
        rod: None where there is no set.
    """

    what: str
    rod: StoredRod | None
    why: WhyNot


@dataclass(frozen=True)
class Wanted:
    """What a job takes.

    Args:
        sets: Set → its rods to build, in the order in which cases were named.
        spares: Rods of which a spare piece was asked for.
        again: Rods that are built whether or not they were built before.
    """

    sets: Mapping[str, tuple[StoredSet, tuple[StoredRod, ...]]]
    spares: frozenset[str]
    again: frozenset[str]
    left: tuple[LeftOut, ...]

    @property
    def rods(self) -> tuple[StoredRod, ...]:
        """All rods to build."""
        return tuple(rod for _, rods in self.sets.values() for rod in rods)

    def left_together(self) -> dict[tuple[str, WhyNot], list[StoredRod]]:
        """Put what is left out together: set, or case without one, and reason → rods."""
        found: dict[tuple[str, WhyNot], list[StoredRod]] = {}
        for one in self.left:
            found.setdefault((one.what, one.why), []).extend([one.rod] if one.rod else [])
        return found


def wanted(reader: Reader, asked: Asked) -> Wanted:
    """Find the rods that a job takes, and those that it leaves out.

    Raises:
        InputError: Something named is not in the record.
        RefusedError: A rod that was named by its identifier cannot be built, or nothing is left
            to build.
    """
    again = frozenset(map(_digits(reader), asked.again))
    look = _Look(reader, again)
    taken: dict[str, list[StoredRod]] = {}
    left: list[LeftOut] = []
    refused: dict[WhyNot, list[StoredRod]] = {}
    for rod, named in named_rods(reader, (*asked.words, *asked.again)):
        why = look.why_not(rod)
        if why and named:
            refused.setdefault(why, []).append(rod)
        elif why:
            left.append(LeftOut(rod.set_name, rod, why))
        elif rod not in taken.setdefault(rod.set_name, []):
            taken[rod.set_name].append(rod)
    _refuse(refused)
    left += [LeftOut(case, None, _NO_SET) for case in asked.words if _without_set(reader, case)]
    spares = frozenset(map(_digits(reader), asked.spares))
    for missing in sorted(spares - {rod.identifier for rods in taken.values() for rod in rods}):
        raise RefusedError(
            f"there is no spare of {grouped(missing)} without the rod itself, which is not in this "
            "build; name its case too, or name the rod with --again where it was built already",
            field="spare", value=missing,
        )
    found = ((name, reader.set_named(name), rods) for name, rods in taken.items())
    return Wanted(
        {name: (stored, tuple(rods)) for name, stored, rods in found if stored and rods},
        spares, again, tuple(left),
    )


def _digits(reader: Reader) -> Callable[[str], str]:
    return lambda text: find_rod(reader, text).rod.rod.identifier


def named_rods(reader: Reader, words: tuple[str, ...]) -> Iterator[tuple[StoredRod, bool]]:
    """Give the rods meant, and whether each was named by its identifier."""
    for word in words:
        stored = reader.set_named(Path(word).name)
        if reader.has_case(word):
            yield from ((rod, False) for rod in reader.rods(word) if rod.state != "abandoned")
        elif stored is not None:
            yield from ((rod, False) for rod in reader.rods_of_set(stored.name))
        elif _is_identifier(word):
            yield find_rod(reader, word).rod.rod, True
        else:
            need_case(reader, word)


def _is_identifier(word: str) -> bool:
    try:
        return bool(parse_identifier("".join(word.split())))
    except InputError:
        return False


def _without_set(reader: Reader, word: str) -> bool:
    return reader.has_case(word) and not any(named_rods(reader, (word,)))


def _refuse(refused: Mapping[WhyNot, list[StoredRod]]) -> None:
    """Refuse rods that were named and cannot be built, each reason said once."""
    if refused:
        raise RefusedError(
            "\n".join(
                f"{named_in_sentence(rods)} not built: {why}; nothing was written"
                for why, rods in refused.items()
            ), field="identifier",
        )


def named_in_sentence(rods: Sequence[StoredRod]) -> str:
    """Name rods in a sentence, with its verb: "the rod … is", "5 rods (…) are"."""
    told = first_few(
        [f"{grouped(rod.identifier)} ({rod.label} {rod.side} of {rod.set_name})" for rod in rods]
    )
    return f"{len(rods)} rods, {told}, are" if rods[1:] else f"the rod {told} is"


class _Look:
    """Looks at rods; what is asked of a case is asked once."""

    def __init__(self, reader: Reader, again: frozenset[str]) -> None:
        self._reader = reader
        self._again = again
        self._builds = cache(partial(builds_of, reader))
        self._withdrawn = cache(partial(withdrawn_orders, reader))
        self._standing = cache(partial(_standing, reader))

    def why_not(self, rod: StoredRod) -> WhyNot | None:
        """Say why a rod is not built; None where it is."""
        if rod.state != RodState.MADE:
            return _STATES.get(rod.state, WhyNot(state_words(rod.state)))
        if any(not one.only_seen for one in self._reader.readings(rod.identifier)):
            return _MEASURED
        stored = self._reader.set_named(rod.set_name)
        if stored and stored.order in self._withdrawn(rod.case):
            return WhyNot(f"its order, entry {stored.order}, was taken back")
        return self._built(rod) or self._not_worn(rod)

    def _built(self, rod: StoredRod) -> WhyNot | None:
        if rod.identifier in self._again:
            return None
        for build in reversed(self._builds(rod.case)):
            if rod.identifier in build.given:
                return WhyNot(
                    f"in build {build.number} already",
                    f"if that failed, record it with --failed {build.number}; to build a rod "
                    "twice, name it with --again; `labkit find` says where it lies",
                )
        return None

    def _not_worn(self, rod: StoredRod) -> WhyNot | None:
        standing = self._standing(rod.case)
        if isinstance(standing, LabkitError):
            return WhyNot(f"it is unknown what it makes now: {standing}")
        now = standing.of_rod(rod.identifier)
        return WhyNot(now.words) if now and now.not_to_be_worn else None


def _standing(reader: Reader, case: str) -> CaseStanding | LabkitError:
    try:
        return standing_of_case(reader, case)
    except LabkitError as error:
        return error


#: State of a rod → why it is not built, where other words than those of the state serve.
_STATES = {
    "reserved": WhyNot("its set is not finished", "make the set again with the same command"),
    "withheld": WhyNot(
        "its set is withheld", "release it, or make another rod with `labkit replace`"
    ),
    "released": WhyNot("measured and released already"),
}
_MEASURED = WhyNot(
    "measured already", "if a rod is no good, make another with `labkit replace`"
)
_NO_SET = WhyNot(
    "no set of the case was made",
    "make it with `labkit make FILE --out DIR --by CODE`, with the process of the build",
)
