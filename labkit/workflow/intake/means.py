"""What a clinic's file would do, kind by kind: commands of labkit, each looked at beforehand."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from labkit.core.case.extra_requests import ByPercent
from labkit.core.case.identifier import grouped, parse_identifier
from labkit.core.case.rod_life import OUT_OF_HOUSE, RodState
from labkit.core.case.rods_out import length_of
from labkit.core.case.trial_seen import TrialSeen
from labkit.core.case.trial_words import read_seen
from labkit.core.clinic import Became, ClinicFile, FollowUpTold, OrderTold, RodsTold, TrialTold
from labkit.core.grading.prescription import Side
from labkit.core.report import Column, Section, Table
from labkit.errors import InputError, LabkitError
from labkit.ledger.queries import Reader
from labkit.ledger.stored import StoredRod
from labkit.units import plain
from labkit.workflow.intake.acts import AcceptTrial, Act, OrderRods, TellRods
from labkit.workflow.record.lookup import stored_rod
from labkit.workflow.record.pair import pair_report
from labkit.workflow.rods.extra import ExtraOrder, Installed
from labkit.workflow.rods.extra_report import look_at_extra
from labkit.workflow.rods.life import Told, look_at_told
from labkit.workflow.rods.slips import no_such_label
from labkit.workflow.rods.trial import propose
from labkit.workflow.rods.trial_report import trial_report
from labkit.workflow.sets.stored_case import read_case


@dataclass(frozen=True)
class Means:
    """What a file would do.

    Args:
        says: What it says, a line each.
        sections: What follows from it, as the command that would do it shows it.
        acts: What a technician confirms; empty where there is nothing to do.
        refused: Sentences of the rules that refuse it.
        waits: Why nothing can be confirmed yet, or need not be; empty where it can.
        data: What programs are given of it.
    """

    says: tuple[str, ...]
    sections: tuple[Section, ...] = ()
    acts: tuple[Act, ...] = ()
    refused: tuple[str, ...] = ()
    waits: str = ""
    data: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Lab:
    """What is asked of the lab when a file is looked at.

    Args:
        installed: Reads what is installed, only where it is needed.
        now: With the time zone whose days count.
    """

    reader: Reader
    installed: Callable[[], Installed]
    now: datetime.datetime


def means_of_trial(lab: Lab, file: ClinicFile, told: TrialTold) -> Means:
    """Work out what a trial fit proposes."""
    left, right = read_seen(Side.LEFT, told.left.words), read_seen(Side.RIGHT, told.right.words)
    seen = TrialSeen(left, right, told.read_to_mm, told.correct, file.on)
    trial = propose(lab.reader, file.case, seen, lab.now)
    report = trial_report(trial)
    return Means(
        says=(
            f"Left rod {told.left.words}; right rod {told.right.words} (mm).",
            "The prescriber accepts the range that follows." if told.accepted
            else "It does not say that the prescriber accepts the range that follows.",
        ),
        sections=report.sections,
        acts=() if trial.outcome.refused else (AcceptTrial(file, told, seen),),
        refused=tuple(finding.message for finding in trial.outcome.refused),
        waits="" if told.accepted else (
            "the sheet does not say that the prescriber accepts the trial fit; ask the prescriber, "
            "and type the command once they do"
        ),
        data=report.data,
    )


def means_of_order(lab: Lab, file: ClinicFile, told: OrderTold) -> Means:
    """Work out what rods an order would make."""
    requests = tuple(ByPercent(percent) for percent in told.percent)
    looked = look_at_extra(lab.reader, ExtraOrder(file.case, requests), lab.installed())
    folder = read_case(lab.reader, file.case).sets_folder
    asked = ", ".join(f"{plain(one)} %" for one in told.percent)
    refusal, findings = looked.refusal, looked.plan.case.refusals
    refused = tuple(one.message for one in findings) or (refusal.message if refusal else "",)
    return Means(
        says=(
            f"Rods in between, asked at {asked} of the range.",
            *(["The remark is not recorded with an order."] if file.note else []),
        ),
        sections=() if refusal else looked.report.sections,
        acts=() if refusal else (OrderRods(file.case, requests, folder),),
        refused=refused if refusal else (),
        data=looked.report.data,
    )


def means_of_follow_up(lab: Lab, file: ClinicFile, told: FollowUpTold) -> Means:
    """Work out what is recorded of the pair in the mouth; the one that was there comes out."""
    rods = lab.reader.rods(file.case)
    worn = [_rod_named(file.case, rods, side, word)
            for side, word in ((Side.LEFT, told.left), (Side.RIGHT, told.right))]
    pair = pair_report(lab.reader, file.case, tuple(rod.label for rod in worn))
    instead = any(rod.state == RodState.FITTED and rod not in worn for rod in rods)
    new = [rod for rod in worn if rod.state != RodState.FITTED]
    return _told_means(lab, file, {RodState.FITTED: new}, Means(
        says=(f"In the mouth: {' and '.join(map(_shown, worn))}.",),
        sections=pair.sections,
        waits="" if new else (
            "the record says already that this pair is in the mouth; there is nothing to record"
        ),
        data=pair.data,
    ), instead=instead)


def means_of_rods(lab: Lab, file: ClinicFile, told: RodsTold) -> Means:
    """Work out what is recorded of rods that were lost, broken or sent back."""
    states: dict[str, list[StoredRod]] = {state: [] for state in Became}
    already: list[str] = []
    named: list[StoredRod] = []
    for one in told.rods:
        rod = stored_rod(lab.reader, one.rod)
        if rod.case != file.case:
            raise InputError(
                f"the rod {grouped(rod.identifier)} is of the case {rod.case}, and the sheet is of "
                f"the case {file.case}; ask the clinic which case is meant",
                field="told.rods", value=one.rod,
            )
        if rod in named:
            raise InputError(
                f"the rod {grouped(rod.identifier)} is named twice; ask the clinic what became of "
                "it",
                field="told.rods", value=one.rod,
            )
        named.append(rod)
        if rod.state == one.became:
            already.append(f"{_shown(rod)} is recorded as {rod.state} already.")
        else:
            states[one.became].append(rod)
    listed = Table.of(_RODS, zip(named, told.rods, strict=True))
    return _told_means(lab, file, states, Means(
        says=tuple(already),
        sections=(Section("What became of rods", table=listed),),
        waits="" if any(states.values()) else (
            "the record says all of this already; there is nothing to record"
        ),
        data={"rods": listed.records},
    ))


_RODS = (
    Column("identifier", lambda row: row[0].identifier, "identifier", grouped),
    Column("rod", lambda row: f"{row[0].label} {row[0].side}", "rod"),
    Column("is in the record", lambda row: str(row[0].state), "was"),
    Column("became", lambda row: str(row[1].became), "became"),
)


def _told_means(
    lab: Lab, file: ClinicFile, states: Mapping[str, list[StoredRod]], means: Means, *,
    instead: bool = False,
) -> Means:
    """Add the acts that record states of rods, each looked at as if it were given.

    Args:
        instead: Whether rods that are fitted come out for these.
    """
    acts, refused = list[Act](), list[str]()
    for state, rods in states.items():
        words = tuple(rod.identifier for rod in rods)
        if not words:
            continue
        told = Told(str(state), file.remark, file.on, instead=instead)
        try:
            look_at_told(lab.reader, words, told, lab.now)
        except LabkitError as error:
            refused.append(error.message)
        acts.append(TellRods(words, told, file.on))
    return Means(
        means.says, means.sections, () if refused else tuple(acts), tuple(refused),
        means.waits, means.data,
    )


def _rod_named(case: str, rods: Iterable[StoredRod], side: Side, word: str) -> StoredRod:
    """Find a rod by its identifier, or by its label among those that left the lab."""
    own = [rod for rod in rods if rod.side == side]
    digits = word.replace(" ", "").replace("-", "")
    if digits.isdigit() and len(digits) > 4:
        wanted = parse_identifier(digits)
        found = [rod for rod in own if rod.identifier == wanted]
        if not found:
            raise InputError(
                f"the rod {grouped(wanted)} is no {side} rod of the case {case!r}; ask the clinic "
                "which rod is meant",
                field=f"told.{side}", value=word,
            )
        return found[0]
    length = length_of(word.upper().removesuffix(side[0].upper()))
    found = [rod for rod in own if length_of(rod.label) == length]
    if not found:
        raise no_such_label(case, side, length, (rod.label for rod in own))
    return max(found, key=lambda rod: (rod.state in OUT_OF_HOUSE, rod.state_since.seq))


def _shown(rod: StoredRod) -> str:
    return f"the {rod.side} rod {rod.label} ({grouped(rod.identifier)})"
