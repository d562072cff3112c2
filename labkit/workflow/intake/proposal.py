"""A clinic's file as a proposal: what it says, what changed since, and what would do it."""

from __future__ import annotations

import datetime
import shlex
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from labkit.core.clinic import (
    KIND_WORDS,
    ClinicFile,
    FollowUpTold,
    OrderTold,
    RodsTold,
    TrialTold,
)
from labkit.core.report import Column, On, Report, Section, Table
from labkit.errors import InputError, RefusedError
from labkit.ledger.events import Event
from labkit.ledger.queries import Reader
from labkit.workflow.intake.acts import Act, Command, commands_of
from labkit.workflow.intake.means import (
    Lab,
    Means,
    means_of_follow_up,
    means_of_order,
    means_of_rods,
    means_of_trial,
)
from labkit.workflow.intake.prescribed import Sent, means_of_prescription
from labkit.workflow.record.lookup import need_case
from labkit.workflow.record.story import told as told_event
from labkit.workflow.rods.days import check_not_to_come

_MEANS: Mapping[type, Callable[[Lab, ClinicFile, Any], Means]] = {
    TrialTold: means_of_trial,
    OrderTold: means_of_order,
    FollowUpTold: means_of_follow_up,
    RodsTold: means_of_rods,
}
_SINCE = (
    Column("entry", "seq"),
    Column("day", lambda event: event.at[:10], "date"),
    Column("by", "by"),
    Column("what", told_event, "told"),
)


@dataclass(frozen=True)
class Proposal:
    """What a file would do once a technician confirms it.

    Args:
        acts: What is done then.
        refused: Sentences of the rules that refuse it.
        waits: Why nothing can be confirmed yet, or need not be; empty where it can.
    """

    report: Report
    acts: tuple[Act, ...]
    refused: tuple[str, ...]
    waits: str

    @property
    def commands(self) -> tuple[Command, ...]:
        """Words of each command, without the program's name and without who records."""
        return commands_of(self.acts)


def propose_intake(lab: Lab, file: ClinicFile, typed: str) -> Proposal:
    """Look at what a clinic sent, of a recorded case; nothing is recorded.

    Args:
        file: What it says; no prescription.
        typed: What follows `labkit intake` when it is typed again to confirm.

    Raises:
        InputError: The record does not know the case, a rod, or the entry that is named.
        RefusedError: The day lies in the future, or before what the sheet was made for.
    """
    reader = lab.reader
    with reader.snapshot():
        need_case(reader, file.case)
        since = changed_since(reader, file, lab.now)
        means = _MEANS[type(file.told)](lab, file, file.told)
    return _proposal(file, means, since, typed)


def propose_prescription(
    reader: Reader | None, file: ClinicFile, sent: Sent, now: datetime.datetime, typed: str
) -> Proposal:
    """Look at a prescription that a clinic sent, of a recorded case or a new one.

    Args:
        reader: The record; None where there is none yet.
        sent: The prescription, which can be used.
        typed: As for `propose_intake`.

    Raises:
        InputError, RefusedError: As `propose_intake`.
    """
    if reader is None:
        check_days(file, now)
        return _proposal(file, means_of_prescription(None, file, sent), (), typed)
    with reader.snapshot():
        since = changed_since(reader, file, now)
        means = means_of_prescription(reader, file, sent)
    return _proposal(file, means, since, typed)


def check_days(file: ClinicFile, now: datetime.datetime) -> None:
    """Refuse a sheet that tells of a day to come, or of one before what it was made for.

    Raises:
        RefusedError: It does.
    """
    check_not_to_come(
        "what the clinic's sheet reports cannot have been then", file.on, now.date(),
        "ask the clinic for the right day",
    )
    today = now.astimezone(datetime.UTC).date()  # the record's own days, as the sheet bears them
    if file.true_on is not None and file.true_on > today:
        raise RefusedError(
            f"the clinic's sheet says that it was made on {file.true_on}, which lies in the "
            f"future; today is {today}; make a new sheet with `labkit clinic-sheet`",
            field="true_on",
        )


