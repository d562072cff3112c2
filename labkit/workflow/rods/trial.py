"""The trial fit of a recorded case: the proposal, and what could be ordered next."""

from __future__ import annotations

import datetime
import shlex
from collections.abc import Iterable
from dataclasses import dataclass, replace
from decimal import Decimal

from labkit.catalog.prescriptions import read_prescription
from labkit.catalog.revise import with_bite
from labkit.catalog.toml_source import TomlSource, parse_toml
from labkit.core.case.cover import StepCover, cover_step
from labkit.core.case.extra_requests import ByAdvancement, ByPercent, ExtraRequest
from labkit.core.case.extra_rods import extra_rods
from labkit.core.case.identifier import grouped
from labkit.core.case.rod_life import IN_CIRCULATION
from labkit.core.case.rods_out import length_of
from labkit.core.case.trial_fit import trial_fit
from labkit.core.case.trial_seen import SideSeen, TrialSeen
from labkit.core.case.trial_values import TrialOutcome
from labkit.core.findings import Finding
from labkit.core.grading.bite import bite_scale
from labkit.core.grading.grade import grade
from labkit.core.grading.prescription import GradingUnit, Prescription, Side
from labkit.core.grading.series import asked_steps
from labkit.core.jaw.build import registered_length
from labkit.errors import InputError, RefusedError
from labkit.ledger.queries import Reader
from labkit.units import plain
from labkit.workflow.record.lookup import need_case
from labkit.workflow.rods.slips import no_such_label
from labkit.workflow.rods.trial_days import day_of
from labkit.workflow.sets.stored_case import StoredCase, read_case


@dataclass(frozen=True)
class NextOrder:
    """What could be ordered after a trial fit; the rods in circulation serve without it.

    Args:
        command: The command that makes the missing rods; empty where none can be made.
        cannot: Why other missing rods cannot be made beside those in circulation.
    """

    command: str
    requests: tuple[ExtraRequest, ...]
    cannot: tuple[Finding, ...]


@dataclass(frozen=True)
class Trial:
    """A trial fit of a recorded case.

    Args:
        seen: What was seen, its rods found in the record and its day named.
        outcome: The proposal, or why there is none.
        prescribed: Prescribed steps with the rods that serve them, on the range as it would be.
        order: What could be ordered next; None without a proposal.
        text: Text of the next revision of the prescription; empty where none is needed.
        entry: Number of its entry in the record; None while it is a proposal.
    """

    stored: StoredCase
    seen: TrialSeen
    outcome: TrialOutcome
    prescribed: tuple[StepCover, ...]
    order: NextOrder | None
    text: str
    entry: int | None
    revision: int


def propose(reader: Reader, case: str, seen: TrialSeen, now: datetime.datetime) -> Trial:
    """Read a trial fit back to the true maximum; nothing is changed.

    Args:
        seen: What was seen with the patient as far forward as they can go.
        now: With the time zone whose days count.

    Returns:
        The proposal; where a rule of the trade does not allow it, refusals among the findings.

    Raises:
        InputError: The ledger does not know the case, or a rod named is none of that side.
        RefusedError: The case has no rods, a rod named is not in circulation, or the trial fit
            cannot have been on that day.
    """
    with reader.snapshot():
        need_case(reader, case)
        stored = read_case(reader, case)
        on = day_of(reader, case, seen.on, now)
    left, right = (_found(stored, side, seen.side(side)) for side in Side)
    seen = replace(seen, left=left, right=right, on=on)
    outcome = trial_fit(stored.prescription, stored.out, seen, stored.limits)
    proposal = outcome.proposal
    if proposal is None:
        return Trial(stored, seen, outcome, (), None, "", None, stored.revision)
    holds = proposal.holds
    text = "" if proposal.confirmed else text_of(stored.source, stored.prescription, holds)
    prescribed = _prescribed(holds, stored)
    order = _next_order(holds, stored, prescribed)
    return Trial(stored, seen, outcome, prescribed, order, text, None, stored.revision)


