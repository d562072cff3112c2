"""The one form of values: what is read is what is written, and every key is told to people."""

from __future__ import annotations

import dataclasses
import json
import re
from decimal import Decimal
from enum import Enum
from types import NoneType
from typing import get_args, get_origin

import hypothesis.strategies as st
import pytest
from hypothesis import given, settings

from labkit.catalog.instruments import instruments
from labkit.catalog.places import templates_dir
from labkit.catalog.processes import processes, read_process
from labkit.catalog.profiles import ProfileFile
from labkit.catalog.rods import Family, rod_templates
from labkit.catalog.toml_source import parse_toml
from labkit.core.form.keys import Key, entries, file_keys, record_keys
from labkit.core.form.read import from_record, read_file, read_record
from labkit.core.form.table import keys_table
from labkit.core.form.write import file_content
from labkit.core.gauging.instruments import Instrument
from labkit.core.grading.prescription import Grading, Prescription
from labkit.core.jsonable import jsonable
from labkit.core.rod.rods import FlatBar, Process, RodTemplate, RoundBar
from labkit.documents.set_spec import SetSpec
from labkit.errors import InputError
from labkit.workflow.process.file import process_toml
from tests.support.processes import CALIBRATED

FILES = (Prescription, Process, Instrument, Family, ProfileFile)
VALUES = [*rod_templates().values(), *processes().values(), CALIBRATED, *instruments().values()]
DEMOS = sorted((templates_dir().parent / "output_examples").rglob("spacer-set.json"))


def through_json(value):
    return json.loads(json.dumps(jsonable(value), allow_nan=False))


def as_toml_reads(content):
    """Give numbers as they come out of a TOML file."""
    return json.loads(json.dumps(content, default=str), parse_float=Decimal)


@pytest.mark.parametrize("value", VALUES, ids=lambda value: value.name)
def test_everything_that_comes_with_the_program_comes_back_from_a_record(value):
    assert from_record(type(value), through_json(value), "value") == value


@pytest.mark.parametrize("value", processes().values(), ids=lambda value: value.name)
def test_a_process_comes_back_from_its_file(value):
    assert read_process(parse_toml(process_toml(value), "p.toml")) == value


@pytest.mark.parametrize("value", instruments().values(), ids=lambda value: value.name)
def test_an_instrument_comes_back_from_what_a_file_says_of_it(value):
    content = as_toml_reads(file_content(value))
    assert read_file(Instrument, {"schema": 1, **content}) == (value, [])


@pytest.mark.parametrize("path", DEMOS, ids=lambda path: path.parent.name)
def test_a_demo_set_is_written_again_byte_for_byte(path):
    text = path.read_text("utf-8")
    again = SetSpec.read(json.loads(text)).content()
    assert json.dumps(again, ensure_ascii=False, indent=1, allow_nan=False) == text.rstrip("\n")


def test_there_are_two_demo_sets():
    assert len(DEMOS) == 2


def drawn_of(entry):
    """Give a strategy for one field, inside what its key allows."""
    key, kind = entry.key, entry.kind
    if entry.members:
        found = st.one_of(*map(values_of, entry.members))
    elif kind is bool:
        found = st.booleans()
    elif kind is int:
        found = st.integers(int(key.low or 0), int(key.high or 1000))
    elif kind in (float, Decimal):
        low, high = key.low or 0.0, key.high or 100.0
        found = st.decimals(Decimal(str(low)), Decimal(str(high)), places=4).map(kind)
    elif get_origin(kind) is tuple and dataclasses.is_dataclass(get_args(kind)[0]):
        found = st.lists(values_of(get_args(kind)[0]), max_size=2).map(tuple)
    elif get_origin(kind) is tuple and issubclass(get_args(kind)[0], Enum):
        found = st.lists(st.sampled_from(key.choices or list(get_args(kind)[0])), min_size=1)
        found = found.map(tuple)
    elif isinstance(kind, type) and issubclass(kind, Enum):
        found = st.sampled_from(kind)
    else:
        found = st.just("name-1")
    return st.one_of(st.none(), found) if entry.optional else found


