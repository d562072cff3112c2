"""The label's place on each body, and every sentence said when a label does not fit or show."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from labkit.catalog.lettering import load_lettering
from labkit.catalog.processes import processes
from labkit.core.label.layout import lay_out
from labkit.core.label.place import (
    LabelSpace,
    check_label,
    excess_mm,
    label_space,
    remaining_wall_mm,
    require_fit,
)
from labkit.errors import LabelError
from tests.support.rods import ROWS, templates

LETTERING = load_lettering()
FLAT, PIN, ROUND = (
    templates()[name] for name in ("eye-eye-flat", "crosspin-eye-flat", "ball-ball-round")
)
PROCESS = processes()["nominal"]


def label(text="33.6", height=3.5, bar=False):
    return lay_out(LETTERING, text, bar, height)


def sentence(error):
    return str(error.value)


# --- the place


def test_on_a_flat_bar_it_lies_between_the_bores_and_the_rounded_edges():
    """33.6 − 2 × 1.25 wide (bores of 2.5), 6.5 − 2 × 0.5 high, in the middle."""
    assert label_space(FLAT, 33.6) == LabelSpace(pytest.approx(31.1), 5.5, 0.0, 0.0)


def test_a_thicker_pin_below_shifts_it_towards_the_upper_fitting():
    """Pin 3.0 with root 0.3 at −x, bore 2.5 at +x: 1.8 and 1.25 are kept out; middle at +0.275."""
    space = label_space(PIN, 20.0)
    assert space.width_mm == pytest.approx(20.0 - 1.8 - 1.25)
    assert space.center_x_mm == pytest.approx(0.275)


def test_on_a_round_bar_it_is_the_stadium_of_the_flat():
    """r = 3, f = 1.2: w² = 9 − 1.8² = 5.76, w = 2.4; domes end 2.6 + 3 from the balls' centres."""
    space = label_space(ROUND, 30.0)
    assert space.height_mm == pytest.approx(4.8)
    assert space.corner_radius_mm == pytest.approx(2.4)
    assert space.width_mm == pytest.approx(30.0 - 2 * 5.6 + 4.8)
    assert space.center_x_mm == 0.0


def test_fittings_of_another_bar_have_no_place():
    with pytest.raises(
        LabelError, match=r"^a ball has no place on this bar, so the label has none"
    ):
        label_space(replace(FLAT, lower=ROUND.lower), 30.0)


# --- the fit


def test_a_label_that_just_fits_is_taken():
    engraving = label()
    space = LabelSpace(engraving.width_mm + 0.8, engraving.depth_mm + 0.8, 0.0, 0.0)
    assert excess_mm(engraving, space, 0.4) == pytest.approx((0.0, 0.0), abs=1e-12)


def test_in_a_stadium_the_box_corner_keeps_its_margin_from_the_round():
    """At the limit the corner of the label's box is R − margin from the dome's centre."""
    engraving = label(height=2.5)
    wide, _ = excess_mm(engraving, LabelSpace(20.0, 4.8, 2.4, 0.0), 0.3)
    corner_x = (engraving.width_mm - wide) / 2
    assert math.hypot(corner_x - (10.0 - 2.4), engraving.depth_mm / 2) == pytest.approx(2.4 - 0.3)


def test_a_label_too_high_for_a_stadium_is_too_high():
    _, high = excess_mm(label(height=5.0), LabelSpace(40.0, 4.8, 2.4, 0.0), 0.3)
    assert high == pytest.approx(5.0 - 4.2)


@pytest.mark.parametrize("row", ROWS)
def test_the_widest_label_with_a_bar_fits_the_shortest_rod_of_every_row(row):
    template = templates()[row]
    text = "60.0R" if template.label.side_mark else "60.0"
    engraving = label(text, template.label.height_mm, bar=True)
    space = label_space(template, float(template.shortest_mm))
    assert max(excess_mm(engraving, space, template.label.margin_mm)) <= 0.0


# --- what is said


def test_too_wide_names_the_height_that_would_fit():
    """At 11 mm: 8.5 between the bores, 7.7 within the margins; 10.22 wide at 3.5, 7.3 at 2.5."""
    with pytest.raises(LabelError) as caught:
        require_fit(LETTERING, FLAT, label(), 11.0)
    assert sentence(caught) == (
        "label 33.6 at 3.5 mm height is 2.52 mm too wide for its place on eye-eye-flat of 11 mm; "
        "a height of 2.5 mm would fit"
    )


def test_too_wide_at_every_height_names_the_shortest_rod():
    """5.256 mm at 1.8 needs 8.556 between the fittings; at 3.5 mm the rod needs 13.52, so 13.6."""
    with pytest.raises(LabelError) as caught:
        require_fit(LETTERING, FLAT, label(), 8.0)
    assert sentence(caught) == (
        "label 33.6 at 3.5 mm height is 5.52 mm too wide for its place on eye-eye-flat of 8 mm; "
        "no height of the series fits; a rod of 13.6 mm or longer would"
    )
    require_fit(LETTERING, FLAT, label(), 13.6)


def test_too_wide_and_too_high_names_both():
    with pytest.raises(LabelError) as caught:
        require_fit(LETTERING, FLAT, label(height=10.0), 20.0)
    assert sentence(caught) == (
        "label 33.6 at 10 mm height is 12.50 mm too wide and 5.30 mm too high for its place on "
        "eye-eye-flat of 20 mm; a height of 3.5 mm would fit"
    )


def test_a_bar_too_low_for_any_label_says_so():
    low = replace(FLAT, body=replace(FLAT.body, height_mm=2.5))
    with pytest.raises(LabelError) as caught:
        require_fit(LETTERING, low, label(), 33.6)
    assert sentence(caught) == (
        "label 33.6 at 3.5 mm height is 2.80 mm too high for its place on eye-eye-flat of "
        "33.6 mm; no height of the series fits: choose a template with a higher bar"
    )


@pytest.mark.parametrize(
    ("limit", "value", "said"),
    [
        ("least_stroke_mm", 0.4, "stroke width is 0.35 mm, but process nominal needs at least 0.4"),
        ("least_depth_mm", 0.35, "depth is 0.3 mm, but process nominal needs at least 0.35"),
        ("least_height_mm", 5.0, "height is 3.5 mm, but process nominal needs at least 5"),
        ("least_wall_mm", 3.0, "remaining wall is 2.7 mm, but process nominal needs at least 3"),
    ],
)
def test_what_the_process_cannot_show_is_refused(limit, value, said):
    process = replace(PROCESS, legibility=replace(PROCESS.legibility, **{limit: value}))
    with pytest.raises(LabelError) as caught:
        check_label(LETTERING, FLAT, process, label(), 33.6)
    assert sentence(caught) == (
        f"label 33.6 on eye-eye-flat: its {said} mm; choose another template or process"
    )


def test_what_just_reaches_the_process_limits_is_taken():
    limits = replace(
        PROCESS.legibility, least_stroke_mm=0.35, least_depth_mm=0.3, least_height_mm=3.5,
        least_wall_mm=2.7,
    )
    check_label(LETTERING, FLAT, replace(PROCESS, legibility=limits), label(), 33.6)


def test_the_wall_under_a_round_bars_engraving():
    """6.0 − 1.2 − 0.3."""
    assert remaining_wall_mm(ROUND) == pytest.approx(4.5)
