"""`labkit inspect`: parts of an inspection by any way, as many readings as were taken."""

from __future__ import annotations

import json

import pytest

from labkit.catalog.profiles import default_profile, profile_json, profile_of
from tests.cli.test_inspect import bench
from tests.support.inspection import SET

__all__ = ["bench"]
READINGS = ("reading_1_mm", "reading_2_mm", "reading_3_mm")


def test_ok_is_understood(bench):
    bench.form.every(fittings="ok", look="ok", result="ok")
    result = bench.run(bench.file(), "--by", "quinn")
    assert result.exit_code == 0, result.output
    assert {r.details["fittings"] for r in bench.readings()} == {"yes"}
    assert {tuple(r.details["look"]) for r in bench.readings()} == {()}


def test_what_the_form_says_against_a_rod_is_recorded_and_holds_it(bench):
    """The readings conform; whoever inspected it says that the rod does not."""
    bench.form.set(2, result="does not conform").set(4, result="undecided")
    told = json.loads(bench.run(bench.file(), "--by", "quinn", "--json").stdout)
    results = [rod["rod_result"] for rod in told["rods"]]
    assert results[:4] == ["does not conform", "conforms", "undecided", "conforms"]
    assert told["held"] == sorted(rod["identifier"] for rod in (told["rods"][0], told["rods"][2]))
    verdicts = [r.details.get("verdict") for r in bench.readings()]
    assert verdicts[:4] == ["does not conform", None, "undecided", None]


def test_as_many_readings_as_were_taken(bench):
    bench.form.columns += [f"reading_{k}_mm" for k in range(4, 8)]
    row = bench.form.rows[0]
    for k in range(4, 8):
        row[f"reading_{k}_mm"] = row["reading_1_mm"]
    result = bench.run(bench.file(), "--by", "quinn")
    assert result.exit_code == 0, result.output
    assert [len(r.details["readings_mm"]) for r in bench.readings()] == [7, *[3] * 9]


def test_more_readings_are_typed_in_one_line(bench):
    typed = "35.9\n38.40 38.39 38.41 38.40 38.39\nyes\nstop\n\nok\ny\n"
    result = bench.run("--by", "quinn", typed=typed)
    assert result.exit_code == 0, result.output
    (kept,) = bench.readings()
    assert kept.details["readings_mm"] == ["38.40", "38.39", "38.41", "38.40", "38.39"]


def test_a_slip_in_a_line_of_readings_is_asked_for_with_the_rest(bench):
    typed = "35.9\n38.40 383.9 38.41\n38.39 38.41\n\nyes\nstop\n\nok\ny\n"
    result = bench.run("--by", "quinn", typed=typed)
    assert result.exit_code == 0, result.output
    assert bench.readings()[0].details["readings_mm"] == ["38.40", "38.39", "38.41"]


def test_a_form_without_readings_tells_what_was_seen(bench, reports):
    """Lengths first, then label, fittings and look, each by a form of its own."""
    bench.form.every(label_read="", fittings="", look="")
    bench.run(bench.file(), "--by", "quinn")
    bench.form.every(**dict.fromkeys(READINGS, ""), fittings="yes", look="ok")
    for row in bench.form.rows:
        row["label_read"] = row["label"]
    result = bench.run(bench.file(), "--by", "lee")
    assert result.exit_code == 0, result.output
    assert reports[-1].sections[-1].heading == f"Set {SET}: conforms"
    assert "Every rod conforms; " in result.stdout
    assert sorted({r.quantity for r in bench.readings()}) == ["look", "over"]


def test_what_was_seen_is_typed_where_only_that_is_missing(bench):
    bench.form.every(label_read="", fittings="", look="")
    bench.run(bench.file(), "--by", "quinn")
    typed = "35.9\nyes\nstop\n\n1\nsmooth\ny\n"
    result = bench.run("--by", "lee", typed=typed)
    assert result.exit_code == 0, result.output
    assert "reading 1" not in result.stderr
    assert "is not smooth; reject the rod" in result.stdout
    (seen,) = (r for r in bench.readings() if r.quantity == "look")
    assert (seen.details["look"], seen.details["fittings"]) == (["smooth"], "yes")
    assert seen.details["measured_by"] == "lee"


@pytest.mark.parametrize(("words", "look"), [
    (("--look", "ok"), []), (("--look", "not smooth"), ["smooth"]), ((), None),
])
def test_one_word_on_the_look_of_all_rods(bench, words, look):
    bench.form.every(look="")
    bench.run(bench.file(), "--by", "quinn", *words)
    assert [r.details.get("look") for r in bench.readings()] == [look] * 10


def test_a_look_that_is_no_point_is_told(bench):
    result = bench.run(bench.file(), "--by", "quinn", "--look", "crack at the eye")
    assert result.exit_code == 2
    assert '"crack at the eye" is not one of whole, smooth, straight, clean; write' in result.stderr
    assert bench.readings() == []


def test_a_lab_looks_at_more_by_its_profile(bench, monkeypatch):
    """The set keeps the profile that it was made with."""
    kept = {**profile_json(default_profile()), "look": ["glossy"]}
    monkeypatch.setattr(
        "labkit.workflow.inspection.inspect.own_profile",
        lambda _: profile_of({"profile": kept}),
    )
    bench.form.set(2, look="not glossy, smooth").set(3, look="crack")
    result = bench.run(bench.file(), "--by", "quinn")
    assert result.exit_code == 2
    assert "is not one of whole, smooth, straight, clean, glossy" in result.stderr
    bench.form.set(3, look="ok")
    bench.run(bench.file(), "--by", "quinn")
    assert bench.readings()[0].details["look"] == ["glossy", "smooth"]
