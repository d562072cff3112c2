"""A trial fit as a report, and as the record holds it."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import Any

from labkit.core.case.cover import SideCover
from labkit.core.case.trial_seen import TrialSeen
from labkit.core.case.trial_values import TrialProposal
from labkit.core.findings import notes_of, refusals
from labkit.core.report import Column, Report, Section, Table, data_of, only
from labkit.units import millimetres, plain, written
from labkit.workflow.rods.trial import NextOrder, Trial

_one = partial(millimetres, decimals=1)
_PAIRS = (
    Column("\nset/step", "rods.pair", "pair"),
    Column("left\nrod", "rods.left", "left", lambda label: label or "-", unknown="-"),
    Column("right\nrod", "rods.right", "right", lambda label: label or "-", unknown="-"),
    Column("advancement\n", "rods.made.advancement_mm", "advancement_mm", millimetres, "mm"),
    Column("was\n", "percent_before", show=_one, unit="%"),
    Column("is\n", "rods.made.percent", "percent", _one, "%"),
    Column("", "above_100", show=lambda above: "above 100 %: not to be worn" if above else ""),
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


def trial_report(trial: Trial) -> Report:
    """Make the report of a trial fit.

    Returns:
        The report; where a rule of the trade refuses the proposal people read nothing of it, and
        programs find `proposal`, `prescribed` and `order` null or empty.
    """
    proposal = trial.outcome.proposal
    prescribed = Table.of(_PRESCRIBED, trial.prescribed)
    return Report(
        title="Trial fit",
        sections=() if proposal is None else (
            Section(
                f"Trial fit of case {trial.stored.case}, prescription revision "
                f"{trial.stored.revision}", tuple(_range(proposal)),
            ),
            Section("Rods out", table=Table.of(_PAIRS, proposal.pairs)),
            Section("Steps prescribed, on this range", table=prescribed),
            Section(findings=notes_of((*trial.outcome.findings, *proposal.set_findings))),
            Section(words=(
                *(
                    f"On this range the grading as prescribed is refused: {finding.message}"
                    for finding in refusals(proposal.set_findings)
                ),
                *_next(trial), _what_holds(trial),
            )),
        ),
        data={
            "schema": 1,
            "case": trial.stored.case,
            "tried_on_revision": trial.stored.revision,
            "seen": seen_json(trial.seen),
            "proposal": None if proposal is None else _proposal(proposal),
            "prescribed": prescribed.records,
            "missing": [
                {"percent": step.percent, "side": side, "label": label}
                for step in trial.prescribed
                for side, label in step.missing
            ],
            "order": trial.order and _order(trial.order),
            "accepted": trial.accepted is not None,
            "revision": trial.revision,
            "findings": trial.outcome.findings,
        },
    )  # fmt: skip


def trial_json(trial: Trial) -> dict[str, Any]:
    """Give a trial fit in the form of `labkit trial --json`, which the record keeps too."""
    return data_of(trial_report(trial).data)


def seen_json(seen: TrialSeen) -> dict[str, Any]:
    """Give what was met, exactly as told.

    Returns:
        For each side a label, or a gap in mm as a decimal string.
    """
    if seen.labels is not None:
        left, right = seen.labels
        return {"left": {"label": left}, "right": {"label": right}}
    return {
        side: {"gap_mm": None if gap is None else plain(gap)}
        for side, gap in (("left", seen.gap_left_mm), ("right", seen.gap_right_mm))
    }


def _range(proposal: TrialProposal) -> Iterator[str]:
    left, right = proposal.seats_mm
    label_left, label_right = proposal.labels_at_100
    yield (
        f"True maximum: {millimetres(proposal.advancement_mm)} mm of advancement, seats "
        f"{millimetres(left)} mm apart on the left and {millimetres(right)} mm on the right"
    )
    yield (
        f"Range: {millimetres(proposal.range_mm)} mm, recorded is "
        f"{millimetres(proposal.range_before_mm)} mm; protruded reading "
        f"{plain(proposal.bite.protruded)}"
    )
    yield f"True 100 % rods: {label_left} left, {label_right} right"


def _next(trial: Trial) -> Iterator[str]:
    order = trial.order
    if order is None:
        return
    for finding in order.cannot:
        yield f"Cannot be ordered: {finding.message}"
    if order.command:
        when = "now" if trial.accepted or not trial.text else "after acceptance"
        yield f"To order the missing rods {when} (with --by, unless LABKIT_BY names you):"
        yield f"  {order.command}"
    elif not order.cannot:
        yield "No rod is missing."


def _what_holds(trial: Trial) -> str:
    if trial.accepted is None:
        return (
            "Nothing has changed. This is a proposal; the prescriber accepts it with "
            "--accept --by CODE."
        )
    if not trial.text:
        return (
            f"Accepted as event {trial.accepted}. The range stands: prescription revision "
            f"{trial.revision} holds as it is."
        )
    return (
        f"Accepted as event {trial.accepted}. Prescription revision {trial.revision} holds now; "
        "`labkit show` with --prescription prints its text."
    )


def _proposal(proposal: TrialProposal) -> dict[str, Any]:
    left, right = proposal.seats_mm
    label_left, label_right = proposal.labels_at_100
    return {
        "maximum_mm": proposal.advancement_mm,
        "range_before_mm": proposal.range_before_mm,
        "range_mm": proposal.range_mm,
        "protruded": plain(proposal.bite.protruded),
        "midline_deviation": plain(proposal.bite.midline_deviation_mm),
        "seats_mm": {"left": left, "right": right},
        "side_mismatch_mm": proposal.side_mismatch_mm,
        "labels_at_100": {"left": label_left, "right": label_right},
        "confirmed": proposal.confirmed,
        "pairs": Table.of(_PAIRS, proposal.pairs).records,
        "set_findings": proposal.set_findings,
    }


def _order(order: NextOrder) -> dict[str, Any]:
    return {"command": order.command, "cannot": order.cannot}
