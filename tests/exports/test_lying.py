"""How rods lie: every template in every process and way, against what their meshes say."""

from __future__ import annotations

import re
from dataclasses import replace
from decimal import Decimal
from functools import cache

import numpy as np
import pytest

from labkit.catalog.lettering import load_lettering
from labkit.catalog.processes import processes
from labkit.core.label.layout import lay_out
from labkit.core.rod.building import Carrying, Place, Way
from labkit.core.rod.compensation import compensated
from labkit.core.rod.lying import chosen, height_mm, lying, rotation_of, undersides
from labkit.core.rod.rods import NOMINAL, Hand
from labkit.documents.lying_words import lying_sentences
from labkit.documents.rod_picture import box_mm
from labkit.errors import GeometryError
from labkit.exports.write.mesh import mesh_of
from labkit.solids.build import build
from tests.support.rods import ROWS, rod_of, templates
from tests.support.undersides import patches

LENGTH = "33.4"
#: Less than this on the bed is a line or point, which a mesh touches with a facet or two.
FACE_MM2 = 1.0
#: A facet at the limiting angle reaches up to half of its turn beyond it.
REACH_MM = 0.2
PROCESSES = processes()


@cache
def mesh(row, process, hand=Hand.MINUS_Y):
    rod = rod_of(row, LENGTH, hand)
    engraving = lay_out(load_lettering(), rod.engraving, rod.bar, rod.template.label.height_mm)
    return mesh_of(build(rod, engraving, PROCESSES[process].compensation).solid)


def place_of(patch, sizes) -> Place:
    """Tell which place of a rod a patch lies at, by the sizes of the template alone."""
    points = patch.points * [1, -1, 1]  # the inward side towards +
    x, y, z = patch.lowest * [1, -1, 1]
    for end, fitting in zip((-1, 1), sizes.fittings, strict=True):
        u = x - end * sizes.length_mm / 2
        if fitting.kind == "ball":
            if np.linalg.norm([u, y, z]) <= fitting.diameter_mm / 2 + 0.01:
                return Place.BALL
            if np.hypot(y, z) <= fitting.neck_diameter_mm / 2 + 0.01 and end * u > (
                -fitting.neck_length_mm
            ):
                return Place.NECK
        if fitting.bored and np.hypot(u, z) <= fitting.diameter_mm / 2 + 0.01:
            return Place.BORE
    level = sizes.body.label_level_mm
    if points[:, 1].max() > level + 0.01:
        return Place.PIN
    if points[:, 1].min() > level - 0.5:
        return Place.LABEL
    if sizes.body.turned:
        return Place.SHAFT
    return Place.FACE if patch.bed_mm2 > FACE_MM2 and y < 0.01 - level else Place.RIM


def seen_in(row, process, way, hand=Hand.MINUS_Y):
    """Give the undersides that the mesh has, by place, and what it was built to."""
    template, rules = templates()[row], PROCESSES[process].build
    sizes = compensated(template, Decimal(LENGTH), PROCESSES[process].compensation)
    own = mesh(row, process)
    found = patches(
        own.vertices, own.triangles, rotation_of(way, hand), rules.overhang_angle_deg
    )
    return [(place_of(one, sizes), one) for one in found], sizes


@pytest.mark.parametrize("way", Way)
@pytest.mark.parametrize("process", PROCESSES)
@pytest.mark.parametrize("row", ROWS)
def test_what_touches_hangs_and_overhangs_is_what_the_mesh_shows(row, process, way):
    seen, sizes = seen_in(row, process, way)
    template, rules = templates()[row], PROCESSES[process].build
    told = lying(template, PROCESSES[process], way)
    assert {place for place, one in seen if one.gap_mm < 1e-3} == {
        one.place for one in told.rests
    }
    assert any(one.bed_mm2 > FACE_MM2 for _, one in seen) is told.held
    air = {place: one.gap_mm for place, one in seen if one.begins}
    assert air == pytest.approx(
        {one.place: gap for one, gap in told.hangs if not one.carried}, abs=0.02
    )
    assert set(told.needs) == {
        place for place, one in seen if one.begins or one.reach_mm > rules.overhang_mm
    }
    worst = {}
    for place, one in seen:
        if not one.begins:
            worst[place] = max(worst.get(place, 0.0), one.reach_mm)
    found = list(undersides(sizes, way, template.label.depth_mm, rules.overhang_angle_deg))
    for place, reach in worst.items():
        most = max(one.reach_mm for one in found if one.place is place)
        # What hangs beside a lip or between bosses is counted as if nothing helped to carry it.
        assert reach - REACH_MM <= most
        assert place in (Place.RIM, Place.PIN) or most <= reach + REACH_MM


