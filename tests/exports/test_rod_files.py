"""A rod's files that measure wrong: the kernel builds the body anew once, then they are refused."""

from __future__ import annotations

from dataclasses import replace

import pytest

from labkit.catalog.lettering import load_lettering
from labkit.core.label.place import lay_out_rod
from labkit.core.rod.compensation import compensated
from labkit.core.rod.rods import NOMINAL, Hand
from labkit.errors import CheckError
from labkit.exports.rod_files import RodFiles, require_rod, write_rod
from labkit.exports.write import body_build
from labkit.exports.write.body_build import build_body
from labkit.exports.write.body_store import body_bytes, forget_bodies, kept_body
from labkit.kept import VARIABLE
from tests.support.rods import rod_of

ROD = rod_of("eye-eye-flat-slim", "30.0")
SIZES = compensated(ROD.template, ROD.length, NOMINAL)


def spoilt(body):
    """One bore 5 µm wider in STEP and mesh: it has a digest like any other."""
    radius = SIZES.lower.bore_diameter_mm / 2.0
    text = body.step.text.replace(f",{radius:g})", f",{radius + 0.0025:g})")
    assert text != body.step.text
    points = body.points * [1.0, 1.0, 1.001]
    return replace(body, points=points, step=replace(body.step, text=text))


@pytest.fixture
def cache(monkeypatch, tmp_path):
    """An empty folder for bodies."""
    monkeypatch.setenv(VARIABLE, str(tmp_path / "cache"))
    forget_bodies()
    yield tmp_path / "cache"
    forget_bodies()


def write(tmp_path):
    lettering = load_lettering()
    files = RodFiles(tmp_path, "30.0", "2031-03-14")
    return write_rod(ROD, lay_out_rod(lettering, ROD), NOMINAL, files, lettering)[1]


def test_a_wrong_body_that_was_kept_is_built_anew(cache, tmp_path):
    kept_body(SIZES, Hand.MINUS_Y)
    (file,) = cache.iterdir()
    right = file.read_bytes()
    file.write_bytes(body_bytes(spoilt(build_body(SIZES, Hand.MINUS_Y)), file.stem))
    forget_bodies()
    assert write(tmp_path).failures == ()
    assert file.read_bytes() == right


def test_a_body_that_is_wrong_again_is_refused_in_one_sentence(cache, tmp_path, monkeypatch):
    built = []

    def wrong(sizes, hand):
        built.append(sizes)
        return spoilt(build_body(sizes, hand))

    monkeypatch.setattr(body_build, "build_body", wrong)
    check = write(tmp_path)
    assert len(built) == 2
    with pytest.raises(CheckError) as told:
        require_rod("part 30.0 of case QF-1043", check, "the set is not delivered")
    first, second, third, *others = check.failures
    assert str(told.value) == (
        f"part 30.0 of case QF-1043 does not measure as it should: {first}; {second}; {third}; and "
        f"{len(others)} more; the set is not delivered, though the kernel built its body once "
        f"more: install labkit again, empty the folder {cache}, where bodies of templates are "
        "kept, and run again"
    )
