"""What a set's papers need at the chair and at home: which rods, and what warmth does to them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from labkit.core.case.case_standing import PairNow
from labkit.core.case.identifier import grouped
from labkit.core.rod.rods import EXPANSION_PER_C
from labkit.documents.figures import fixed, percents
from labkit.documents.inspection import lines_of
from labkit.documents.set_spec import graded_of, process_of
from labkit.documents.standing import at_step, mark, own_changed, percent_now, words_beside
from labkit.units import plain

#: A bench and a mouth, °C.
BENCH_C, MOUTH_C = 20, 37
#: In place of a rod that is not there.
NONE = "–"


def rods_at_hand(spec: Mapping[str, Any]) -> list[dict[str, str]]:
    """List the rods of a set's steps, a row for each, with what the step makes and its marks.

    Returns:
        Where the record is known, the rods that are in circulation now: one that took another's
        place stands there instead of it, and an empty place is a dash.
    """
    asked = percents(step.percent for step in graded_of(spec).steps)
    rows = []
    for step in sorted({line.step for line in lines_of(spec)}):
        now = at_step(spec, step)
        row = {
            "step": str(step),
            "percent": (percent_now(now) if own_changed(spec) else "") or asked[step - 1],
            "mark": mark(now),
            "words": words_beside(now),
            **dict.fromkeys(("left", "right", "left_id", "right_id"), NONE),
        }
        for side, (engraved, identifier) in _rods_of(spec, step, now).items():
            row |= {side: engraved, f"{side}_id": grouped(identifier)}
        rows.append(row)
    return rows


def _rods_of(spec: Mapping[str, Any], step: int, now: PairNow | None) -> dict[str, tuple[str, str]]:
    """Give the rods of a step by side, as engraved, with their identifiers."""
    lines = [line for line in lines_of(spec) if line.step == step]
    if now is None:
        return {line.side: (line.label + line.mark, line.identifier) for line in lines}
    marked = any(line.mark for line in lines)  # then the other side's rod bears one too
    return {
        side.value: (rod.rod.rod.label + (side.value[0].upper() if marked else ""), rod.identifier)
        for side, rod in now.rods.items()
    }


def to_be_tried(spec: Mapping[str, Any]) -> dict[str, str]:
    """Name the rods of the trial fit: of 100 %, else of the furthest whole pair to be worn."""
    usable = [
        row
        for row in rods_at_hand(spec)
        if not row["mark"] and NONE not in (row["left"], row["right"])
    ]
    if not usable:
        return {"percent": "", "left": "", "right": ""}
    last = max(usable, key=lambda row: graded_of(spec).steps[int(row["step"]) - 1].made.percent)
    tried = {name: last[name] for name in ("percent", "left", "right")}
    return tried | ({"percent": "100"} if last["words"] else {})  # within rounding


def warmth(spec: Mapping[str, Any]) -> dict[str, str]:
    """Work out how much longer the longest rod is in the mouth than on the bench.

    Formula: ΔL = α · L · (37 °C − 20 °C).

    Returns:
        Length, growth, expansion per °C and the rods' least tolerance, as texts; whether the
        expansion is the process's own or that of a common printed plastic.

    Source: thermal expansion, any handbook of physics.
    """
    expansion = process_of(spec).expansion_per_c
    longest = max(lines_of(spec), key=lambda line: line.length_mm)
    growth = float(longest.length_mm) * expansion * (MOUTH_C - BENCH_C)
    return {
        "length": longest.label,
        "growth": fixed(growth, 2),
        "expansion": f"{expansion * 1e6:.0f}",
        "tolerance": plain(min(line.tolerance_mm for line in lines_of(spec))),
        "own": "yes" if expansion != EXPANSION_PER_C else "",
    }
