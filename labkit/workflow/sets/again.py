"""A set that is made already: found, held against its sums, its papers or files made again."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from labkit.catalog.profiles import profile_json, profile_of
from labkit.core.case.identifier import BEFORE_LEDGERS, LENGTHS
from labkit.core.grading.prescription import Side
from labkit.documents.standing import what_holds
from labkit.errors import CheckError, DeliveryError, MadeAlreadyError, RefusedError
from labkit.exports.write.set_folder import (
    SPEC_FILE,
    Place,
    last_whole,
    new_set,
    write_json,
    wrong_files,
)
from labkit.ledger.identity import identity_of
from labkit.ledger.reconcile import Lying
from labkit.ledger.stored import SetState, StoredSet
from labkit.workflow.record.printed import note_printed
from labkit.workflow.sets.job import Job, Ticket, Wishes
from labkit.workflow.sets.on_disk import MOST_NAMED, look_at, other_sums
from labkit.workflow.sets.papers import Progress, remake_papers, write_papers
from labkit.workflow.sets.spec import is_of_job
from labkit.workflow.sets.standing import with_standing

if TYPE_CHECKING:
    from labkit.ledger.queries import Reader
    from labkit.workflow.record.recorder import Recorder

Spec = dict[str, Any]
#: Builds parts and plates of a job in a staging folder; gives the content of the spec.
Build = Callable[[Job, Ticket, Place], Spec]
#: An identifier that was taken was tried anew; more attempts than this no set ever needed.
MOST_ATTEMPTS = 1000
#: What another profile, or a note of the day on which a set was made, may change in a spec.
_NOT_OF_RODS = ("profile", "lengths")


@dataclass(frozen=True)
class Remade:
    """What was made again of a set.

    Args:
        shown: Content of its spec with what holds now, as its papers tell it.
        told: What was done, in a sentence.
    """

    folder: Path
    spec: Spec
    shown: Spec
    told: str


@dataclass(frozen=True)
class MadeBefore:
    """A set of the very rods that a job would make.

    Args:
        folder: Where its files lie in the folder for sets that was named, or would lie.
        spec: Content of its spacer-set.json.
        stored: What the record holds of it; None where it is not recorded.
    """

    job: Job
    folder: Path
    spec: Spec
    stored: StoredSet | None
    recorder: Recorder | None
    wishes: Wishes

    @property
    def _other_profile(self) -> bool:
        return profile_json(profile_of(self.spec)) != profile_json(self.job.means.profile)

    def make_again(self, build: Build, progress: Progress) -> Remade:
        """Make papers again where only the profile is another; write files where none lie.

        Args:
            build: Builds the set's parts, where its files have to be written again.
            progress: Told of each file.

        Raises:
            MadeAlreadyError: It lies there already.
            DeliveryError: A file is not as it was made, or it is recorded in another folder and
                nobody asked for its files here.
            CheckError: This version of the program makes the set otherwise than it was made.
        """
        if self.folder.exists():
            self._require_whole()
            if not self._other_profile:
                raise MadeAlreadyError(
                    f"this set lies in {self.folder} already, made from the same prescription, "
                    "template and process, and every file in it is as it was made; nothing was "
                    "written"
                )
            return self._papers(progress)
        assert self.stored is not None
        home = Path(self.stored.folder)
        if self.folder.parent.resolve() != home.parent and not self.wishes.copy:
            raise self._made_elsewhere(self.stored)
        return self._files(self.stored, build, progress)

    def _require_whole(self) -> None:
        wrong = wrong_files(self.folder)
        if not wrong and self.stored is not None:
            wrong = tuple(other_sums(self.folder, self.stored))
        if wrong:
            more = f"; and {len(wrong) - MOST_NAMED} more" if len(wrong) > MOST_NAMED else ""
            raise DeliveryError(
                f"this set was made already, but {self.folder} is not as it was made: "
                f"{'; '.join(wrong[:MOST_NAMED])}{more}; nothing was written; take what was "
                "changed or is missing from a backup and what is not of the set out of the folder, "
                "or move the folder away and run again: the same rods are then written with the "
                "same identifiers"
            )

    def _made_elsewhere(self, stored: StoredSet) -> DeliveryError:
        found = look_at(stored)
        how = {
            Lying.WHOLE: "where every file is as it was made",
            Lying.ABSENT: "where nothing lies now",
        }.get(found.lying, f"where it is not as it was made ({found.why})")
        at = stored.started
        return DeliveryError(
            f"this set is made already: it is {stored.name}, recorded by {at.by} on {at.at[:10]} "
            f"in {stored.folder}, {how}; nothing was written; to have the files of the same rods, "
            f"with the same identifiers, in {self.folder.parent} too, add --copy; rods that are "
            "missing or do not conform are made again by `labkit replace`"
        )

    def _papers(self, progress: Progress) -> Remade:
        profile = self.job.means.profile
        spec = {**self.spec, "profile": profile_json(profile)}
        shown = self._shown(spec)
        remake_papers(self.folder, shown, None, profile, progress)
        self._note(shown)
        return Remade(
            self.folder, spec, shown,
            "This set was made already and its files are as they were made: the same rods, the "
            "same identifiers. Only the profile differs, so its papers were made again with it",
        )

    def _files(self, stored: StoredSet, build: Build, progress: Progress) -> Remade:
        profile = profile_json(self.job.means.profile)
        spec = {**self.spec, "profile": profile}
        reader = self.recorder.ledger if self.recorder else None
        assert reader is not None
        job = replace(self.job, inputs_sha256=stored.inputs_sha256)
        ticket = _ticket(stored, reader)
        with new_set(
            self.folder.parent, job.number, lambda _: stored.set_revision
        ) as place:
            _require_same(stored.name, self.spec, build(job, ticket, place))
            write_json(place.staging / SPEC_FILE, spec)
            shown = self._shown(spec)
            write_papers(place.staging, shown, place.staging, progress)
        self._note(shown)
        return Remade(
            place.final, spec, shown,
            f"This set was made already, as {stored.name}, recorded by {stored.started.by} on "
            f"{stored.started.at[:10]}: its files were written again, with the same identifiers; "
            "build no rod twice",
        )

    def _shown(self, spec: Spec) -> Spec:
        if self.recorder is not None:
            return with_standing(spec, self.recorder.ledger)
        with self.wishes.looking() as reader:
            return with_standing(spec, reader)

    def _note(self, shown: Spec) -> None:
        if self.recorder is not None and what_holds(shown):
            note_printed(self.recorder, shown)


def made_before(
    job: Job, out: Path, recorder: Recorder | None, wishes: Wishes
) -> MadeBefore | None:
    """Find the last set of a case where it is made from what a job would make it from.

    A set made from something else since may be followed by an earlier one made anew, because the
    prescriber may go back. Extra rods and rods in place of others are passed over.

    Args:
        out: Folder that holds sets.
    """
    stored = last_recorded(recorder.ledger, job.number) if recorder else None
    lying = last_whole(out, job.number)
    if lying is not None and is_of_job(lying[1], job):
        known = stored if stored and stored.name == lying[0].name else None
        return MadeBefore(job, *lying, known, recorder, wishes)
    if stored is not None and stored.spec is not None and is_of_job(stored.spec.content, job):
        return MadeBefore(
            job, out / stored.name, stored.spec.content, stored, recorder, wishes
        )
    return None


def last_recorded(reader: Reader, case: str) -> StoredSet | None:
    """Give the last whole set of a case that the record has as made."""
    made = [one for one in reader.sets(case)
            if one.state is SetState.MADE and one.purpose == "set"]
    return made[-1] if made else None


def _ticket(stored: StoredSet, reader: Reader) -> Ticket:
    """Give the ticket that a recorded set was made with.

    Raises:
        RefusedError: Its identifiers were given by another rule.
    """
    attempts: dict[tuple[int, Side], int] = {}
    rods = reader.rods_of_set(stored.name)
    earlier = all(len(rod.identifier) == min(LENGTHS) for rod in rods)
    ticket = Ticket(
        stored.inputs_sha256, stored.set_revision, attempts,
        BEFORE_LEDGERS if earlier else identity_of(reader),
    )
    for rod in rods:
        place = (rod.step, Side(rod.side))
        for attempt in range(MOST_ATTEMPTS):
            attempts[place] = attempt
            if ticket.identifier(*place) == rod.identifier:
                break
        else:
            raise RefusedError(
                f"the identifiers of {stored.name} were given by another rule than that of this "
                "version of the program; take the set from its backup",
                field="identifier", value=rod.identifier,
            )
    return ticket


def _require_same(name: str, kept: Spec, built: Spec) -> None:
    """Never give other rods the identifiers of recorded ones."""
    other = [key for key in kept if key not in _NOT_OF_RODS and kept[key] != built.get(key)]
    if kept["lengths"]["steps"] != built["lengths"]["steps"]:
        other.append("lengths")
    if other:
        raise CheckError(
            f"the set {name} is recorded as made, and this version of the program makes it "
            f"otherwise ({', '.join(other)}); nothing was written; take the set from its backup, "
            "or make it with the version that made it (`labkit show`)",
            field=other[0],
        )
