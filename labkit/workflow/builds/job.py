"""From rods of many cases to a finished build: laid out, written, checked, recorded, renamed."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from filelock import FileLock, Timeout

from labkit.catalog.profiles import Profile
from labkit.core.jsonable import jsonable
from labkit.core.rod.rods import Process
from labkit.done import tell_done
from labkit.errors import DeliveryError, RefusedError
from labkit.exports.write.set_folder import SUMS_FILE, seal, sha256_of
from labkit.ledger.build_bodies import Build
from labkit.ledger.build_bodies import Piece as RecordedPiece
from labkit.ledger.builds import last_build
from labkit.ledger.identity import identity_of
from labkit.ledger.queries import Reader
from labkit.ledger.rows import content_sha256
from labkit.ledger.stored import StoredRod
from labkit.locks import only_one
from labkit.units import counted, first_few
from labkit.workflow.builds.files import build_content, write_files
from labkit.workflow.builds.layout import Layout, lay_out
from labkit.workflow.builds.left_behind import (
    asked_of,
    finished_before,
    is_recorded,
    number_of,
    put_in_place,
    refuse_lost,
    settle,
    staging_of,
    tell_unknown,
)
from labkit.workflow.builds.pieces import pieces_of_coupons, set_pieces
from labkit.workflow.builds.wanted import Asked, Wanted, wanted
from labkit.workflow.record.recorder import Recorder


@dataclass(frozen=True)
class JobAsked:
    """What a job is to build.

    Args:
        coupons: Folders of coupons that go along.
        most_beds: As many beds are built; None for what the process says.
    """

    rods: Asked
    coupons: tuple[Path, ...] = ()
    most_beds: int | None = None

    def told(self, process: Process) -> dict[str, Any]:
        """Say what was asked, and of which process, to know the same job again after a kill."""
        return {
            "what": jsonable(self.rods), "beds": self.most_beds,
            "coupons": [str(folder.resolve()) for folder in self.coupons],
            "process_sha256": content_sha256(jsonable(process)),
        }


@dataclass(frozen=True, eq=False)
class Planned:
    """A job before anything is written."""

    wanted: Wanted
    layout: Layout
    process: Process

    @property
    def once(self) -> list[StoredRod]:
        """The rods on its beds that were not asked for again."""
        stored = (one.piece.stored for one in self.layout.lying if not one.piece.spare)
        return [rod for rod in stored if rod and rod.identifier not in self.wanted.again]


@dataclass(frozen=True, eq=False)
class MadeBuild:
    """A finished build.

    Args:
        settled: Folders of earlier builds, recorded by runs that were killed, now in their place.
        planned: None where nothing was left to build after that.
    """

    number: int
    folder: Path
    settled: tuple[Path, ...]
    planned: Planned | None


def plan_build(reader: Reader, asked: JobAsked, process: Process) -> Planned:
    """Work out what a job builds and where it lies.

    Raises:
        InputError: Something named is not in the record, or is no folder of coupons.
        RefusedError: A rod that was named cannot be built, a set was made with another process or
            its files are not as recorded, or nothing is left that could be laid out.
    """
    with reader.snapshot():
        found = wanted(reader, asked.rods)
        groups = set_pieces(found, process)
    groups += pieces_of_coupons(asked.coupons, process)
    if not groups:
        raise RefusedError(_nothing(found), field="cases")
    layout = lay_out(groups, process, asked.most_beds or process.plate.beds)
    if not layout.plans:
        raise RefusedError(
            f"nothing fits: {'; '.join(dict.fromkeys(why for _, why in layout.left))}; nothing was "
            "written", field="plate",
        )
    return Planned(found, layout, process)


def _nothing(found: Wanted) -> str:
    """Say why nothing is left to build, each reason once with the sets that it is of."""
    reasons: dict[str, list[str]] = {}
    for (what, why), rods in found.left_together().items():
        name = f"{what} ({counted(len(rods), 'rod')})" if rods else what
        reasons.setdefault(str(why), []).append(name)
    return "\n".join((
        "no rod of what was named is left to build; nothing was written",
        *(f"{first_few(names)}: {why}" for why, names in reasons.items()),
    ))


def make_build(
    asked: JobAsked, means: tuple[Process, Profile], out: Path, recorder: Recorder,
    progress: Callable[[str], None],
) -> MadeBuild:
    """Lay rods out, write a folder of beds and their map, and record it.

    The folder is written beside its place. Recording it decides; the rename follows, and is made
    up for by the next run where a kill comes between the two. What was finished and is not in the
    record is recorded as it lies, where the same would be laid out now; where it holds rods that
    are wanted and another would be laid out, nothing is built.

    Raises:
        RefusedError: As `plan_build`; or a file does not measure as it should, or the record has
            changed meanwhile. Nothing is left behind.
        DeliveryError: The folder cannot be written, or not be put in its place once recorded.
    """
    process, _ = means
    with _held(out):
        settled = settle(out, recorder)
        told = {"record": identity_of(recorder.ledger), **asked.told(process)}
        if same := [one for one in settled if asked_of(one) == told]:
            return MadeBuild(number_of(same[0]), same[0], settled, None)
        planned = plan_build(recorder.ledger, asked, process)
        last = last_build(recorder.ledger)
        finished = finished_before(out, last, lambda build: {
            **build_content(build, planned.layout, process), "asked": told
        })
        if not finished:
            refuse_lost(out, recorder.ledger, planned.once)
        tell_unknown(out, recorder, finished)
        number = number_of(finished) if finished else 1 + max(
            last, *map(number_of, out.iterdir()), 0
        )
        final, staging = out / f"build-{number}", finished or staging_of(out, number)
        try:
            if not finished:
                staging.mkdir()
                day = recorder.now().date().isoformat()
                write_files(staging, (number, day), planned.layout, means, progress, told)
                seal(staging)
            _record(recorder, asked, planned, number, (staging, final))
        except BaseException:
            if not finished and not is_recorded(staging, recorder.ledger):
                shutil.rmtree(staging, ignore_errors=True)
            raise
        if staging != final:
            put_in_place(staging, final)
        tell_done(f"{final} lies whole in its place")
        if finished:
            recorder.say(
                f"{final} was finished by an earlier run and is recorded only now: its rods may be "
                "built already, so look before you build it"
            )
    return MadeBuild(number, final, settled, planned)


def _record(
    recorder: Recorder, asked: JobAsked, planned: Planned, number: int, places: tuple[Path, Path]
) -> None:
    """Record a build, case by case, as one, if its rods are still open to be built."""
    staging, final = places
    ledger, layout, process = recorder.ledger, planned.layout, planned.process
    with ledger.transaction():
        if wanted(ledger, asked.rods) != planned.wanted or last_build(ledger) >= number:
            raise RefusedError(
                "the record has changed while the beds were written; nothing was kept; give the "
                "command again", field="cases",
            )
        for case in layout.cases:
            pieces = tuple(
                RecordedPiece(
                    one.piece.stored.identifier, one.bed, one.number, one.piece.spare or None
                )
                for one in layout.lying if one.piece.stored and one.piece.case == case
            )
            ledger.write(case, Build(
                number, process.name, content_sha256(jsonable(process)), str(final.resolve()),
                sha256_of(staging / SUMS_FILE), pieces,
            ), recorder.by, recorder.now())


@contextmanager
def _held(out: Path) -> Iterator[None]:
    """Hold the folder of builds, begun if absent; a failure of the disk is one sentence."""
    try:
        out.mkdir(parents=True, exist_ok=True)
        with only_one(FileLock(out.resolve() / ".build.lock", is_singleton=True)):
            yield
    except Timeout as error:
        raise DeliveryError(
            f"another run is still writing a build to {out}; try again when it is done"
        ) from error
    except OSError as error:
        raise DeliveryError(
            f"the build cannot be written to {out}: {error.strerror or error}; name a folder that "
            "can be written with --out", field="out", value=str(out),
        ) from error
