"""Instrument files: read as they are written, every mistake with file and line."""

from __future__ import annotations

import dataclasses
import datetime
import json
from decimal import Decimal

import pytest

from labkit.catalog.instruments import find_instrument, gauge_pins, instruments
from labkit.catalog.places import templates_dir
from labkit.core.form.read import from_record
from labkit.core.gauging.gauge_pins import GaugePins
from labkit.core.gauging.instruments import Instrument, InstrumentKind
from labkit.core.gauging.ways_of_measuring import Method
from labkit.core.jsonable import jsonable
from labkit.errors import InputError, InputErrors
from tests.support.own_instruments import write_instruments

EXAMPLE = (templates_dir() / "instruments" / "example-micrometer.toml").read_text("utf-8")


def lab_file(tmp_path, *changes: tuple[str, str]):
    text = EXAMPLE.replace('"example-micrometer"', '"bench-micrometer"')
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    path = tmp_path / "bench.toml"
    path.write_text(text, "utf-8")
    return path


def test_the_examples_say_that_they_are_examples():
    known = instruments()
    assert list(known) == [
        "example-calliper", "example-coarse-calliper", "example-micrometer", "example-microscope",
        "example-scanner",
    ]
    assert all(one.evidence == "Invented example; not calibrated" for one in known.values())
    assert known["example-micrometer"] == Instrument(
        name="example-micrometer",
        title="Example outside micrometer, 25 to 50 mm",
        kind=InstrumentKind.MICROMETER,
        resolution_mm=0.001,
        calibration_mm=0.002,
        calibration_dof=50.0,
        repeatability_mm=0.004,
        repeatability_dof=24.0,
        temperature_c=3.0,
        difference_c=1.0,
        expansion_per_c=1.15e-5,
        methods=(Method.OVER, Method.OVER_LESS_OWN, Method.ENDS),
        calibration_due=None,
        evidence="Invented example; not calibrated",
        example=True,
    )
    assert known["example-coarse-calliper"].calibration_dof is None


def test_a_lab_brings_its_own(tmp_path):
    path = lab_file(tmp_path, ("degrees_of_freedom = 50", "due = 2031-09-30"))
    own = find_instrument(instruments((str(path),)), "bench-micrometer")
    assert own.calibration_dof is None
    assert own.calibration_due == datetime.date(2031, 9, 30)
    assert not own.overdue(datetime.date(2031, 9, 30))
    assert own.overdue(datetime.date(2031, 10, 1))


def test_gauge_pins_are_an_instrument_without_a_scale(tmp_path):
    folder = write_instruments(tmp_path / "own")
    assert "pins-2" not in instruments((str(folder),))
    pins = gauge_pins((str(folder),))["pins-2"]
    assert (pins.calibration_due, pins.invented) == (datetime.date(2032, 9, 30), False)
    assert pins.lacks((Decimal("2.50"), Decimal("2.47"), Decimal("2.47"))) == (Decimal("2.47"),)
    assert from_record(GaugePins, json.loads(json.dumps(jsonable(pins))), "gauge pins") == pins
    assert gauge_pins()["example-pins"].invented
    (folder / "more.toml").write_text('schema = 1\nkind = "gauge-pins"\nname = "p"\n', "utf-8")
    with pytest.raises(InputError, match="diameters is missing"):
        gauge_pins((str(folder),))


def test_an_example_is_known_by_its_key_and_in_older_records_by_its_name():
    known = instruments()["example-micrometer"]
    assert dataclasses.replace(known, name="m-3").invented
    assert dataclasses.replace(known, example=False).invented
    assert not dataclasses.replace(known, name="m-3", example=False).invented


def test_an_instrument_comes_back_from_the_ledger(tmp_path):
    path = lab_file(tmp_path, ("degrees_of_freedom = 50", "due = 2031-09-30"))
    for one in instruments((str(path),)).values():
        assert from_record(Instrument, json.loads(json.dumps(jsonable(one))), "instrument") == one


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("[scale]", "colour = 3\n[scale]", ":11: colour is not a known key"),
        ("resolution = 0.001", "resolutoin = 0.001", ":12: scale.resolutoin is not a known key; "
         "did you mean `resolution`?"),
        ("resolution = 0.001", "resolution = 0", ":12: scale.resolution = 0 is not usable; allowed "
         "is a number in mm from 0.0001 to 0.5"),
        ('"over", ', '"oval", ', ':7: methods[1] = "oval" is not usable'),
        ('"over", ', '"over", "over", ', ":7: methods names a way of measuring twice"),
        ('["over", "over-less-own", "ends"]', "[]", ":7: methods is still to be filled in"),
        ("degrees_of_freedom = 24", "degrees_of_freedom = true",
         ":21: repeatability.degrees_of_freedom = true is not usable; allowed is a whole number"),
        ("degrees_of_freedom = 24", "degrees_of_freedom = 0", ":21: "),
        ("room = 3", "room = -3", ":24: temperature.room = -3 is not usable"),
        ("degrees_of_freedom = 50", 'due = "30.9.2031"', ":17: calibration.due = "),
        ('kind = "micrometer"', 'kind = "ruler"', ':6: kind = "ruler" is not usable'),
        ("schema = 1", "schema = 2", ":3: schema = 2 is not usable"),
    ],
)
def test_every_mistake_is_told_with_its_line(tmp_path, old, new, sentence):
    with pytest.raises(InputError) as caught:
        instruments((str(lab_file(tmp_path, (old, new))),))
    assert f"bench.toml{sentence}" in str(caught.value)


def test_all_mistakes_at_once(tmp_path):
    path = lab_file(tmp_path, ("room = 3", "room = -3"), ("resolution = 0.001", "resolution = 9"))
    with pytest.raises(InputErrors) as caught:
        instruments((str(path),))
    assert len(caught.value.errors) == 2


def test_no_two_of_one_name_and_the_nearest_is_named(tmp_path):
    path = lab_file(tmp_path, ("bench-micrometer", "example-micrometer"))
    with pytest.raises(InputError, match="already defined in example-micrometer.toml"):
        instruments((str(path),))
    with pytest.raises(InputError, match="did you mean `example-calliper`"):
        find_instrument(instruments(), "example-caliper")


@pytest.mark.parametrize(
    "changes",
    [
        {"resolution_mm": 0.0}, {"calibration_mm": -1.0}, {"repeatability_mm": float("nan")},
        {"temperature_c": -1.0}, {"difference_c": float("inf")}, {"expansion_per_c": -1e-6},
        {"calibration_dof": 0.0}, {"repeatability_dof": 0.5}, {"reproducibility_dof": 0.0},
    ],
)
def test_a_value_that_cannot_be_is_refused_wherever_it_comes_from(changes):
    with pytest.raises(InputError):
        dataclasses.replace(instruments()["example-calliper"], **changes)
