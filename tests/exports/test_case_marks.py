"""Case marks engraved beside the length: read back from the written files, each text by itself."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from labkit.catalog.lettering import load_lettering
from labkit.core.label.place import centers_u_mm, lay_out_rod, require_fit
from labkit.core.label.rules import CASE_MARK_LETTERS
from labkit.core.rod.rods import NOMINAL, Hand
from labkit.errors import LabelError
from labkit.exports.check.part import check_part
from labkit.exports.check.read_label import read_marked
from labkit.exports.check.stl_reader import read_stl
from labkit.exports.scan.measure import measure_scan
from tests.support.rods import rod_of, templates, written
from tests.support.scans import CLEAN, Spoil, scan_of

LETTERING = load_lettering()
PLACES = tuple(name for name, template in templates().items() if template.case_mark)
BUILT = [
    (row, hand) for row in PLACES for hand in (Hand if templates()[row].handed else (Hand.MINUS_Y,))
]
#: Every character of case marks, each mark beginning with a letter.
EVERY_CHARACTER = ("AEFH", "JKMN", "PTUW", "XY01", "X234", "X567", "X89")


def has_room(rod) -> bool:
    try:
        require_fit(LETTERING, rod.template, lay_out_rod(LETTERING, rod), float(rod.length))
    except LabelError:
        return False
    return True


def shortest(row, hand, mark, side):
    """Find the shortest rod on the 0.1 mm grid that has room for a case mark."""
    tenths = range(int(10 * templates()[row].shortest_mm), int(10 * templates()[row].longest_mm))
    rods = (with_side(rod_of(row, str(Decimal(t) / 10), hand, mark), side) for t in tenths)
    return next(rod for rod in rods if has_room(rod))


def with_side(rod, side):
    return rod if rod.template.handed else replace(rod, mark=side)


def checked(rod, made):
    return check_part(rod, NOMINAL, made.step, made.stl, LETTERING)


def test_the_rows_with_a_place():
    assert PLACES == (
        "ball-ball-round", "crosspin-eye-flat", "crosspin-eye-flat-slim", "eye-eye-flat",
        "eye-eye-flat-slim",
    )


@pytest.mark.parametrize("side", ["", "R"])
@pytest.mark.parametrize(("row", "hand"), BUILT)
def test_both_texts_are_read_from_the_files_of_the_shortest_and_the_longest_rod(
    row, hand, side, tmp_path
):
    least = shortest(row, hand, "KH2", side)
    most = replace(least, length=templates()[row].longest_mm.quantize(Decimal("0.1")), bar=False)
    for rod in (least, most):
        made = written(rod, tmp_path)
        check = checked(rod, made)
        assert check.failures == ()
        assert (check.label_read, check.case_mark.text) == (rod.engraving, "KH2")
        assert check.to_json()["case_mark_read"] == "KH2"


@pytest.mark.parametrize("mark", EVERY_CHARACTER)
def test_every_character_of_case_marks_is_read(mark, tmp_path):
    rod = rod_of("eye-eye-flat-slim", "30.1", case_mark=mark)
    check = checked(rod, written(rod, tmp_path))
    assert check.failures == ()
    assert check.case_mark.text == mark


def test_every_character_is_tried():
    assert set("".join(EVERY_CHARACTER)) == set("0123456789" + CASE_MARK_LETTERS)


@pytest.fixture(scope="module")
def marked(tmp_path_factory):
    return written(rod_of("eye-eye-flat", "31.4", case_mark="KH2"), tmp_path_factory.mktemp("mark"))


def test_another_case_mark_is_found(marked):
    check = checked(replace(marked.rod, case_mark="KH3"), marked)
    # Other characters take another volume away, which the STEP shows.
    assert {(one.file, one.name) for one in check.checks if not one.passed} == {
        ("STEP", "volume against the rod asked for"), ("STEP", "case mark"), ("STL", "case mark"),
    }
    assert check.failures[-1] == "STL: case mark is 'KH2' (asked: 'KH3')"


def test_a_case_mark_that_nobody_asked_for_is_part_of_no_label(marked):
    check = checked(replace(marked.rod, case_mark=""), marked)
    assert any("label is '31.4" in sentence for sentence in check.failures)
    assert not check.passed


def test_a_case_mark_that_is_not_there_is_found(tmp_path):
    plain = written(rod_of("eye-eye-flat", "31.4"), tmp_path)
    asked = replace(rod_of("eye-eye-flat", "31.4", case_mark="KH2"))
    check = checked(asked, plain)
    assert check.label_read == "31.4"
    assert 'STL: "case mark can be read" does not hold: nothing is apart from the ' in (
        " ".join(check.failures)
    )
    assert "distance of the case mark from the label is 0 (allowed: 1.99 or more)" in (
        " ".join(check.failures)
    )


def test_the_length_is_never_read_together_with_the_mark(marked):
    """Distance of the two boxes by arithmetic: middles apart, less half of either width."""
    mesh, template = read_stl(marked.stl), marked.rod.template
    read = read_marked(mesh, -1, LETTERING, template.label, template.case_mark)
    assert (read.label.text, read.mark.text) == ("31.4", "KH2")
    label, mark = centers_u_mm(marked.rod, marked.engraving)
    wide = (marked.engraving.width_mm + marked.engraving.case_mark.width_mm) / 2
    assert read.apart_mm == pytest.approx(mark - label - wide, abs=0.01)
    assert read.apart_mm > template.case_mark.clear_mm > 0.4 * template.label.height_mm


def test_the_mark_stands_at_the_readers_right_of_either_hand():
    for hand in Hand:
        rod = rod_of("crosspin-eye-flat", "31.4", hand, "KH2")
        label, mark = centers_u_mm(rod, lay_out_rod(LETTERING, rod))
        assert mark - label > 7.0


def test_a_label_alone_stays_in_the_middle():
    rod = rod_of("eye-eye-flat", "31.4")
    assert centers_u_mm(rod, lay_out_rod(LETTERING, rod)) == (0.0,)


@pytest.mark.parametrize(
    ("row", "hand"),
    [pytest.param(*each, marks=[pytest.mark.slow] if n % 3 else [])
     for n, each in enumerate(BUILT)],
)
def test_a_scan_tells_the_length_from_the_mark_and_reads_both(row, hand, tmp_path):
    for spoil in (CLEAN, Spoil(missing=0.0, edge_mm=0.14)):
        scan = scan_of(row, "31.4", spoil, 1, hand, "KH2")
        measure = measure_scan(scan.write(tmp_path / "s.stl"), {row: templates()[row]}, LETTERING)
        assert (measure.label.text, measure.label.problem) == ("31.4", "")
        assert measure.label.case_mark == "KH2"


def test_a_scan_without_a_mark_shows_none(tmp_path):
    scan = scan_of("eye-eye-flat", "31.4", CLEAN, 1).write(tmp_path / "s.stl")
    measure = measure_scan(scan, {"eye-eye-flat": templates()["eye-eye-flat"]}, LETTERING)
    assert (measure.label.text, measure.label.case_mark) == ("31.4", "")
