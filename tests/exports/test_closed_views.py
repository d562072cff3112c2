"""Closed views of rods against the kernel's hidden lines of their solids."""

from __future__ import annotations

import math
from dataclasses import replace
from decimal import Decimal

import pytest

from labkit.catalog.lettering import load_lettering
from labkit.catalog.rods import rod_templates
from labkit.core.label.lettering import Arc, Piece
from labkit.core.rod.curves import at, moved_piece
from labkit.core.rod.rods import Crosspin, Eye, Hand, Rod
from labkit.core.rod.views import SeenLabel, rod_views, seen_ends
from labkit.solids.build import build
from tests.support.flat_edges import merged, without
from tests.support.hidden_lines import ViewRequest, views_of_solid
from tests.support.rods import even

TEMPLATES = rod_templates()
EYES, PINS, BALLS = (
    TEMPLATES[name] for name in ("eye-eye-flat", "crosspin-eye-flat", "ball-ball-round")
)
#: Rods that no row of the program has, as labs may: ends unlike, bosses as high as the bar, a lip
#: wider than its boss, a ball thicker than its bar.
OTHERS = {
    "a large and a small boss": replace(EYES, upper=Eye(2.0, 6.5, "H8")),
    "a small and a large boss": replace(EYES, lower=Eye(2.0, 7.0, "H8")),
    "plain rounded ends": replace(
        EYES, lower=Eye(2.5, 6.5, "H8"), upper=Eye(2.0, 6.5, "H8")
    ),
    "two pins": replace(PINS, upper=PINS.lower),
    "two pins unlike": replace(
        PINS, lower=Crosspin(2.6, 3.0, 3.8, 1.2, 7.0, "f7"), upper=PINS.lower
    ),
    "a wide lip": replace(PINS, lower=replace(PINS.lower, lip_diameter_mm=8.0)),
    "thick balls": replace(
        BALLS, lower=replace(BALLS.lower, ball_diameter_mm=7.0, neck_length_mm=4.4),
        upper=replace(BALLS.upper, ball_diameter_mm=6.4, neck_length_mm=4.0),
    ),
}
CASES = [
    (name, hand, length)
    for name, template in {**TEMPLATES, **OTHERS}.items() for hand in Hand
    if hand is Hand.MINUS_Y or template.handed
    for length in ("22.3", "33.6")
]
#: Edges agree to this; where a pin stands before an unlike one, the kernel's cuts are coarser.
NEAR_MM, CUT_MM = 1e-6, 1e-4


def both(name, hand, length):
    template = even({**TEMPLATES, **OTHERS}[name])
    mark = ("L" if hand is Hand.MINUS_Y else "R") if template.label.side_mark else ""
    rod = Rod(template, Decimal(length), hand, mark, False)
    label = SeenLabel.of(rod, load_lettering())
    first = label.engraving.glyphs[0]
    section = label.center_u_mm + (first.left + first.right) / 2
    from_left = not seen_ends(rod)[1][0].lipped
    closed = rod_views(rod, label, from_left=from_left, section_u_mm=section)
    request = ViewRequest(
        hand, from_left, section, template.body.label_level_mm, template.label.depth_mm
    )
    return closed, views_of_solid(build(rod, label.engraving).shape.wrapped, request)


def missing(pieces: tuple[Piece, ...], among: tuple[Piece, ...], near: float) -> list[Piece]:
    """Those that have no equal in another drawing of the same edges."""
    return [one for one in pieces if not any(same(one, other, near) for other in among)]


def same(a: Piece, b: Piece, near: float) -> bool:
    """Tell whether two pieces are one edge, whichever way each runs."""
    if isinstance(a, Arc) and isinstance(b, Arc):
        if math.dist(a.center, b.center) > near or abs(a.radius - b.radius) > near:
            return False
        if abs(a.sweep_deg) >= 360.0 <= abs(b.sweep_deg):
            return True
    elif type(a) is not type(b):
        return False
    return any(
        all(math.dist(at(a, share), at(b, other)) <= near for share, other in pairs)
        for pairs in (((0, 0), (0.5, 0.5), (1, 1)), ((0, 1), (0.5, 0.5), (1, 0)))
    )


@pytest.mark.parametrize(("name", "hand", "length"), CASES)
def test_closed_views_are_those_of_the_kernels_hidden_lines(name, hand, length):
    closed, kernel = both(name, hand, length)
    near = NEAR_MM if name in TEMPLATES else CUT_MM
    for view in ("front", "top", "side"):
        own, other = getattr(closed, view), getattr(kernel, view)
        seen = tuple(merged(own.seen))
        hidden = tuple(without(merged(own.hidden), own.seen))
        assert missing(seen, other.visible, near) == [], (view, "not seen by the kernel")
        assert missing(other.visible, seen, near) == [], (view, "not in sight here")
        assert missing(hidden, other.hidden, near) == [], (view, "not hidden for the kernel")
        assert missing(other.hidden, hidden, near) == [], (view, "not hidden here")
    section = tuple(merged(closed.section))
    assert len(section) > 10
    assert missing(section, kernel.section, near) == []
    assert missing(kernel.section, section, near) == []


def test_the_comparison_finds_an_edge_moved_by_20_nanometres_and_one_left_out():
    closed, kernel = both("eye-eye-flat", Hand.MINUS_Y, "33.6")
    first, *rest = closed.top.visible
    moved = moved_piece(first, 1.0, (0.0, 2e-5))
    assert missing((moved,), kernel.top.visible, NEAR_MM) == [moved]
    assert missing(kernel.top.visible, tuple(rest), NEAR_MM) != []
