"""What a technician confirms of what a clinic sent: acts, each with the command that does it."""

from __future__ import annotations

import datetime
from collections.abc import Iterator
from dataclasses import dataclass

from labkit.catalog.toml_source import TomlSource
from labkit.core.case.extra_requests import ByPercent
from labkit.core.case.identifier import grouped
from labkit.core.case.trial_seen import TrialSeen
from labkit.core.clinic import ClinicFile, TrialTold
from labkit.core.grading.prescription import Side
from labkit.units import counted, plain
from labkit.workflow.rods.life import Told

#: Words of a command, without the program's name and without who records.
Command = tuple[str, ...]


@dataclass(frozen=True)
class AcceptTrial:
    """Record a trial fit that the prescriber accepts."""

    file: ClinicFile
    told: TrialTold
    seen: TrialSeen

    @property
    def command(self) -> Command:
        """The command that does it."""
        told = self.told
        sides = [word for side in Side for word in (f"--{side}", getattr(told, side).words)]
        options = [*sides, "--date", str(self.file.on), "--read-to", plain(told.read_to_mm)]
        options += ["--correct", str(told.correct)] if told.correct else []
        return with_case("trial", self.file.case, [*options, "--accept", "--note",
                                                   self.file.remark])

    @property
    def words(self) -> str:
        """What is done, for people."""
        return "The trial fit is recorded, and that the prescriber accepts it"


@dataclass(frozen=True)
class OrderRods:
    """Order and make rods in between.

    Args:
        folder: Folder of the sets that the command writes to.
    """

    case: str
    requests: tuple[ByPercent, ...]
    folder: str

    @property
    def percents(self) -> Iterator[str]:
        """The percentages, as typed."""
        return (plain(one.percent) for one in self.requests)

    @property
    def command(self) -> Command:
        """The command that does it."""
        options = [word for one in self.percents for word in ("--percent", one)]
        return with_case("extra", self.case, [*options, "--out", self.folder])

    @property
    def words(self) -> str:
        """What is done, for people."""
        at = ", ".join(f"{one} %" for one in self.percents)
        return f"Rods in between at {at} of the range are ordered and made"


@dataclass(frozen=True)
class TellRods:
    """Record what became of rods."""

    identifiers: tuple[str, ...]
    told: Told
    on: datetime.date

    @property
    def command(self) -> Command:
        """The command that does it."""
        options = ["--date", str(self.on), "--note", self.told.note]
        options += ["--instead"] if self.told.instead else []
        return ("rod", *self.identifiers, self.told.state, *options)

    @property
    def words(self) -> str:
        """What is done, for people."""
        rods = ", ".join(map(grouped, self.identifiers))
        count = counted(len(self.identifiers), "rod")
        out = "; the pair that is in the mouth comes out" if self.told.instead else ""
        return f"{count} recorded as {self.told.state} on {self.on}: {rods}{out}"


@dataclass(frozen=True)
class RecordPrescription:
    """Record a prescription, as a new case or as the next revision.

    Args:
        path: The file that the command reads.
        known: Whether the case is recorded.
    """

    case: str
    source: TomlSource
    path: str
    reason: str
    known: bool

    @property
    def command(self) -> Command:
        """The command that does it; empty of a new case, which its first set records."""
        return ("prescription", "record", self.path, "--reason", self.reason) if self.known else ()

    @property
    def words(self) -> str:
        """What is done, for people."""
        return (
            f"The prescription becomes the next revision of the case {self.case}" if self.known
            else f"The case {self.case} is opened with this prescription"
        )


Act = AcceptTrial | OrderRods | TellRods | RecordPrescription


def commands_of(acts: tuple[Act, ...]) -> tuple[Command, ...]:
    """Give the commands of acts that have one."""
    return tuple(act.command for act in acts if act.command)


def with_case(name: str, case: str, options: list[str]) -> Command:
    """Put a command together; a case number that looks like an option comes last."""
    if case.startswith("-"):
        return (name, *options, "--", case)
    return (name, case, *options)