def text_of(source: TomlSource, before: Prescription, holds: Prescription) -> str:
    """Write the next revision of a prescription, as it holds after trial fits.

    Args:
        source: Text of the prescription before.

    Raises:
        InputError: The text cannot be changed, or would not read again.
    """
    distances = {
        side: Decimal(repr(registered_length(holds.anchors(side))))
        for side in Side
        if (holds.left, holds.right) != (before.left, before.right)
    }
    text = with_bite(source, holds.bite, distances)
    read_prescription(parse_toml(text, "the next revision"), (holds.template,))
    return text


def _found(stored: StoredCase, side: Side, one: SideSeen) -> SideSeen:
    """Give what was seen of a side with the label that its rod bears, however it was named."""
    if not one.identifier:
        return replace(one, label=_engraved(stored, side, length_of(one.label)))
    rod = next((rod for rod in stored.rods if rod.identifier == one.identifier), None)
    name = grouped(one.identifier)
    do = f"give the rod that was tried on the {side}, with `labkit show` beside you"
    if rod is None:
        raise InputError(
            f"the rod {name} is not a rod of the case {stored.case!r}; {do}",
            field=str(side), value=one.identifier,
        )
    if rod.side != side:
        raise InputError(
            f"the rod {name} is the {rod.side} rod {rod.label}, but was named for the {side} side; "
            f"{do}",
            field=str(side), value=one.identifier,
        )
    if rod.state not in IN_CIRCULATION:
        raise RefusedError(
            f"the rod {name} is {rod.state}, and not in circulation; {do}",
            field=str(side), value=one.identifier,
        )
    return replace(one, label=rod.label)


def _engraved(stored: StoredCase, side: Side, length: Decimal) -> str:
    """Give the label of a length, as the rods of that side bear it."""
    labels = [rod.label for rod in stored.rods if rod.side == side]
    for label in labels:
        if length_of(label) == length:
            return label
    raise no_such_label(stored.case, side, length, labels)


def _prescribed(holds: Prescription, stored: StoredCase) -> tuple[StepCover, ...]:
    return tuple(cover_step(step, stored.out) for step in grade(holds, stored.limits).steps)


def _next_order(
    holds: Prescription, stored: StoredCase, prescribed: tuple[StepCover, ...]
) -> NextOrder:
    """Ask for every missing step that the rules of extra rods allow beside the rods out."""
    good: list[ExtraRequest] = []
    cannot: list[Finding] = []
    for request in _missing(holds, prescribed):
        refused = extra_rods(holds, stored.out, (request,), stored.limits).refused
        cannot += refused
        good += [] if refused else [request]
    if good:
        together = extra_rods(holds, stored.out, tuple(good), stored.limits).refused
        cannot += together
        good = [] if together else good
    return NextOrder(_command(stored, good) if good else "", tuple(good), tuple(cannot))


def _missing(
    holds: Prescription, prescribed: tuple[StepCover, ...]
) -> Iterable[ByPercent | ByAdvancement]:
    covered = {cover.percent for cover in prescribed if cover.covered}
    computed = {cover.percent for cover in prescribed}
    in_mm = holds.grading.unit is GradingUnit.ADVANCEMENT
    for asked in asked_steps(holds.grading, bite_scale(holds.bite))[0]:
        percent = float(asked.percent)
        if percent in computed and percent not in covered:
            yield ByAdvancement(asked.value) if in_mm else ByPercent(asked.value)


def _command(stored: StoredCase, requests: Iterable[ExtraRequest]) -> str:
    """Write the command as it is typed; a case number that looks like an option comes last."""
    case, words = stored.case, []
    for request in requests:
        if isinstance(request, ByPercent):
            words += ["--percent", plain(request.percent)]
        elif isinstance(request, ByAdvancement):
            words += ["--advancement", plain(request.advancement_mm)]
    words += ["--out", stored.sets_folder]
    named = [*words, "--", case] if case.startswith("-") else [case, *words]
    return shlex.join(["labkit", "extra", *named])