@pytest.mark.parametrize("process", PROCESSES)
@pytest.mark.parametrize("row", ROWS)
def test_the_build_sheet_says_what_the_mesh_shows(row, process):
    template, rules = templates()[row], PROCESSES[process].build
    way = chosen(template, PROCESSES[process]).way
    seen, _ = seen_in(row, process, way)
    words = " ".join(lying_sentences(template, PROCESSES[process], way))
    needing = {
        place for place, one in seen if one.begins or one.reach_mm > rules.overhang_mm
    }
    stands = any(one.bed_mm2 > FACE_MM2 for _, one in seen)
    carried = rules.supports is Carrying.CARRIED
    assert ("No supports are needed" in words) is (carried or (stands and not needing))
    assert needing <= set(template.build.supports) or carried
    for place, one in seen:
        if one.gap_mm < 1e-3:
            assert f"touches the bed is {place.words}" in words or "the lower ball" in words
        if one.begins:
            gap = re.search(f"{place.words} hang (.*?) mm", words, re.IGNORECASE)
            assert float(gap[1]) == pytest.approx(one.gap_mm, abs=0.06)
    if not (carried or stands):
        assert f"may stand at {template.build.supports[0].words} and nowhere else" in words


@pytest.mark.parametrize("way", Way)
@pytest.mark.parametrize("hand", Hand)
@pytest.mark.parametrize("row", ROWS)
def test_height_and_drawing_from_above_are_those_of_the_mesh(row, hand, way):
    rod = rod_of(row, LENGTH, hand)
    own = mesh(row, "nominal", hand)
    placed = own.vertices @ rotation_of(way, rod.hand).T
    low, high = placed.min(axis=0), placed.max(axis=0)
    assert np.linalg.det(rotation_of(way, rod.hand)) == pytest.approx(1.0)
    assert height_mm(compensated(rod.template, rod.length, NOMINAL), way) == pytest.approx(
        high[2] - low[2], abs=0.006
    )
    left, right, bottom, top = box_mm(rod, way)
    assert (left, right, bottom, top) == pytest.approx(
        (low[0], high[0], low[1], high[1]), abs=0.02
    )  # drawn at nominal size, built in the middle of the limits


def test_ball_rods_lie_in_powder_and_stand_where_supports_are_built():
    template = templates()["ball-ball-round"]
    assert chosen(template, PROCESSES["example-powder"]).way is Way.FLAT
    for process in ("example-resin", "nominal"):
        found = chosen(template, PROCESSES[process])
        assert (found.way, found.supports) == (Way.UPRIGHT, (Place.SHAFT,))


def with_rules(**changes):
    own = PROCESSES["nominal"]
    return replace(own, build=replace(own.build, **changes))


@pytest.mark.parametrize(("row", "changes", "sentence"), [
    ("ball-ball-round", {"lies": (Way.FLAT,)},
     "rods of ball-ball-round cannot lie in any way in process nominal: flat needs supports at "
     "the balls, where none may stand; choose another template or process"),
    ("eye-eye-flat", {"lies": (Way.UPRIGHT,), "supports": Carrying.NONE},
     "upright needs supports at the outer rim, and none are built"),
    ("ball-ball-round", {"lies": (Way.UPRIGHT,), "supports": Carrying.NONE},
     "upright needs supports to hold it, and none are built"),
    ("crosspin-eye-flat", {"lies": (Way.ON_EDGE,)},
     "the template allows flat or upright, the process builds on edge"),
    ("crosspin-eye-flat", {"lies": (Way.UPRIGHT, Way.ON_EDGE)},
     "upright needs supports at the crosspin, where none may stand"),
])
def test_where_no_way_does_each_is_named_with_its_reason(row, changes, sentence):
    with pytest.raises(GeometryError) as caught:
        chosen(templates()[row], with_rules(**changes))
    assert sentence in str(caught.value)


def test_a_template_that_lets_supports_stand_nowhere_is_told():
    template = templates()["ball-ball-round"]
    bare = replace(template, build=replace(template.build, supports=()))
    with pytest.raises(GeometryError, match="upright needs supports to hold it, and the template"):
        chosen(bare, PROCESSES["nominal"])


def test_rods_are_lifted_only_on_supports_that_may_stand_under_them():
    template = templates()["eye-eye-flat"]
    edge = chosen(template, with_rules(lies=(Way.ON_EDGE,), lift_mm=2.5))
    assert (edge.supports, edge.lift_mm) == ((Place.RIM,), 2.5)
    words = lying_sentences(template, with_rules(lies=(Way.ON_EDGE,), lift_mm=2.5), Way.ON_EDGE)
    assert "They stand on supports, 2.5 mm over the bed, by the outer rim, along a line." in words
    assert chosen(template, with_rules(lift_mm=2.5)).lift_mm == 0.0
    # A ball bears no support: the rod stands on the bed itself.
    assert chosen(templates()["ball-ball-round"], with_rules(lift_mm=2.5)).lift_mm == 0.0


def test_a_template_from_before_lies_flat_and_the_sheet_says_what_is_open():
    template = replace(templates()["ball-ball-round"], build=None)
    assert chosen(template, PROCESSES["nominal"]).way is Way.FLAT
    words = " ".join(lying_sentences(template, PROCESSES["nominal"], Way.FLAT))
    assert "The template says neither how its rods may lie nor where supports may stand" in words
    assert "The balls hang 1.0 mm over it; nothing carries what hangs." in words
    assert "Lying so, the shaft and the balls would need supports." in words
