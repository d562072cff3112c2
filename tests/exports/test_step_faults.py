"""Solids that no single token makes, and what is said of them."""

from __future__ import annotations

import re

import cadquery as cq
import pytest

from labkit.errors import InputError
from labkit.exports.check.step_courses import courses_of
from labkit.exports.check.step_faults import fault_of
from labkit.exports.check.step_reader import read_step
from labkit.exports.check.step_solid import solid_of
from tests.support.sample_parts import export_step


@pytest.fixture(scope="module")
def block(tmp_path_factory):
    """A cube with a blind hole in its top."""
    made = cq.Workplane("XY").box(10, 10, 10).faces(">Z").workplane().hole(2.0, 4.0)
    path = export_step(made.val(), tmp_path_factory.mktemp("block") / "block.step")
    return path.read_text("ascii")


def fault(text, tmp_path):
    path = tmp_path / "changed.step"
    path.write_text(text, "ascii")
    return fault_of(courses_of(solid_of(read_step(path))))


def turned(text, kind, count=0):
    """Turn the sense of entities of a kind."""
    other = {"T": "F", "F": "T"}
    return re.sub(
        rf"(= {kind}\(.*)\.([TF])\.\);", lambda one: f"{one[1]}.{other[one[2]]}.);", text,
        count=count,
    )


def away(found):
    """Point a direction the other way."""
    return f"{found[1]}{'' if found[2] else '-'}{found[3]}"


def other_circle(text):
    """Let the one edge of a hole's rim be that at the hole's bottom."""
    rim = re.search(r"EDGE_LOOP\('',\(#(\d+)\)\)", text)[1]
    circles = [number for number, one, end in re.findall(
        r"#(\d+) = EDGE_CURVE\('',#(\d+),#(\d+),", text) if one == end]
    at = re.search(rf"#{rim} = ORIENTED_EDGE\('',\*,\*,#(\d+)", text)
    other = next(one for one in circles if one != at[1])
    return text[: at.start(1)] + other + text[at.end(1) :]


POINT = re.compile(r"CARTESIAN_POINT\('',\(([^,]*),([^,]*),([^,]*)\)\)")


def moved(text, which, by):
    """Move some points of a file along x."""
    def place(found):
        x, y, z = (float(one) for one in found.groups())
        shift = by if which(x, y, z) else 0.0
        return f"CARTESIAN_POINT('',({x + shift:.9f},{y:.9f},{z:.9f}))"

    return POINT.sub(place, text)


def test_a_sound_block(block, tmp_path):
    assert fault(block, tmp_path) == ""


def test_a_hole_beside_its_face(block, tmp_path):
    """Every curve still lies on its surfaces, and the volume is the same."""
    out = moved(block, lambda x, y, z: x * x + y * y < 1.1 and z > 0.5, 20.0)
    assert re.fullmatch(r"face #\d+ has a hole outside of its boundary", fault(out, tmp_path))


