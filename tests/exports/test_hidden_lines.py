"""Hidden-line views: exact lines and arcs, the sizes of the template, what is in sight."""

from __future__ import annotations

import functools
import math
from decimal import Decimal

import pytest

from labkit.catalog.lettering import load_lettering
from labkit.catalog.rods import rod_templates
from labkit.core.label.layout import lay_out
from labkit.core.label.lettering import Arc, Line
from labkit.core.label.place import label_space
from labkit.core.rod.curves import box
from labkit.core.rod.rods import Ball, Crosspin, Eye, FlatBar, Hand, Rod
from labkit.errors import GeometryError
from labkit.exports.write.step import StepHeader, write_step
from labkit.solids.build import build
from tests.support.flat_edges import merged, piece_through, without
from tests.support.hidden_lines import ViewRequest, views_of, views_of_solid
from tests.support.rods import even

ROWS = sorted(rod_templates())
CASES = [(name, hand) for name in ROWS for hand in Hand
         if hand is Hand.MINUS_Y or rod_templates()[name].handed]
ID = [f"{name} {hand.name}" for name, hand in CASES]
LENGTH = 33.6
NEAR = 1e-4  # the drawing's lines stand for the solid to a tenth of a micrometre


@functools.cache
def made(name: str, hand: Hand):
    template = even(rod_templates()[name])
    mark = ("L" if hand is Hand.MINUS_Y else "R") if template.label.side_mark else ""
    rod = Rod(template, Decimal(str(LENGTH)), hand, mark, False)
    label = lay_out(load_lettering(), rod.engraving, False, template.label.height_mm)
    center = -hand.inward_y * label_space(template, LENGTH).center_x_mm
    first = label.glyphs[0]
    request = ViewRequest(
        hand, hand is Hand.MINUS_Y, center + (first.left + first.right) / 2, face(template),
        template.label.depth_mm,
    )
    return template, build(rod, label).shape, request, label, center


@functools.cache
def views(name: str, hand: Hand):
    _, shape, request, _, _ = made(name, hand)
    return views_of_solid(shape.wrapped, request)


def face(template) -> float:
    body = template.body
    if isinstance(body, FlatBar):
        return body.thickness_mm / 2
    return body.diameter_mm / 2 - body.flat_depth_mm


def ends(template, hand):
    """Fittings with their places, as the reader of the inward face sees them."""
    left, right = (template.lower, template.upper)[:: 1 if hand is Hand.MINUS_Y else -1]
    return (-LENGTH / 2, left), (LENGTH / 2, right)


def reach(fitting) -> float:
    return (fitting.ball_diameter_mm if isinstance(fitting, Ball) else fitting.boss_diameter_mm) / 2


def inward(template) -> float:
    most = [face(template)]
    for fitting in (template.lower, template.upper):
        if isinstance(fitting, Crosspin):
            most.append(face(template) + fitting.pin_length_mm + fitting.lip_thickness_mm)
        if isinstance(fitting, Ball):
            most.append(fitting.ball_diameter_mm / 2)
    return max(most)


def outward(template) -> float:
    body = template.body
    return (body.thickness_mm if isinstance(body, FlatBar) else body.diameter_mm) / 2


def half_height(template) -> float:
    body = template.body
    bar = body.height_mm if isinstance(body, FlatBar) else body.diameter_mm
    return max(bar / 2, reach(template.lower), reach(template.upper))


@pytest.mark.parametrize(("name", "hand"), CASES, ids=ID)
def test_views_are_as_large_as_the_template_says(name, hand):
    template = made(name, hand)[0]
    seen = views(name, hand)
    (left, a), (right, b) = ends(template, hand)
    width = (left - reach(a), right + reach(b))
    high, low_n, high_n = half_height(template), -outward(template), inward(template)
    assert box(seen.front.visible) == pytest.approx((*width, -high, high), abs=NEAR)
    assert box(seen.top.visible) == pytest.approx((*width, -high_n, -low_n), abs=NEAR)
    side = (low_n, high_n) if made(name, hand)[2].from_left else (-high_n, -low_n)
    assert box(seen.side.visible) == pytest.approx((*side, -high, high), abs=NEAR)


