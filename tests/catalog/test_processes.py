"""Process files with a calibration: read strictly, written and read back the same."""

from __future__ import annotations

import dataclasses
import datetime
import json

import pytest

from labkit.catalog.processes import processes, read_process
from labkit.catalog.rods import rod_templates
from labkit.catalog.toml_source import parse_toml
from labkit.core.jsonable import jsonable
from labkit.core.rod.calibration import Calibration, FittedOffset
from labkit.core.rod.rods import EXPANSION_PER_C, Process, RodTemplate
from labkit.errors import DeliveryError, InputError, RefusedError
from labkit.ledger.events import canonical_json
from labkit.ledger.stored import StoredContent
from labkit.workflow.process.file import process_toml, write_process
from labkit.workflow.sets.as_stored import as_stored
from tests.support.processes import CALIBRATED

TEXT = process_toml(CALIBRATED)


def read(text):
    return read_process(parse_toml(text, "p.toml"))


def test_a_calibrated_process_is_read_back_as_it_was_written():
    assert read(TEXT) == CALIBRATED


@pytest.mark.parametrize("name", ["nominal", "example-resin", "example-powder"])
def test_a_process_without_calibration_is_too(name):
    process = processes()[name]
    assert process.calibration is None
    assert process.expansion_per_c == EXPANSION_PER_C
    assert read(process_toml(process)) == process


def test_a_file_is_whole_or_absent_and_never_over_another(tmp_path):
    path = tmp_path / "p.toml"
    write_process(CALIBRATED, path)
    assert list(tmp_path.iterdir()) == [path]
    before = path.read_bytes()
    with pytest.raises(DeliveryError, match="never overwritten"):
        write_process(CALIBRATED, path)
    assert path.read_bytes() == before
    with pytest.raises(DeliveryError, match="cannot be written"):
        write_process(CALIBRATED, path / "q.toml")
    assert list(tmp_path.iterdir()) == [path]


def test_what_is_missing_is_named_as_what_it_would_hold(tmp_path):
    for extra, words in ((tmp_path / "none", "is not there"), (tmp_path, "holds no .toml file")):
        with pytest.raises(InputError, match=f"{words}.* of processes"):
            processes((str(extra),))


WRONG = {
    "scale by hand": ("length_scale = 1.003", "length_scale = 1.004", "compensation.length_scale"),
    "offset by hand": ("length_offset = 0.0172", "length_offset = 0.02", "compensation.length_off"),
    "bore by hand": ("bore_offset = 0.09", "bore_offset = 0.08", "compensation.bore_offset"),
    "range turned": ("longest = 50.0", "longest = 10.0", "calibration.longest"),
    "unknown key": ("residual_dof = 22", "residual_dof = 22\nresidual_df = 3", "residual_df"),
    "missing key": ("residual_dof = 22\n", "", "residual_dof is missing"),
    "no whole number": ("coupons = 24", "coupons = 24.0", "calibration.coupons"),
    "truth": ("coupons = 24", "coupons = true", "calibration.coupons"),
    "none": ("residual_dof = 22", "residual_dof = 0", "calibration.residual_dof"),
    "date as text": ("date = 2031-05-02", 'date = "2031-05-02"', "calibration.date"),
    "moment": ("date = 2031-05-02", "date = 2031-05-02T10:00:00", "calibration.date"),
    "digest": ("ab" * 32, "ab" * 31, "calibration.source_sha256"),
    "digest of capitals": ("ab" * 32, "AB" * 32, "calibration.source_sha256"),
    "negative": ("residual_sd = 0.0136", "residual_sd = -0.0136", "calibration.residual_sd"),
    "not finite": ("residual_sd = 0.0136", "residual_sd = nan", "calibration.residual_sd"),
    "correlation": ("correlation = -0.95", "correlation = -1.2", "calibration.correlation"),
    "lengths without repeats": ("lengths = 4", "lengths = 24", "lengths = 24 is not below"),
    "no line of them": ("residual_dof = 22", "residual_dof = 21", "is not coupons − 2 = 22"),
    "more bores than coupons": ("dof = 23", "dof = 24", "calibration.bore.dof = 24 is not below"),
    "no scatter": ("residual_sd = 0.0136", "residual_sd = 0", "calibration.residual_sd = 0 would"),
    "sure scale": ("length_scale_u = 0.000249", "length_scale_u = 0", "without error"),
    "empty words": ('by = "anna"', 'by = ""', "calibration.by"),
    "half a bore": ("sd = 0.0114\n", "", "calibration.bore.sd is missing"),
    "common plastic": (
        'material = "', 'expansion_uncertainty_per_c = 0.000005\nmaterial = "',
        "expansion_uncertainty_per_c is given without expansion_per_c",
    ),
    "expansion": ('material = "', 'expansion_per_c = 0.1\nmaterial = "', "expansion_per_c"),
}


