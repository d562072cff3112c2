"""A trial fit as a report, and as the record holds it."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from functools import partial
from typing import Any

from labkit.core.case.cover import SideCover
from labkit.core.case.extra_rods import TOO_NEAR
from labkit.core.case.identifier import grouped
from labkit.core.case.rod_life import IN_CIRCULATION, OUT_OF_HOUSE
from labkit.core.case.trial_rules import answer, seen_means
from labkit.core.case.trial_seen import SideSeen, TrialSeen
from labkit.core.case.trial_values import Choice, PairNow, TrialProposal
from labkit.core.findings import notes_of, refusals
from labkit.core.grading.prescription import Side
from labkit.core.report import Column, On, Report, Section, Table, data_of, only
from labkit.ledger.stored import StoredRod
from labkit.units import counted, millimetres, plain, written
from labkit.workflow.rods.trial import NextOrder, Trial
from labkit.workflow.sets.stored_case import pair_of

#: What is asked of everyone who looks: an open mouth reads a smaller maximum.
PADS = (
    "This holds only if the pads touched on both sides while looking: with the mouth open, the jaw "
    "reads less far forward than it goes."
)
#: Said where every prescribed step has its rods.
ALL_THERE = "no rod is missing"
_one = partial(millimetres, decimals=1)


def _mark(pair: PairNow) -> str:
    if pair.not_to_be_worn:
        return "NOT TO BE WORN"
    return "100 % within rounding" if pair.within_rounding else ""


PAIRS = (
    Column("\nset, step", "place", "", lambda place: place.removeprefix("set ").replace(
        " step ", " ")),
    *only("pair"),
    Column("left\nrod", "standing.left", "left", lambda label: label or "none", unknown="none"),
    Column("right\nrod", "standing.right", "right", lambda label: label or "none", unknown="none"),
    Column("advancement\n", "standing.advancement_mm", "advancement_mm", millimetres, "mm"),
    Column("was\n", "percent_before", show=_one, unit="%"),
    Column("is\n", "percent", show=_one, unit="%"),
    Column("", _mark, ""),
    *only("not_to_be_worn", "within_rounding"),
)


def _rod(cover: SideCover) -> str:
    return cover.label or f"missing {cover.wanted}"


_PRESCRIBED = (
    Column("%", "percent", show=lambda percent: plain(written(percent, 4))),
    Column("advancement mm", "advancement_mm", show=millimetres),
    *only("start", "covered", "pair"),
    Column("left rod", "left", show=_rod),
    Column("right rod", "right", show=_rod),
    Column("", "start", "", lambda start: "start" if start else ""),
)
_CHOICES = (
    Column("choice", lambda choice: f"--correct {choice.correct}", ""),
    Column("range", "range_mm", show=millimetres, unit="mm"),
    Column("what was recorded wrongly", "words"),
    *only("correct"),
)


def trial_report(trial: Trial) -> Report:
    """Make the report of a trial fit.

    Returns:
        The report; where a rule of the trade refuses the proposal people read nothing of one, and
        programs find `proposal`, `prescribed` and `order` null or empty.
    """
    outcome = trial.outcome
    prescribed = Table.of(_PRESCRIBED, trial.prescribed)
    return Report(
        title="Trial fit",
        sections=tuple(_refused(trial) if outcome.proposal is None else _sections(
            trial, outcome.proposal, prescribed
        )),
        data={
            "schema": 1,
            "case": trial.stored.case,
            "tried_on_revision": trial.stored.revision,
            "on": None if trial.seen.on is None else str(trial.seen.on),
            "seen": seen_json(trial.seen),
            "answer": None if outcome.proposal is None else _answer(trial, outcome.proposal),
            "disagreement": outcome.disagreement,
            "choices": Table.of(_CHOICES, outcome.choices).records,
            "proposal": None if outcome.proposal is None else _proposal(outcome.proposal),
            "prescribed": prescribed.records,
            "missing": [
                {"percent": step.percent, "side": side, "label": label}
                for step in trial.prescribed
                for side, label in step.missing
            ],
            "order": trial.order and _order(trial.order),
            "accepted": trial.entry is not None,
            "revision": trial.revision,
            "findings": outcome.findings,
        },
    )


def _sections(trial: Trial, proposal: TrialProposal, prescribed: Table) -> Iterator[Section]:
    yield Section(
        _heading(trial),
        (_answer(trial, proposal), *_seen(trial), *_corrected(trial, proposal), PADS),
    )
    yield Section("Rods in circulation", table=Table.of(PAIRS, proposal.pairs))
    yield Section("Steps prescribed, on this range", table=prescribed)
    yield Section(findings=notes_of((*trial.outcome.findings, *proposal.set_findings)))
    yield Section(words=(
        *ask_back(trial.stored.rods, proposal.pairs),
        *(
            f"On this range the grading as prescribed is refused: {finding.message}"
            for finding in refusals(proposal.set_findings)
        ),
        *_kept(trial.order, proposal.pairs),
    ))
    yield Section(words=(*_next(trial), _what_holds(trial)), on=On.COMMANDS)


def _refused(trial: Trial) -> Iterator[Section]:
    """Tell people what can be done where left and right disagree; nothing for other refusals."""
    choices: tuple[Choice, ...] = trial.outcome.choices
    if choices:
        yield Section(_heading(trial), (*_seen(trial), PADS))
        offered = [each for each in choices if each.range_mm is not None]
        yield Section(
            "Corrections to choose from, if a second look shows the same" if offered else
            "No correction can be chosen; look again",
            tuple(
                f"Does not apply: --correct {each.correct} ({each.words})." for each in choices
                if each.range_mm is None
            ),
            Table.of(_CHOICES, offered) if offered else None,
        )


def _heading(trial: Trial) -> str:
    return (
        f"Trial fit of case {trial.stored.case} on {trial.seen.on}, prescription revision "
        f"{trial.stored.revision}"
    )


def _answer(trial: Trial, proposal: TrialProposal) -> str:
    return answer(proposal, trial.stored.prescription.action)


def _seen(trial: Trial) -> Iterator[str]:
    return seen_means(trial.seen, trial.stored.prescription.action)


def _corrected(trial: Trial, proposal: TrialProposal) -> Iterator[str]:
    """Tell what would be recorded besides the range."""
    before, holds = trial.stored.prescription, proposal.holds
    for side in Side:
        distance = holds.anchors(side).pin_distance_mm
        if holds.anchors(side) != before.anchors(side) and distance is not None:
            yield f"Corrected: the {side} distance at the registered bite, {plain(distance)} mm."
    if trial.seen.correct == "midline":
        yield (
            "Corrected: the midline deviation, "
            f"{millimetres(float(holds.bite.midline_deviation_mm))} mm."
        )


def ask_back(rods: Iterable[StoredRod], pairs: Iterable[PairNow]) -> Iterator[str]:
    """Ask for each rod out of the house that is not to be worn; of those in the lab, say so.

    Yields:
        At most one sentence of each kind.
    """
    names = {pair.pair for pair in pairs if pair.not_to_be_worn}
    found = [rod for rod in rods if rod.state in IN_CIRCULATION and pair_of(rod) in names]
    for words, out in (("Ask back", True), ("Not to be worn, in the lab; keep them there", False)):
        told = [
            f"{rod.label} {rod.side} ({grouped(rod.identifier)})"
            for rod in found if (rod.state in OUT_OF_HOUSE) is out
        ]
        if told:
            yield f"{words}: {', '.join(told)}."


def trial_json(trial: Trial) -> dict[str, Any]:
    """Give a trial fit in the form of `labkit trial --json`, which the record keeps too."""
    return data_of(trial_report(trial).data)


def seen_json(seen: TrialSeen) -> dict[str, Any]:
    """Give what was seen, exactly as told."""
    return {
        **{str(side): _side_json(seen.side(side)) for side in Side},
        "read_to_mm": plain(seen.read_to_mm),
        "correct": seen.correct,
    }


def _side_json(one: SideSeen) -> dict[str, Any]:
    return {
        "label": one.label, "identifier": one.identifier or None, "seen": one.seen,
        "by_mm": None if one.by_mm is None else plain(one.by_mm),
    }


def _kept(order: NextOrder | None, pairs: Collection[PairNow]) -> Iterator[str]:
    if order is None:
        return
    for finding in order.cannot:
        if finding.code != TOO_NEAR:  # which the notes name in one sentence
            yield f"Cannot be made beside the rods in circulation: {finding.message}"
    struck = sum(pair.not_to_be_worn for pair in pairs)
    if struck < len(pairs):
        keep = f"Keep the {'other ' if struck else ''}rods"
        missing = order.command or order.cannot
        yield f"{keep}: {'they stay in use under the percents above' if missing else ALL_THERE}."
    if order.command:
        yield "New rods are made only if the prescriber wants the missing steps."


def _next(trial: Trial) -> Iterator[str]:
    order = trial.order
    if order is None or not order.command:
        return
    when = "now" if trial.entry or not trial.text else "after acceptance"
    steps = counted(len(order.requests), "step")
    yield (
        f"{steps} ({2 * len(order.requests)} rods) can be made {when}; add --by CODE unless "
        "LABKIT_BY is set:"
    )
    yield f"  {order.command}"


def _what_holds(trial: Trial) -> str:
    if trial.entry is None:
        return (
            "Nothing has changed. This is a proposal; the prescriber accepts it with "
            "--accept --by CODE."
        )
    if not trial.text:
        return (
            f"Accepted: the trial fit is entry {trial.entry} of the record. The range is "
            f"confirmed, and prescription revision {trial.revision} holds as it is."
        )
    return (
        f"Accepted: the trial fit is entry {trial.entry} of the record. Prescription revision "
        f"{trial.revision} holds now; `labkit show {trial.stored.case} --prescription` prints its "
        "text."
    )


def _proposal(proposal: TrialProposal) -> dict[str, Any]:
    left, right = proposal.seats_mm
    label_left, label_right = proposal.labels_at_100
    bite = proposal.holds.bite
    return {
        "maximum_mm": proposal.advancement_mm,
        "range_before_mm": proposal.range_before_mm,
        "range_mm": proposal.range_mm,
        "protruded": plain(bite.protruded),
        "midline_deviation": plain(bite.midline_deviation_mm),
        "seats_mm": {"left": left, "right": right},
        "labels_at_100": {"left": label_left, "right": label_right},
        "confirmed": proposal.confirmed,
        "pairs": Table.of(PAIRS, proposal.pairs).records,
        "set_findings": proposal.set_findings,
    }


def _order(order: NextOrder) -> dict[str, Any]:
    return {"command": order.command, "steps": len(order.requests), "cannot": order.cannot}