def values_of(cls):
    own = {one.field: one for one in entries(cls)}
    fixed = {"source_sha256": st.just("ab" * 32), "fit": st.sampled_from(["H8", "js14", "f7"]),
             "length_tolerance": st.sampled_from("fmcv"), "date": st.dates()}
    return st.builds(cls, **{
        name: fixed[name] if name in fixed else drawn_of(one) for name, one in own.items()
    })


@settings(max_examples=60, deadline=None)
@given(st.one_of(values_of(RodTemplate), values_of(Process)))
def test_what_is_written_is_read_back_the_same(value):
    assert read_record(type(value), through_json(value)) == (value, [])


@settings(max_examples=60, deadline=None)
@given(values_of(Process))
def test_what_is_written_for_people_is_read_back_the_same(value):
    assert read_process_without_rules(process_toml(value)) == value


def read_process_without_rules(text):
    value, mistakes = read_file(Process, parse_toml(text, "p.toml").data)
    assert mistakes == []
    return value


def keys_in(keys, above=""):
    for name, entry in keys.items():
        inner = {k: e for cls in classes_of(entry) for k, e in file_keys(cls).items()}
        if entry.inside or inner:
            yield from keys_in(entry.inside or inner, f"{above}{name}.")
        else:
            yield f"{above}{name}"


def classes_of(entry):
    if get_origin(entry.kind) is tuple:
        return [one for one in get_args(entry.kind) if dataclasses.is_dataclass(one)]
    return entry.members


@pytest.mark.parametrize("cls", FILES, ids=lambda cls: cls.__name__)
def test_every_key_stands_in_its_table_with_its_meaning(cls):
    rows = dict(re.findall(r"`(\S+)` \| ([^|]*) \|", keys_table(cls)))
    same = {key.removesuffix("…"): told.split("`")[1].removesuffix("…")
            for key, told in rows.items() if key.endswith("…")}
    for key in keys_in(file_keys(cls)):
        told = key
        for alike, first in same.items():
            told = told.replace(alike, first, 1) if told.startswith(alike) else told
        assert rows[told].strip(), key


def test_the_table_says_in_which_order_a_process_scales_and_adds():
    table = keys_table(Process)
    assert "built length = length_scale · nominal + length_offset" in table
    assert "built diameter = middle of its limits + offset" in table


def test_every_mistake_of_a_record_is_told_and_nothing_unknown_is_taken():
    content = {**through_json(processes()["nominal"]), "colour": 3}
    content["plate"]["width_mm"] = "wide"
    del content["legibility"]["least_wall_mm"]
    value, mistakes = read_record(Process, content)
    assert value is None
    assert [(one.location, one.message) for one in mistakes] == [
        (("plate", "width_mm"),
         '= "wide" is not usable; allowed is a number in mm from 20 to 2000'),
        (("legibility", "least_wall_mm"), "is missing"),
        (("colour",), "is not a known key; known here are " + ", ".join(record_keys(Process))),
    ]
    with pytest.raises(InputError, match='^the process as recorded cannot be read: plate.width_mm'):
        from_record(Process, content, "process")


@pytest.mark.parametrize(
    "wrong", [True, float("nan"), float("inf"), "1", None, [1.0], 1e300, 10**400, -1]
)
def test_what_is_no_size_is_no_size(wrong):
    own = {"diameter_mm": 4.0, "flat_depth_mm": 1.0}
    assert read_record(RoundBar, own) == (RoundBar(4.0, 1.0), [])
    value, mistakes = read_record(RoundBar, {**own, "diameter_mm": wrong})
    assert value is None
    assert [one.location for one in mistakes] == [("diameter_mm",)]


def test_a_bar_without_a_kind_is_told_by_its_sizes():
    for name, bar in (("eye-eye-flat", FlatBar), ("ball-ball-round", RoundBar)):
        content = through_json(rod_templates()[name])
        assert "kind" not in content["body"]
        assert type(from_record(RodTemplate, content, "template").body) is bar


def test_a_field_may_be_none_only_where_its_type_says_so():
    for entry in entries(Grading):
        assert entry.optional is (NoneType in get_args(entry.kind) or entry.default is None)
        assert isinstance(entry.key, Key)