@pytest.mark.parametrize(("name", "hand"), CASES, ids=ID)
def test_every_edge_is_a_line_or_an_arc(name, hand):
    seen = views(name, hand)
    for view in (seen.front, seen.top, seen.side):
        pieces = (*view.visible, *view.hidden)
        assert {type(piece) for piece in pieces} <= {Line, Arc}
        assert len(pieces) == len(set(pieces))
        assert merged(view.visible) == list(view.visible)
        # No hidden edge lies under a visible one.
        assert without(view.hidden, view.visible) == list(view.hidden)


@pytest.mark.parametrize(("name", "hand"), CASES, ids=ID)
def test_bores_are_circles_in_front_and_hidden_lines_from_above(name, hand):
    template = made(name, hand)[0]
    seen = views(name, hand)
    half = outward(template)
    eyes = [(u, fitting) for u, fitting in ends(template, hand) if isinstance(fitting, Eye)]
    for u, eye in eyes:
        bore = eye.bore_diameter_mm / 2
        assert Arc((u, 0.0), bore, 0.0, 360.0) in seen.front.visible
        for side in (-bore, bore):
            line = Line((u + side, -half), (u + side, half))
            assert any(
                isinstance(found, Line) and found.start == pytest.approx(line.start, abs=NEAR)
                and found.end == pytest.approx(line.end, abs=NEAR) for found in seen.top.hidden
            )
    assert len(seen.top.hidden) == 2 * len(eyes)


@pytest.mark.parametrize(("name", "hand"), CASES, ids=ID)
def test_pins_and_balls_are_drawn_with_their_own_sizes(name, hand):
    template = made(name, hand)[0]
    seen = views(name, hand)
    for u, fitting in ends(template, hand):
        if isinstance(fitting, Crosspin):
            lip, pin = fitting.lip_diameter_mm / 2, fitting.pin_diameter_mm / 2
            assert Arc((u, 0.0), lip, 0.0, 360.0) in seen.front.visible
            assert Arc((u, 0.0), pin, 0.0, 360.0) in seen.front.hidden  # behind the lip
        if isinstance(fitting, Ball):
            balls = [piece for piece in seen.front.visible if isinstance(piece, Arc)
                     and math.dist(piece.center, (u, 0.0)) < NEAR]
            assert [ball.radius for ball in balls] == [fitting.ball_diameter_mm / 2]


@pytest.mark.parametrize(("name", "hand"), CASES, ids=ID)
def test_the_label_is_seen_in_front_alone_and_never_mirrored(name, hand):
    _, _, request, label, center = made(name, hand)
    seen = views(name, hand)
    outlines = [
        piece for region in label.regions() for loop in (region.outer, *region.holes)
        for piece in loop if isinstance(piece, Line)
    ]
    drawn = [piece for piece in seen.front.visible if isinstance(piece, Line)]
    assert len(outlines) > 10
    for piece in outlines:
        wanted = sorted((x + center, y) for x, y in (piece.start, piece.end))
        assert any(
            all(math.dist(a, b) < NEAR for a, b in zip(wanted, sorted((d.start, d.end)),
                                                       strict=True))
            for d in drawn
        ), piece
    floor = request.label_height_mm - request.label_depth_mm
    for piece in seen.top.hidden:
        assert box((piece,))[2] < -floor - NEAR or box((piece,))[3] > -floor + NEAR


@pytest.mark.parametrize(("name", "hand"), CASES, ids=ID)
def test_the_section_shows_bar_and_label_depth(name, hand):
    template = made(name, hand)[0]
    section = views(name, hand).section
    body, top = template.body, face(template)
    floors = {round(piece.start[0], 6) for piece in section
              if isinstance(piece, Line) and piece.start[0] == piece.end[0]}
    assert round(top - template.label.depth_mm, 6) in floors
    assert round(top, 6) in floors
    high = (body.height_mm if isinstance(body, FlatBar) else body.diameter_mm) / 2
    assert box(section) == pytest.approx((-outward(template), top, -high, high), abs=NEAR)
    arcs = {piece.radius for piece in section if isinstance(piece, Arc)}
    assert arcs == {body.edge_radius_mm if isinstance(body, FlatBar) else body.diameter_mm / 2}


