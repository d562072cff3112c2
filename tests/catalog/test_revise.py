"""The next revision of a prescription: only the readings change, every comment stays."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from labkit.catalog.places import templates_dir
from labkit.catalog.prescriptions import read_prescription
from labkit.catalog.revise import with_bite, with_values
from labkit.catalog.rods import rod_templates
from labkit.catalog.toml_source import parse_toml
from labkit.core.case.extra_requests import ByPercent
from labkit.core.case.extra_rods import extra_rods
from labkit.core.case.rods_out import RodOut
from labkit.core.case.trial_fit import trial_fit
from labkit.core.grading.grade import grade
from labkit.core.grading.prescription import Bite, Side, Zero
from labkit.core.grading.steps import LengthLimits
from labkit.errors import InputError
from tests.support.prescriptions import ANCHORED, SMALLEST, changed, hinged, sliding, source
from tests.support.trials import as_made, trial_seen

D = Decimal
TEMPLATES = rod_templates()
DEMOS = sorted((templates_dir() / "prescriptions").glob("demo-*.toml"))


def read(text):
    return read_prescription(source(text), TEMPLATES)[0]


def revised(text, protruded, deviation=None):
    bite = replace(read(text).bite, protruded=D(protruded))
    if deviation is not None:
        bite = replace(bite, midline_deviation_mm=D(deviation))
    return with_bite(source(text), bite)


@pytest.mark.parametrize("text", [SMALLEST, sliding(), hinged()], ids=["plain", "slid", "hinged"])
def test_only_the_two_readings_change(text):
    new = revised(text, "7.134287123", "1.65" if "midline" in text else None)
    before, after = read(text), read(new)
    assert after.bite.protruded == D("7.134287123")
    assert replace(after, bite=before.bite) == before
    unlike = [
        (old, line)
        for old, line in zip(text.splitlines(), new.splitlines(), strict=True) if old != line
    ]
    assert [line.split(" = ")[0] for _, line in unlike] == (
        ["protruded", "midline_deviation"] if "midline" in text else ["protruded"]
    )


@pytest.mark.parametrize("path", DEMOS, ids=lambda path: path.stem)
def test_the_demonstration_cases_keep_their_comments(path):
    text = path.read_text("utf-8")
    new = revised(text, "5.25")
    assert new.count("#") == text.count("#") > 0
    assert len(new.splitlines()) == len(text.splitlines())
    assert read(new).bite.protruded == D("5.25")


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("[bite]\nprotruded = 6.4  # gauge 2\n", "[bite]\nprotruded = 7.25  # gauge 2\n"),
        ("bite.protruded=6.4 # a\n", "bite.protruded=7.25 # a\n"),
        ("bite = { protruded = 6.4 } # c\n", "bite = { protruded = 7.25 } # c\n"),
        ('[bite]\n"protruded"\t= +6.4e0\n', '[bite]\n"protruded"\t= 7.25\n'),
        ("# x\r\n[bite]\r\nprotruded = 6 # y\r\n", "# x\r\n[bite]\r\nprotruded = 7.25 # y\r\n"),
        ("[bite]\nprotruded = 6\n[x]\ny = '''\nprotruded = 6'''\n",
         "[bite]\nprotruded = 7.25\n[x]\ny = '''\nprotruded = 6'''\n"),
    ],
)
def test_spacing_comments_and_line_ends_stay(old, new):
    bite = Bite(Zero.RETRUDED, D("7.25"), D(2))
    assert with_bite(parse_toml(old, "rx.toml"), bite) == new


def test_the_same_readings_give_the_same_text():
    text = changed(SMALLEST, ("protruded = 6.4", "protruded = 6.400 # as printed"))
    assert revised(text, "6.4") == text


def test_a_deviation_that_was_not_written_is_added_to_its_table():
    new = revised(SMALLEST, "7", "0.5")
    assert read(new).bite.midline_deviation_mm == D("0.5")
    assert read(new).bite.protruded == 7


def test_a_file_without_readings():
    bite = Bite(Zero.RETRUDED, D(7), D(2))
    for text in ("schema = 1\n", "bite = 3\n", "[bite]\nregistered = 2\n"):
        with pytest.raises(InputError, match=r"rx\.toml: has no \[bite\] with a protruded reading"):
            with_bite(parse_toml(text, "rx.toml"), bite)


def test_a_change_that_another_key_would_show_is_refused(monkeypatch):
    monkeypatch.setattr("labkit.catalog.revise.tomlkit.dumps", lambda document: ANCHORED)
    with pytest.raises(InputError, match="write the new revision by hand, with protruded = 7 in"):
        revised(SMALLEST, "7")


@pytest.mark.parametrize("path", DEMOS, ids=lambda path: path.stem)
def test_an_accepted_trial_fit_reads_back_as_proposed(path):
    text = path.read_text("utf-8")
    prescription = read(text)
    limits = LengthLimits.of(TEMPLATES[prescription.template])
    met = grade(prescription, limits).steps[-2]
    rods = (RodOut("1", Side.LEFT, met.left.label), RodOut("1", Side.RIGHT, met.right.label))
    seen = trial_seen((met.left.label, met.right.label))
    proposal = trial_fit(prescription, as_made(rods, prescription, limits), seen, limits).proposal
    renewed = read(with_bite(source(text), proposal.holds.bite))
    assert renewed == replace(prescription, bite=proposal.holds.bite)
    assert renewed.bite != prescription.bite
    graded = grade(renewed, limits)
    assert graded.range_mm == proposal.range_mm
    assert graded.steps[-1].advancement_mm == pytest.approx(met.made.advancement_mm, abs=1e-8)
    # Extra rods then count on the new range: the rods met are 100 % now.
    out = as_made(rods, renewed, limits)
    (row,) = extra_rods(renewed, out, (ByPercent(D(80)),), limits).series[-1:]
    assert (row.pair, row.new, round(row.percent, 6)) == ("1", False, 100)


def test_one_distance_for_both_sides_gives_way_to_one_for_each():
    text = SMALLEST
    distances = {Side.LEFT: D("34.5"), Side.RIGHT: D("33.6")}
    new = with_bite(source(text), replace(read(text).bite, protruded=D("6.1")), distances)
    after = read(new)
    assert (after.left.pin_distance_mm, after.right.pin_distance_mm) == (34.5, 33.6)
    assert after.bite.protruded == D("6.1")
    assert "pin_distance = 34.5" in new
    # A second correction changes the side's own distance where it stands.
    once_more = with_bite(source(new), after.bite, {**distances, Side.LEFT: D("34.2")})
    assert once_more == new.replace("34.5", "34.2")


def test_a_value_is_taken_out_and_another_put_in_without_touching_the_rest():
    text = SMALLEST.replace("retruded = -5.2", "retruded = -5.2  # twice")
    jaw = ("jaw", "model")
    values = {("bite", "protruded"): "6.6", ("grading", "start"): None, jaw: '"hinged"'}
    expected = text.replace("start = 62.5\n", "").replace("= 6.4", "= 6.6")
    assert with_values(source(text), values).startswith(expected)
    assert with_values(source(expected), {jaw: '"hinged"'}).endswith('[jaw]\nmodel = "hinged"\n')
    assert with_values(source(text), {jaw: None}) == text


def test_a_whole_number_without_end_is_told_with_its_line():
    with pytest.raises(InputError, match="more than 20 digits") as caught:
        source("case = 1\nsteps = 0x" + "f" * 6000)
    assert caught.value.where.endswith(":2")