@pytest.mark.parametrize("name", WRONG)
def test_a_wrong_calibration_is_a_sentence_with_its_line(name):
    old, new, words = WRONG[name]
    assert old in TEXT
    with pytest.raises(InputError) as caught:
        read(TEXT.replace(old, new, 1))
    message = str(caught.value)
    assert words in message
    assert message.startswith("p.toml:")


def test_an_expansion_that_is_told_comes_back_though_it_equals_a_common_one():
    own = dataclasses.replace(CALIBRATED, expansion_u_per_c=5e-6)
    assert read(process_toml(own)) == own
    assert "expansion_per_c = 0.0001\n" in process_toml(own)


def test_a_value_changed_by_hand_makes_the_calibration_void():
    changed = TEXT.replace("length_scale = 1.003", "length_scale = 1.004", 1)
    with pytest.raises(InputError, match="calibrate again, or take the table"):
        read(changed)
    process = read(changed[: changed.index("[calibration]")])
    assert process.calibration is None


def stored(process):
    content = jsonable(process)
    return StoredContent(process.name, canonical_json(content))


def test_the_record_gives_a_calibrated_process_back():
    known = {CALIBRATED.name: CALIBRATED}
    assert as_stored(Process, stored(CALIBRATED), known, "Q-r1", accept=False) == CALIBRATED
    assert as_stored(Process, stored(CALIBRATED), {}, "Q-r1", accept=True) == CALIBRATED


def test_a_record_from_before_calibrations_is_the_process_as_it_is_read_now():
    """What earlier versions recorded: no expansion and no calibration, with its own digest."""
    process = processes()["example-resin"]
    content = json.loads(stored(process).json)
    assert "expansion_per_c" not in content
    assert "calibration" not in content
    assert as_stored(Process, stored(process), {process.name: process}, "Q-r1", accept=False) == (
        process
    )


def test_a_calibration_that_came_meanwhile_is_a_difference_that_is_named():
    before = dataclasses.replace(CALIBRATED, calibration=None)
    with pytest.raises(RefusedError, match="calibration.length_scale: nothing as recorded, 1.003"):
        as_stored(Process, stored(before), {CALIBRATED.name: CALIBRATED}, "Q-r1", accept=False)


def test_how_rods_lie_is_no_difference_and_is_as_installed():
    """A record from before ways of lying: what is installed says how its rods lie from now on."""
    installed = rod_templates()["ball-ball-round"]
    before = stored(dataclasses.replace(installed, build=None))
    assert "build" not in json.loads(before.json)
    known = {installed.name: installed}
    assert as_stored(RodTemplate, before, known, "Q-r1", accept=False) == installed
    assert as_stored(RodTemplate, before, known, "Q-r1", accept=True).build is None


def test_values_that_are_not_numbers_are_refused():
    with pytest.raises(InputError, match="u_mm must be a finite number"):
        FittedOffset(0.1, float("nan"), 0.01, 5)
    own = CALIBRATED.calibration
    assert own.covers(20.0)
    assert own.covers(50.0)
    assert not own.covers(50.1)
    assert isinstance(own, Calibration)
    assert own.date == datetime.date(2031, 5, 2)


ZONE = "border = 4.0\n[[plate.keep_out]]\nx = 100\ny = 0\nwidth = 20\ndepth = 10\n"


def test_zones_of_the_bed_are_read_and_written():
    text = process_toml(processes()["example-resin"]).replace("border = 4.0\n", ZONE)
    zoned = read(text)
    assert [zone.x_mm for zone in zoned.plate.keep_out] == [100.0]
    assert read(process_toml(zoned)) == zoned


def test_a_zone_beside_the_bed_is_told():
    text = process_toml(processes()["example-resin"]).replace(
        "border = 4.0\n", ZONE.replace("y = 0", "y = 90")
    )
    with pytest.raises(InputError, match=r"plate\.keep_out.* lies beside the bed of 120 × 68 mm"):
        read(text)
