"""`labkit.lengths`, `labkit.rod` and `labkit.make`: the program from Python."""

from __future__ import annotations

import dataclasses
import re
import tomllib
from decimal import Decimal
from pathlib import Path

import cadquery as cq
import pytest

import labkit
from labkit.catalog.guide import page
from labkit.catalog.rods import rod_templates
from labkit.core.rod.rods import Hand
from labkit.errors import InputError, LabelError, RefusedError
from labkit.workflow.sets import make as making
from tests.support.prescriptions import SMALLEST, changed, hinged
from tests.test_house import CAD, loaded_by

ONE = changed(SMALLEST, ("percent = [50, 62.5, 75, 87.5, 100]", "percent = [62.5]"))


def test_a_prescription_may_be_a_file_its_text_or_a_dictionary(tmp_path):
    path = tmp_path / "rx.toml"
    path.write_text(hinged(), encoding="utf-8")
    graded = labkit.lengths(path)
    assert [step.left.label for step in graded.steps]
    assert graded == labkit.lengths(str(path)) == labkit.lengths(hinged())
    assert graded == labkit.lengths(tomllib.loads(hinged()))
    with pytest.raises(dataclasses.FrozenInstanceError):
        graded.steps = ()


def test_refusals_are_among_the_values_and_unreadable_input_is_raised(tmp_path):
    beyond = changed(ONE, ("percent = [62.5]", "percent = [62.5, 110]"))
    assert [finding.code for finding in labkit.lengths(beyond).refused] == ["percent_above_100"]
    with pytest.raises(RefusedError, match="110"):
        labkit.make(beyond, tmp_path)
    with pytest.raises(InputError, match="bite is missing"):
        labkit.lengths({"schema": 1, "case": "QF-1"})


def test_a_rod_is_a_workplane_to_go_on_with():
    plain = labkit.rod("eye-eye-flat", "31.4")
    assert isinstance(plain, cq.Workplane)
    box = plain.val().BoundingBox()
    assert (box.xlen, box.zlen) == pytest.approx((38.9, 7.5), abs=1e-5)
    drilled = plain.faces("<Y").workplane().hole(1.0)
    assert 0.0 < drilled.val().Volume() < plain.val().Volume()


def test_a_rod_of_ones_own_template():
    template = rod_templates()["crosspin-eye-flat"]
    own = dataclasses.replace(template, name="own", longest_mm=Decimal(45))
    left = labkit.rod(own, "44.9L", Hand.MINUS_Y).val()
    right = labkit.rod(own, "44.9R", Hand.PLUS_Y).val()
    assert left.Volume() == pytest.approx(right.Volume(), rel=0.01)
    assert left.BoundingBox().ymin == pytest.approx(-right.BoundingBox().ymax, abs=1e-5)


@pytest.mark.parametrize(
    ("name", "label", "error", "words"),
    [
        ("eye-eye-flt", "31.4", InputError, "eye-eye-flat"),
        ("eye-eye-flat", "31", InputError, "is not a label"),
        ("eye-eye-flat", "3.4", InputError, "15 to 70 mm"),
        ("eye-eye-flat", "15.25R", LabelError, "too wide"),
    ],
)
def test_what_cannot_be_a_rod_is_refused_in_a_sentence(name, label, error, words):
    with pytest.raises(error, match=words):
        labkit.rod(name, label)


def test_the_guides_example_runs(tmp_path, monkeypatch, capsys):
    (example,) = re.findall(r"```python\n(.*?)```", page("python"), re.DOTALL)
    (tmp_path / "QF-1043.toml").write_text(ONE, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(making, "write_papers", lambda *_: ())
    exec(compile(example, "python.md", "exec"), {})
    told = capsys.readouterr().out.splitlines()
    assert told[0] == "62.5 % 34.5 34.5 7.20 mm"
    assert (Path("sets/QF-1043-r1") / told[-1]).is_file()


def test_importing_the_package_loads_nothing_else():
    heavy = {*CAD, "pydantic", "numpy", "click", "rich", "sqlalchemy", "tomlkit"}
    assert not heavy & loaded_by("import labkit\nassert 'rod' in dir(labkit)")
    graded = f"import labkit\nlabkit.lengths({SMALLEST!r})"
    assert not {*CAD, "sqlalchemy", "click", "rich", "scipy"} & loaded_by(graded)


def test_there_is_nothing_else():
    with pytest.raises(AttributeError, match="no attribute 'spacers'"):
        labkit.spacers  # noqa: B018


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"schema": 1, "case": None}, "leave out keys that have no value, such as None"),
        ("", "the prescription is empty"),
        ("  ", "the prescription is empty"),
    ],
)
def test_what_is_no_prescription_is_refused_in_a_sentence(given, words):
    with pytest.raises(InputError, match=words):
        labkit.lengths(given)


def test_a_number_is_no_label():
    with pytest.raises(InputError, match='31.4 is not a label of a rod; write .* such as "31.4"'):
        labkit.rod("eye-eye-flat", 31.4)