def test_the_section_is_a_closed_outline():
    """Every corner joins two pieces."""
    from labkit.core.rod.curves import at

    for name, hand in CASES:
        corners = [
            tuple(round(c, 4) for c in at(piece, share))
            for piece in views(name, hand).section for share in (0.0, 1.0)
        ]
        assert all(corners.count(corner) == 2 for corner in corners), name


def test_a_step_file_gives_the_same_views_as_its_solid(tmp_path):
    for name in ("eye-eye-flat", "crosspin-eye-flat", "ball-ball-round-slim"):
        _, shape, request, _, _ = made(name, Hand.MINUS_Y)
        path = tmp_path / f"{name}.step"
        write_step(shape, path, StepHeader(name, "2031-03-14", "author", "lab"))
        assert boxes_of(views_of(path, request)) == boxes_of(views(name, Hand.MINUS_Y))


def boxes_of(seen):
    """All edges by their boxes, to a tenth of a micrometre, in order."""
    return [
        sorted(tuple(round(value, 4) + 0.0 for value in box((piece,))) for piece in pieces)
        for view in (seen.front, seen.top, seen.side)
        for pieces in (view.visible, view.hidden)
    ]


def test_right_and_left_parts_are_mirror_images_with_their_own_label():
    left = views("crosspin-eye-flat", Hand.MINUS_Y)
    right = views("crosspin-eye-flat", Hand.PLUS_Y)

    def plain(view):
        return {tuple(round(v, 4) + 0.0 for v in box((piece,))) for piece in view.visible}

    mirrored = {(-b + 0.0, -a + 0.0, c, d) for a, b, c, d in plain(right.top)}
    assert plain(left.top) == mirrored
    assert plain(left.side) == {(-b + 0.0, -a + 0.0, c, d) for a, b, c, d in plain(right.side)}


def test_a_cut_beside_the_rod_is_refused():
    _, shape, request, _, _ = made("eye-eye-flat", Hand.MINUS_Y)
    beside = ViewRequest(request.hand, True, 99.0, request.label_height_mm, 0.3)
    with pytest.raises(GeometryError, match="meets no material"):
        views_of_solid(shape.wrapped, beside)


def test_an_edge_that_is_no_arc_is_refused():
    """An elliptic cylinder seen along its axis."""
    import cadquery as cq

    shape = cq.Workplane("XZ").ellipse(6, 3).extrude(2).val()
    request = ViewRequest(Hand.MINUS_Y, True, 0.0, 1.0, 0.3)
    with pytest.raises(GeometryError, match="neither a line nor an arc"):
        views_of_solid(shape.wrapped, request)


def arc(start, sweep):
    return Arc((1.0, 2.0), 3.0, start, sweep)


@pytest.mark.parametrize(
    ("pieces", "joined"),
    [
        ([arc(0, 90), arc(90, 90)], [arc(0, 180)]),
        ([arc(300, 90), arc(20, 40)], [arc(300, 120)]),
        ([arc(180, -90), arc(0, 100)], [arc(0, 180)]),
        ([arc(0, 200), arc(180, 200)], [arc(0, 360)]),
        ([arc(10, 20), arc(50, 20)], [arc(10, 20), arc(50, 20)]),
    ],
)
def test_arcs_join_round_the_circle(pieces, joined):
    assert merged(pieces) == joined


def test_what_covers_an_arc_is_taken_off_on_both_sides_of_zero():
    assert without([arc(270, 180)], [arc(350, 20)]) == [arc(10, 80), arc(270, 80)]
    assert without([arc(0, 90)], [arc(0, 360)]) == []


def test_points_are_recognised():
    turn = [math.radians(d) for d in range(30, 151, 10)]
    found = piece_through([(1 + 2 * math.cos(t), 2 * math.sin(t)) for t in turn])
    assert isinstance(found, Arc)
    assert (*found.center, found.radius) == pytest.approx((1.0, 0.0, 2.0), abs=1e-6)
    assert (found.start_deg, found.sweep_deg) == pytest.approx((30.0, 120.0), abs=1e-4)
    assert piece_through([(0.0, 0.0), (1e-9, 0.0), (0.0, 0.0)]) is None
    assert piece_through([(x / 10, (x / 10) ** 3) for x in range(20)]) is None
