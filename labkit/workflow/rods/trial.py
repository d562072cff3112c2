"""The trial fit of a recorded case: the proposal, and what would be ordered next."""

from __future__ import annotations

import shlex
from collections.abc import Iterable
from dataclasses import dataclass, replace
from decimal import Decimal

from labkit.catalog.prescriptions import read_prescription
from labkit.catalog.revise import with_bite
from labkit.catalog.toml_source import parse_toml
from labkit.core.case.cover import StepCover, cover_step, with_tolerance
from labkit.core.case.extra_requests import ByAdvancement, ByPercent, ExtraRequest
from labkit.core.case.extra_rods import extra_rods
from labkit.core.case.trial_fit import trial_fit
from labkit.core.case.trial_seen import TrialSeen
from labkit.core.case.trial_values import TrialOutcome
from labkit.core.findings import Finding
from labkit.core.grading.bite import bite_scale
from labkit.core.grading.grade import grade
from labkit.core.grading.prescription import GradingUnit, Prescription, Side
from labkit.core.grading.series import asked_steps
from labkit.errors import InputError
from labkit.ledger.queries import Reader
from labkit.units import plain
from labkit.workflow.record.lookup import need_case
from labkit.workflow.sets.stored_case import StoredCase, read_case

#: More than the whole range of a gauge is a slip of the unit.
MOST_GAP_MM = Decimal(30)


@dataclass(frozen=True)
class NextOrder:
    """What would be ordered after a trial fit.

    Args:
        command: The command that makes the missing rods; empty where none can be made.
        cannot: Why other missing rods cannot be made beside those that are out.
    """

    command: str
    requests: tuple[ExtraRequest, ...]
    cannot: tuple[Finding, ...]


@dataclass(frozen=True)
class Trial:
    """A trial fit of a recorded case.

    Args:
        outcome: The proposal, or why there is none.
        prescribed: Prescribed steps with the rods that serve them, on the range as it would be.
        order: What would be ordered next; None without a proposal.
        text: Text of the next revision of the prescription; empty where none is needed.
        accepted: Number of the event that accepts it; None while it is a proposal.
    """

    stored: StoredCase
    seen: TrialSeen
    outcome: TrialOutcome
    prescribed: tuple[StepCover, ...]
    order: NextOrder | None
    text: str
    accepted: int | None
    revision: int


def propose(reader: Reader, case: str, seen: TrialSeen) -> Trial:
    """Read a trial fit back to the true maximum; nothing is changed.

    Args:
        seen: What was met with the patient as far forward as they can go.

    Returns:
        The proposal; where a rule of the trade does not allow it, refusals among the findings.

    Raises:
        InputError: The ledger does not know the case.
        RefusedError: The case has no rods.
    """
    with reader.snapshot():
        need_case(reader, case)
        stored = read_case(reader, case)
    outcome = trial_fit(stored.prescription, stored.out, seen, stored.limits)
    proposal = outcome.proposal
    if proposal is None:
        return Trial(stored, seen, outcome, (), None, "", None, stored.revision)
    holds, text = stored.prescription, ""
    if not proposal.confirmed:
        holds = replace(holds, bite=proposal.bite)
        text = with_bite(stored.source, proposal.bite)
        read_prescription(parse_toml(text, "the next revision"), (holds.template,))
    prescribed = _prescribed(holds, stored)
    order = _next_order(holds, stored, prescribed)
    return Trial(stored, seen, outcome, prescribed, order, text, None, stored.revision)


def _prescribed(holds: Prescription, stored: StoredCase) -> tuple[StepCover, ...]:
    rods = with_tolerance(stored.out, holds.grading, stored.limits)
    return tuple(cover_step(step, rods) for step in grade(holds, stored.limits).steps)


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


def the_seen(
    met: str | None, sides: tuple[str | None, str | None],
    gaps: tuple[Decimal | None, Decimal | None],
) -> TrialSeen:
    """Put together what was typed on the command line.

    Args:
        met: Label that both sides met.
        sides: Labels, left and right.
        gaps: Gaps, left and right, mm.

    Raises:
        InputError: Told in no way, in two, for one side only, or a gap beyond ±30 mm.
    """
    for side, gap in zip(Side, gaps, strict=True):
        if gap is not None and not abs(gap) <= MOST_GAP_MM:
            raise InputError(
                f"a {side} gap of {gap} mm was given; a rod reaches past its seat, or falls "
                f"short of it, by at most {plain(MOST_GAP_MM)} mm",
                field=f"gap-{side}", value=gap, allowed=f"at most {plain(MOST_GAP_MM)} mm",
            )  # fmt: skip
    return TrialSeen(met or "", sides[0] or "", sides[1] or "", *gaps)
