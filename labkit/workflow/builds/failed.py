"""A build that failed, in part or as a whole: its rods are open to be built again."""

from __future__ import annotations

from collections.abc import Mapping

from labkit.core.case.identifier import grouped
from labkit.core.case.rod_life import RodState
from labkit.core.reasons import check_reason
from labkit.core.report import Column, Report, Section, Table
from labkit.errors import InputError, RefusedError
from labkit.ledger.build_bodies import BuildFailed
from labkit.ledger.builds import StoredBuild, builds_of, cases_of_build, last_build
from labkit.ledger.events import Who
from labkit.ledger.queries import Reader
from labkit.ledger.store import Ledger
from labkit.ledger.stored import StoredRod
from labkit.units import counted, first_few
from labkit.workflow.builds.wanted import named_in_sentence, named_rods


def fail_build(
    ledger: Ledger, number: int, words: tuple[str, ...], reason: str, who: Who
) -> Report:
    """Record that a build did not give rods: those named, or all that it could still have given.

    Args:
        words: Case numbers, names of sets, identifiers; none for the whole build.

    Raises:
        InputError: There is no such build or rod, or no reason.
        RefusedError: A rod that was named did not lie in it, or exists: it was measured or judged;
            or nothing of the build is left that could fail.
    """
    check_reason(reason, "why with --reason")
    with ledger.transaction():
        builds = [
            build for case in cases_of_build(ledger, number)
            for build in builds_of(ledger, case) if build.number == number
        ]
        if not builds:
            raise InputError(
                f"there is no build {number} in the record; its last one is build "
                f"{last_build(ledger)}", field="failed", value=number,
            )
        named = list(named_rods(ledger, words))
        failed, kept = _parted(ledger, builds, {rod.identifier for rod, _ in named}, words)
        _refuse(number, [rod for rod, alone in named if alone], failed, words)
        for build in builds:
            if rods := tuple(rod.identifier for rod in failed if rod.case == build.case):
                ledger.write(build.case, BuildFailed(number, reason, rods), *who)
        elsewhere = _elsewhere(ledger, failed)
    return _report((number, reason), failed, kept, elsewhere)


def _parted(
    reader: Reader, builds: list[StoredBuild], named: set[str], words: tuple[str, ...]
) -> tuple[list[StoredRod], list[StoredRod]]:
    """Part the rods that a build gave, as far as is known, into those that fail and the others."""
    failed: list[StoredRod] = []
    kept: list[StoredRod] = []
    for build in builds:
        for rod in reader.rods(build.case):
            if rod.identifier in build.given and (not words or rod.identifier in named):
                open_still = rod.state == RodState.MADE and not _exists(reader, rod)
                (failed if open_still else kept).append(rod)
    return failed, kept


def _exists(reader: Reader, rod: StoredRod) -> bool:
    return any(not one.only_seen for one in reader.readings(rod.identifier))


def _elsewhere(reader: Reader, failed: list[StoredRod]) -> dict[str, int]:
    """Find rods that another build still gives: identifier → the last such build."""
    return {
        rod: build.number
        for case in dict.fromkeys(rod.case for rod in failed) for build in builds_of(reader, case)
        for rod in build.given & {one.identifier for one in failed}
    }


def _refuse(
    number: int, alone: list[StoredRod], failed: list[StoredRod], words: tuple[str, ...]
) -> None:
    if others := [rod for rod in alone if rod not in failed]:
        raise RefusedError(
            f"{named_in_sentence(others)} not open to fail in build {number}: what did not lie "
            "there, failed there already, or was measured or judged since is not; reject a rod "
            "that is no good with `labkit reject`; nothing was recorded", field="identifier",
        )
    if not failed:
        raise RefusedError(
            f"no rod of build {number} is open to fail: "
            f"{'of what was named, none lay there, or ' if words else ''}all failed already, or "
            "were measured or judged since; nothing was recorded", field="failed", value=number,
        )


_RODS = (
    Column("identifier", "identifier", "identifier", grouped),
    *(Column(name, name) for name in ("case", "label", "side")),
)


def _report(
    what: tuple[int, str], failed: list[StoredRod], kept: list[StoredRod],
    elsewhere: Mapping[str, int],
) -> Report:
    number, reason = what
    again = [rod for rod in failed if rod.identifier not in elsewhere]
    words = [
        f"Build {number} did not give {counted(len(failed), 'rod')} ({reason})"
        + ("; the next `labkit plate` of the case takes them again" if not elsewhere else "")
    ]
    if again and elsewhere:
        words.append(f"The next `labkit plate` of the case takes {len(again)} of them again")
    others: dict[int, list[str]] = {}
    for rod, other in elsewhere.items():
        others.setdefault(other, []).append(grouped(rod))
    words += [
        f"In build {other} too, and so not taken again: {first_few(rods)}; if that build failed, "
        f"record it with --failed {other}; to build a rod once more, name it with --again"
        for other, rods in others.items()
    ]
    if kept:
        words.append(
            f"{counted(len(kept), 'rod')} of it exist by the record, measured or judged, and stay "
            "as they are"
        )
    table = Table.of(_RODS, again) if again else None
    return Report(
        f"Build {number} failed", (Section("Rods to build again", tuple(words), table),),
        {"schema": 1, "build": number, "reason": reason, "rods": Table.of(_RODS, failed).records,
         "in_other_builds": dict(elsewhere),
         "kept": [rod.identifier for rod in kept]},
    )