def changed_since(
    reader: Reader, file: ClinicFile, now: datetime.datetime
) -> tuple[Event, ...]:
    """Give what was recorded of the case after a sheet was made for it.

    Raises:
        InputError: The entry is none of this case: the sheet is of another record.
        RefusedError: As `check_days`.
    """
    check_days(file, now)
    if file.entry is None:
        return ()
    story = reader.story(file.case)
    made_for = next((event for event in story if event.seq == file.entry), None)
    if made_for is None or file.true_on not in (None, _day(made_for)):
        day = f" of {file.true_on}" if file.true_on else ""
        raise InputError(
            f"the sheet was made for entry {file.entry}{day}, which does not belong to the case "
            f"{file.case} in the ledger {reader.place}; look for the ledger that the sheet was "
            "made from",
            field="entry", value=file.entry,
        )
    return tuple(event for event in story if event.seq > file.entry)


def _day(event: Event) -> datetime.date:
    return datetime.date.fromisoformat(event.at[:10])


def _proposal(
    file: ClinicFile, means: Means, since: tuple[Event, ...], typed: str
) -> Proposal:
    changed = Table.of(_SINCE, since)
    lines = tuple(map(command_line, commands_of(means.acts)))
    return Proposal(
        Report(
            "Clinic's sheet",
            (
                Section(_heading(file), (*_facts(file), *means.says)),
                *_changes(file, changed),
                *(replace(one, words=_without_next(one.words)) for one in means.sections),
                Section("What a technician confirms", tuple(_next(means, lines, typed)),
                        on=On.COMMANDS),
            ),
            {
                "schema": 1, "case": file.case, "kind": file.told.kind, "on": str(file.on),
                "by": file.by, "note": file.note, "entry": file.entry,
                "since": changed.records, "commands": list(lines),
                "refused": list(means.refused), "waits": means.waits, "means": means.data,
            },
        ),
        means.acts, means.refused, means.waits,
    )


def _without_next(words: tuple[str, ...]) -> tuple[str, ...]:
    """Leave out how the command itself would go on: here the technician confirms."""
    ends = ("Nothing has changed. This is a proposal", "Preview only: nothing was written")
    return tuple(one for one in words if not one.startswith(ends))


def _heading(file: ClinicFile) -> str:
    return f"{KIND_WORDS[file.told.kind]} of case {file.case}, {file.on}, reported by {file.by}"


def _facts(file: ClinicFile) -> Iterator[str]:
    if file.entry is None:
        yield "From a blank sheet, which names no entry of the record."
    if file.note:
        yield f"Remark: {file.note}"


def _changes(file: ClinicFile, changed: Table) -> Iterator[Section]:
    if file.entry is None:
        return
    if not changed.rows:
        yield Section(words=(f"Nothing was recorded since entry {file.entry}, for which the sheet "
                             "was made.",))
        return
    yield Section(
        "Recorded since the sheet was made",
        (f"The sheet was made for entry {file.entry}. What the clinic saw may no longer hold; "
         "what follows is worked out on what holds now.",),
        changed,
    )


def _next(means: Means, lines: tuple[str, ...], typed: str) -> Iterator[str]:
    if means.refused:
        yield "Nothing: it is refused."
    elif not lines:
        yield f"Nothing: {means.waits}."
    elif means.waits:
        yield f"Nothing yet: {means.waits}:"
        yield from (f"  {line}" for line in lines)
    else:
        yield f"Nothing has changed. `labkit intake {typed} --confirm --by CODE` does this:"
        yield from (f"  {line}" for line in lines)


def command_line(command: Command) -> str:
    """Write a command as it is typed."""
    *words, last = ("labkit", *command)
    if words[-1:] == ["--"]:
        return f"{shlex.join(words[:-1])} --by CODE -- {shlex.quote(last)}"
    return f"{shlex.join([*words, last])} --by CODE"