def test_a_corner_moved(block, tmp_path):
    first = block.index("VERTEX_POINT")
    one = POINT.search(block, first)
    out = block[: one.start()] + moved(one[0], lambda *_: True, 1e-8) + block[one.end() :]
    assert re.fullmatch(r"edge #\d+ ends 1e-08 mm beside its curve", fault(out, tmp_path))


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda t: t.replace("CLOSED_SHELL", "OPEN_SHELL"), "is OPEN_SHELL, which no rod has"),
        (lambda t: t.replace("ADVANCED_FACE('',(", "ADVANCED_FACE('','',(", 1),
         "is not written as every ADVANCED_FACE is"),
        (lambda t: t.replace("PRODUCT_CONTEXT('',#2,", "PRODUCT_CONTEXT('',#12,"),
         "a PRODUCT_CONTEXT refers to #12, which may not be there"),
        (lambda t: t.replace("ENDSEC;\nEND-", "#99999 = DIRECTION('',(0.,0.,1.));\nENDSEC;\nEND-"),
         "nothing refers to #99999, a DIRECTION"),
        (lambda t: t.replace("ENDSEC;\nEND-", "#2 = DIRECTION('',(0.,0.,1.));\nENDSEC;\nEND-"),
         "two entities have one number"),
        (lambda t: t.replace("ENDSEC;\nEND-", "#99999 = APPLICATION_CONTEXT('');\nENDSEC;\nEND-"),
         "it has 2 of APPLICATION_CONTEXT and must have one"),
        (lambda t: t.replace("DATA;\n", "DATA;\n&SCOPE;\n"),
         "between its entities is something that is none"),
    ],
)
def test_what_is_not_read(block, tmp_path, change, says):
    with pytest.raises(InputError, match=r"changed\.step holds no solid that can be read back: "
                       + r"(#\d+ )?" + re.escape(says)):
        fault(change(block), tmp_path)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda t: t.replace("LENGTH_MEASURE(1.E-07)", "LENGTH_MEASURE(1.E-03)"),
         "its points are said to be uncertain by 0.001 mm"),
        (lambda t: t.replace("DIRECTION('',(0.,0.,1.))", "DIRECTION('',(0.,0.,1.1))"),
         "a direction is 0.1 from a unit vector"),
        (lambda t: t.replace("CARTESIAN_POINT('',(0.,0.,0.))", "CARTESIAN_POINT('',(0.,0.,1.))", 1),
         "the part is not in its own frame"),
        (lambda t: re.sub(r"(VECTOR\('',#\d+),1\.\)", r"\1,2.)", t),
         "a line's vector is not one long"),
        (lambda t: re.sub(r"(CIRCLE\('',#\d+),1\.\)", r"\1,-1.)", t),
         "a circle's radius is nothing or less"),
        (lambda t: re.sub(r"(CYLINDRICAL_SURFACE\('',#\d+),1\.\)", r"\1,-1.)", t),
         "a surface's radius is nothing or less"),
        (lambda t: re.sub(r"(CYLINDRICAL_SURFACE\('',#\d+),1\.\)", r"\1,1.1)", t),
         r"edge #\d+ lies 0.1 mm beside the surface of its face"),
        (lambda t: t.replace("(1.,0.,-0.)", "(0.,0.,1.)", 1),
         "the axes of a placement are 1 from a right angle"),
        (lambda t: t.replace("POINT('',(0.,0.,0.))", "POINT('',(0.,0.,1.E999))", 1),
         "a coordinate is no number of a rod"),
        (lambda t: turned(t, "EDGE_CURVE", count=1), r"edge #\d+ runs against its line"),
        (lambda t: turned(t, "ORIENTED_EDGE", count=1),
         r"edge #\d+ does not end where the next one of its loop begins"),
        (lambda t: turned(t, "FACE_BOUND", count=1), r"edge #\d+ is used twice the same way"),
        (lambda t: turned(turned(t, "FACE_BOUND"), "ADVANCED_FACE"), "its faces look inwards"),
        (lambda t: re.sub(r"(EDGE_CURVE\('',#(\d+),#\2,#\d+,)\.T\.", r"\1.F.", t),
         r"face #\d+ does not lie on the left of its boundary"),
        (lambda t: re.sub(r"(EDGE_CURVE\('',#(\d+),#\2,#\d+,)\.T\.", r"\1.F.", t, count=1),
         r"face #\d+ has a boundary that does not close on its surface"),
        (lambda t: t.replace("CLOSED_SHELL('',(#17,", "CLOSED_SHELL('',(#17,#17,"),
         "a face is listed twice in the shell"),
        (lambda t: re.sub(r"(CYLINDRICAL_(?:.*\n){4}.*DIRECTION\('',\()(-?)(1\.)", away, t),
         r"face #\d+ has a seam where its surface has none"),
        (other_circle, r"edge #\d+ is not used twice"),
        (lambda t: re.sub(r"EDGE_CURVE\('',#(\d+),#\1,", r"EDGE_CURVE('',#\1,#99999,", t, count=1)
         .replace("ENDSEC;\nEND-", "#99999 = VERTEX_POINT('',#12);\nENDSEC;\nEND-"),
         r"edge #\d+ (ends|has no length)"),
        (lambda t: re.sub(r"(PLANE(?:.*\n){3}.*DIRECTION\('',\(.*)-1\.", r"\g<1>1.", t, count=1),
         "does not lie on the left of its boundary"),
    ],
)
def test_what_is_wrong_with_a_solid(block, tmp_path, change, says):
    assert re.search(says, fault(change(block), tmp_path))
