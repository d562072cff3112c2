"""The case sheet at the chair: the trial fit's boxes, the rods at home, and what warmth does."""

from __future__ import annotations

import pytest

from labkit.core.case.identifier import grouped
from labkit.documents import case_sheet
from tests.documents.pdfs import text_of
from tests.documents.samples import six_steps, unequal_hinged
from tests.documents.test_case_sheet import sheet


@pytest.mark.common_practice
def test_the_trial_fit_is_asked_for_with_the_rods_of_100_percent_if_the_set_has_them():
    spec, pdf = sheet(six_steps())
    last = spec["lengths"]["steps"][-1]
    both = f"({last['left']['label']} left, {last['right']['label']} right)"
    assert f"Trial fit, with the 100 % rods {both}" in " ".join(text_of(pdf).split())
    facts = case_sheet.facts(sheet(unequal_hinged())[0])
    furthest = facts["steps"][-1]
    assert facts["tried"]["percent"] == furthest["percent"]
    for side in ("left", "right"):
        assert facts["tried"][side].rstrip("LR") == furthest[side]
    assert facts["tried"]["percent"] != "100"


@pytest.mark.common_practice
def test_the_trial_fit_has_a_box_for_each_thing_that_can_be_told():
    text = " ".join(text_of(sheet(six_steps())[1]).split())
    assert "left meets too long by mm too short by mm right meets too long by mm too short" in text


def test_warmth_is_told_against_the_tolerance():
    """ΔL = α L ΔT: 1e-4 per °C, 34 mm, 17 °C give 0.0578 mm (recomputed)."""
    spec = sheet(six_steps())[0]
    facts = case_sheet.facts(spec)["warmth"]
    longest = max(float(part["length_mm"]) for part in spec["parts"])
    assert facts["growth"] == f"{1e-4 * longest * 17:.2f}"
    assert (facts["length"], facts["own"]) == (f"{longest:.1f}", "")
    own = {**spec, "process": {**spec["process"], "expansion_per_c": 7e-5}}
    told = case_sheet.facts(own)["warmth"]
    assert (told["own"], told["expansion"]) == ("yes", "70")
    assert told["growth"] == f"{7e-5 * longest * 17:.2f}"


def test_rods_at_home_are_listed_with_their_identifiers():
    spec, pdf = sheet(six_steps())
    text = text_of(pdf)
    for part in spec["parts"]:
        for use in part["uses"]:
            assert grouped(use["identifier"]) in text


def test_what_rods_within_tolerance_do_is_told_and_what_the_prescription_allows_more():
    spec = sheet(unequal_hinged())[0]
    worst = max(step["hold"]["sideways_mm"] for step in spec["lengths"]["steps"])
    told = dict(case_sheet.facts(spec)["about"])["Within tolerance"]
    assert told.endswith(f"and ±{worst:.2f} mm sideways at most")
    told = dict(case_sheet.facts(sheet(six_steps())[0])["about"])["Within tolerance"]
    assert told.endswith("mm forward at most; sideways is not known")
    allowed = unequal_hinged().replace("[grading]", "[grading]\nmost_sideways = 2.5")
    told = dict(case_sheet.facts(sheet(allowed)[0])["about"])["Within tolerance"]
    assert told.endswith("at most; the prescription allows ±2.5 mm sideways")
