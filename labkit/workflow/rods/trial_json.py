"""A trial fit as JSON content, for `labkit trial --json` and for the record."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from labkit.core.case.cover import SideCover, StepCover
from labkit.core.case.trial_seen import TrialSeen
from labkit.core.case.trial_values import PairNow, TrialProposal
from labkit.core.findings import Finding
from labkit.units import plain
from labkit.workflow.rods.trial import NextOrder, Trial


def trial_json(trial: Trial) -> dict[str, Any]:
    """Give a trial fit as one JSON object.

    Returns:
        The object; `proposal`, `prescribed` and `order` are null or empty where a rule of the
        trade refuses it.
    """
    return {
        "schema": 1,
        "case": trial.stored.case,
        "tried_on_revision": trial.stored.revision,
        "seen": seen_json(trial.seen),
        "proposal": _proposal(trial.outcome.proposal),
        "prescribed": [_step(step) for step in trial.prescribed],
        "missing": [
            {"percent": step.percent, "side": str(side), "label": label}
            for step in trial.prescribed
            for side, label in step.missing
        ],
        "order": _order(trial.order),
        "accepted": trial.accepted is not None,
        "revision": trial.revision,
        "findings": _findings(trial.outcome.findings),
    }


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


def _proposal(proposal: TrialProposal | None) -> dict[str, Any] | None:
    if proposal is None:
        return None
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
        "pairs": [_pair(pair) for pair in proposal.pairs],
        "set_findings": _findings(proposal.set_findings),
    }


def _pair(pair: PairNow) -> dict[str, Any]:
    return {
        "pair": pair.rods.pair,
        "left": pair.rods.left,
        "right": pair.rods.right,
        "advancement_mm": pair.rods.made.advancement_mm,
        "percent_before": pair.percent_before,
        "percent": pair.rods.made.percent,
        "above_100": pair.above_100,
    }


def _step(step: StepCover) -> dict[str, Any]:
    return {
        "percent": step.percent,
        "advancement_mm": step.advancement_mm,
        "start": step.start,
        "covered": step.covered,
        "pair": step.pair,
        "left": _side(step.left),
        "right": _side(step.right),
    }


def _side(cover: SideCover) -> dict[str, Any]:
    return {
        "wanted": cover.wanted, "label": cover.label, "pair": cover.pair, "too_near": cover.too_near
    }  # fmt: skip


def _order(order: NextOrder | None) -> dict[str, Any] | None:
    if order is None:
        return None
    return {"command": order.command, "cannot": _findings(order.cannot)}


def _findings(findings: Iterable[Finding]) -> list[dict[str, str]]:
    return [{**vars(finding), "severity": str(finding.severity)} for finding in findings]
