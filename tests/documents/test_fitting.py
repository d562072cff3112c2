"""The case sheet at the chair: the trial fit's boxes, the rods at home, and what warmth does."""

from __future__ import annotations

import pytest

from labkit.core.case.identifier import grouped
from labkit.documents import case_sheet
from tests.documents.pdfs import text_of
from tests.documents.samples import six_steps, unequal_hinged
from tests.documents.test_case_sheet import sheet
from tests.support.prescriptions import changed


@pytest.mark.common_practice
def test_the_trial_fit_is_asked_for_with_the_rods_of_100_percent_if_the_set_has_them():
    spec, pdf = sheet(six_steps())
    last = spec["lengths"]["steps"][-1]
    both = f"step 6 ({last['left']['label']} left, {last['right']['label']} right)"
    assert f"Trial fit, with the 100 % rods of {both}" in " ".join(text_of(pdf).split())
    facts = case_sheet.facts(sheet(unequal_hinged())[0])
    furthest = facts["steps"][-1]
    assert facts["tried"]["percent"] == furthest["percent_made"].removesuffix(".0")
    for side in ("left", "right"):
        assert facts["tried"][side].rstrip("LR") == furthest[side]
    assert facts["tried"]["percent"] != "100"


@pytest.mark.common_practice
def test_the_trial_fit_has_a_box_for_each_thing_that_can_be_told():
    text = " ".join(text_of(sheet(six_steps())[1]).split())
    assert "left meets too long by mm too short by mm right meets too long by mm too short" in text
    assert "Rod tried, as engraved The pads touch on both sides" in text


def test_warmth_is_told_against_the_tolerance():
    """ΔL = α L ΔT: 1e-4 per °C, 34 mm, 17 °C give 0.0578 mm (recomputed)."""
    spec = sheet(changed(six_steps(), ("pin_distance = 33.6", "pin_distance = 28.0")))[0]
    facts = case_sheet.facts(spec)["warmth"]
    # ISO 2768-1 class f: ±0.1 up to 30 mm, ±0.15 above: 30.0 mm takes up more of its own.
    lengths = [float(part["length_mm"]) for part in spec["parts"]]
    most = max(lengths, key=lambda mm: mm / (0.1 if mm <= 30 else 0.15))
    assert most < max(lengths)
    assert facts["growth"] == f"{1e-4 * most * 17:.2f}"
    assert (facts["length"], facts["tolerance"]) == (f"{most:.1f}", "0.1")
    assert facts["own"] == ""
    own = {**spec, "process": {**spec["process"], "expansion_per_c": 7e-5}}
    told = case_sheet.facts(own)["warmth"]
    assert (told["own"], told["expansion"]) == ("yes", "70")
    assert told["growth"] == f"{7e-5 * most * 17:.2f}"


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
