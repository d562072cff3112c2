"""Drawings of sets for the tests, without writing a set: specs, solids, sheets."""

from __future__ import annotations

import itertools
from typing import Any

from labkit.catalog.profiles import Profile
from labkit.core.label.lettering import Line
from labkit.core.rod.curves import at, box
from labkit.documents.drawing import Drawing, Fill, Pen, Shade, Stroke, Text
from labkit.documents.rod_drawing import Sheet, draw
from tests.documents.samples import sample_spec
from tests.support.prescriptions import SMALLEST, changed, hinged


def prescription(template: str, distance: str = "33.6", action: str = "pull") -> str:
    """The smallest prescription with another template, pin distance or action."""
    return changed(
        SMALLEST, ("eye-eye-flat", template), ("33.6", distance), ('"pull"', f'"{action}"')
    )


def sheet_for(
    template: str, distance: str = "33.6", action: str = "pull", profile: Profile | None = None
) -> tuple[dict[str, Any], Sheet]:
    """Spec and sheet of a prescription."""
    spec = sample_spec(prescription(template, distance, action), profile)
    return spec, draw(spec)


def collisions(sheet: Sheet) -> list[str]:
    """Find words that overlap one another, leave the frame, or are crossed by a line.

    The box of a line of words reaches from a quarter of its height below the base line (for
    commas and letters that hang) to the top of its capitals.
    """
    boxes = [
        (text, _roomy(text.box(), text.height_mm, text.turn_deg)) for text in sheet.every(Text)
    ]
    found = []
    for index, (text, one) in enumerate(boxes):
        left, right, bottom, _ = sheet.frame
        # Below the frame a caution may stand, as far down as printers reach.
        if not _inside(one, sheet.frame) and not _inside(one, (left, right, 5.0, bottom - 0.5)):
            found.append(f"{text.words!r} leaves the frame")
        found += [
            f"{text.words!r} overlaps {other.words!r}"
            for other, two in boxes[index + 1 :] if _overlap(one, two)
        ]
    for stroke in sheet.every(Stroke):
        around = box((stroke.piece,))
        for text, one in boxes:
            near = around[0] <= one[1] and one[0] <= around[1] and (
                around[2] <= one[3] and one[2] <= around[3]
            )
            if near and stroke.pen is not Pen.CENTRE and _crosses(stroke.piece, one):
                found.append(f"{text.words!r} is crossed by a {stroke.pen} line {stroke.piece}")
    return found


def loose_lines(sheet: Sheet) -> list[str]:
    """Find lines that leave the frame."""
    return [
        f"a {stroke.pen} line leaves the frame: {stroke.piece}"
        for stroke in sheet.every(Stroke) if not _inside(box((stroke.piece,)), sheet.frame)
    ]


def _roomy(box_of, height, turn):
    left, right, bottom, top = box_of
    if turn:
        return left, right + height / 4, bottom, top
    return left, right, bottom - height / 4, top


def _inside(one, frame):
    slack = 1e-6
    return (
        one[0] >= frame[0] - slack and one[1] <= frame[1] + slack
        and one[2] >= frame[2] - slack and one[3] <= frame[3] + slack
    )


def _overlap(one, two):
    return one[0] < two[1] and two[0] < one[1] and one[2] < two[3] and two[2] < one[3]


def _crosses(piece, one):
    count = 2 if isinstance(piece, Line) else 32
    points = [at(piece, index / (count - 1)) for index in range(count)]
    return any(_cuts(a, b, one) for a, b in itertools.pairwise(points))


def _cuts(a, b, one):
    """Clip a segment at a box (Liang and Barsky)."""
    low, high = 0.0, 1.0
    for axis, (least, most) in enumerate(((one[0], one[1]), (one[2], one[3]))):
        start, step = a[axis], b[axis] - a[axis]
        if abs(step) < 1e-12:
            if not least < start < most:
                return False
            continue
        near, far = sorted(((least - start) / step, (most - start) / step))
        low, high = max(low, near), min(high, far)
    return high - low > 1e-9


def single(
    template: str, length: str, action: str = "pull", profile: Profile | None = None
) -> dict[str, Any]:
    """Spec of a set with one step whose rods have a given length."""
    return sample_spec(_single_text(template, length, action), profile)


def _single_text(template: str, length: str, action: str) -> str:
    # 62.5 % of the range lies 0.85 mm behind the registered bite.
    change = -0.85 if action == "pull" else 0.85
    text = prescription(template, f"{float(length) + change:.2f}", action)
    return changed(text, ("[50, 62.5, 75, 87.5, 100]", "[62.5]"))


def _large_text(steps: int) -> str:
    percent = ", ".join(f"{5 + 95 * k / (steps - 1):.4f}" for k in range(steps))
    return changed(
        hinged(), ("[60, 75, 90]", f"[{percent}]"), ("start = 75", "start = 5\ntolerance = 0.03"),
        ("retruded = -4.0", "retruded = -9.0"), ("protruded = 6.0", "protruded = 9.0"),
    )


def large(steps: int, profile: Profile | None = None) -> dict[str, Any]:
    """Spec of a set of many steps, left unlike right: two parts a step."""
    return sample_spec(_large_text(steps), profile)


def marks(drawing: Drawing) -> list[tuple[str, float, float]]:
    """Marks by kind, with their middles: a filled circle or rectangle each."""
    found = []
    for fill in drawing.own(Fill):
        left, right, bottom, top = box(fill.loops[0])
        round_one = len(fill.loops[0]) == 1
        kind = {
            Shade.BLACK: "dot", Shade.WHITE: "ring" if round_one else "square", Shade.TINT: "bar",
        }[fill.shade]
        found.append((kind, (left + right) / 2, (bottom + top) / 2))
    return found
