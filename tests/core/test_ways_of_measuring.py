"""Ways of measuring: shifts against placed circles, limits against every corner of the sizes."""

from __future__ import annotations

import itertools
from dataclasses import replace
from decimal import Decimal

import pytest

from labkit.catalog.rods import rod_templates
from labkit.core.gauging.fitting_gauges import fittings_to_check
from labkit.core.gauging.ways_of_measuring import Method, Role, ways_of
from labkit.core.rod.fittings import PIN_TOLERANCE_MM, Ball, Crosspin, Eye
from labkit.core.rod.tolerances import fit_limits

TEMPLATES = rod_templates()
LENGTH, TOLERANCE = Decimal("33.6"), Decimal("0.15")
FITTED = {"eye": "bore_diameter_mm", "ball": "ball_diameter_mm", "crosspin": "pin_diameter_mm"}


def way(template, method):
    return next(way for way in ways_of(template) if way.method is method)


def extreme_sizes(fitting, tolerance=PIN_TOLERANCE_MM):
    """Give (gauge pin or nothing, fitting's size) at every corner of what is let through.

    A bore's pins let through more than its limits: what the go pin enters, up to a no-go pin.
    """
    if isinstance(fitting, Eye):
        pin = fitting.gauge_pin_mm
        pins = (pin, pin - tolerance)
        return [(one, bore) for one in pins for bore in (one, fitting.no_go_pin_mm)]
    size = fit_limits(fitting.fit, getattr(fitting, FITTED[fitting.kind]))
    return [(None, size.least_mm), (None, size.most_mm)]


def contact(pin, size, outside):
    """Outer or inner contact of one end from its centre, by moving a pin until it touches."""
    if pin is None:
        return size / 2
    play = (size - pin) / 2
    assert play >= 0, "the gauge pin does not enter"
    return pin / 2 - play if outside else -(play - pin / 2)


@pytest.mark.parametrize("name", TEMPLATES)
@pytest.mark.parametrize("method", [Method.OVER, Method.BETWEEN])
def test_every_shift_is_bounded_and_a_reading_outside_means_a_wrong_rod(name, method):
    template = TEMPLATES[name]
    ways = [one for one in ways_of(template) if one.method is method]
    if not ways:
        assert method is Method.BETWEEN
        assert isinstance(template.lower, Ball)
        return
    limits = ways[0].widened(LENGTH, TOLERANCE)
    sign = 1 if method is Method.OVER else -1
    shifts = []
    for lower, upper in itertools.product(
        extreme_sizes(template.lower), extreme_sizes(template.upper)
    ):
        shift = sign * (contact(*lower, sign > 0) + contact(*upper, sign > 0))
        shifts.append(shift)
        assert limits.lower_mm <= LENGTH - TOLERANCE + shift
        assert LENGTH + TOLERANCE + shift <= limits.upper_mm
    # Evenly about rods in the middle of everything: one of the ends is reached.
    off = [abs(shift - ways[0].shift_mm) for shift in (min(shifts), max(shifts))]
    assert max(off) == ways[0].play_mm


@pytest.mark.parametrize("tolerance", ["0.0005", "0.001", "0.008"])
def test_finer_or_coarser_gauge_pins_bound_the_shift_about_the_same_middle(tolerance):
    usual = way(TEMPLATES["eye-eye-flat"], Method.OVER)
    own = usual.with_pins(Decimal(tolerance))
    shifts = [
        contact(*lower, True) + contact(*upper, True) for lower, upper in itertools.product(*(
            extreme_sizes(end, Decimal(tolerance))
            for end in (TEMPLATES["eye-eye-flat"].lower, TEMPLATES["eye-eye-flat"].upper)
        ))
    ]
    assert own.shift_mm == usual.shift_mm  # as the forms have it
    assert max(abs(shift - own.shift_mm) for shift in shifts) == own.play_mm
    assert (own.play_mm < usual.play_mm) == (Decimal(tolerance) < PIN_TOLERANCE_MM)


def test_pins_change_no_way_that_takes_none_or_is_free_of_them():
    for method in (Method.HALF_SUM, Method.CENTRES, Method.ENDS):
        free = way(TEMPLATES["eye-eye-flat"], method)
        assert free.with_pins(Decimal("0.001")) == free


#: A bore 2.5 H10: 2.500 to 2.540 (ISO 286-1 table: IT10 of 1–3 mm is 40 µm), aimed at 2.520; its
#: go pin has 2.495 to 2.500, its no-go pin 2.545 to 2.550. In the middle of all, d − D/2 = 2.4975 −
#: 1.260 = 1.2375; the least is 2.495 − 2.550/2 = 1.220, the greatest, pin as large as bore, 1.250.
BORE = (Decimal("1.2375"), Decimal("0.0175"))


def test_the_arithmetic_of_two_pins_in_h10_bores_by_hand():
    over = way(TEMPLATES["eye-eye-flat"], Method.OVER)
    assert over.gauge_pins_mm == (Decimal("2.50"), Decimal("2.50"))
    assert (over.shift_mm, over.play_mm) == (2 * BORE[0], 2 * BORE[1])


def test_the_arithmetic_of_h10_balls_by_hand():
    """Balls 4 h10: 3.952 to 4.000 (ISO 286-1 table: IT10 of 3 to 6 mm is 48 µm)."""
    over = way(TEMPLATES["ball-ball-round"], Method.OVER)
    assert (over.least_shift_mm, over.most_shift_mm) == (Decimal("3.952"), Decimal("4.000"))


def test_the_arithmetic_of_an_f10_crosspin_by_hand():
    """Pin 3 f10: 2.954 to 2.994 (es −6 µm, IT10 40 µm); gauge pin 2.50 in 2.5 H10."""
    over = way(TEMPLATES["crosspin-eye-flat"], Method.OVER)
    assert (over.shift_mm, over.play_mm) == (
        Decimal("2.974") / 2 + BORE[0], Decimal("0.010") + BORE[1]
    )


@pytest.mark.parametrize("name", TEMPLATES)
def test_over_and_between_are_mirror_readings(name):
    ways = {one.method: one for one in ways_of(TEMPLATES[name])}
    if Method.BETWEEN in ways:
        assert ways[Method.OVER].shift_mm == -ways[Method.BETWEEN].shift_mm
        assert ways[Method.HALF_SUM].play_mm == 0


@pytest.mark.parametrize("name", TEMPLATES)
def test_exact_ways_carry_the_length_and_its_tolerance_unchanged(name):
    exact = [one for one in ways_of(TEMPLATES[name]) if one.play_mm == 0]
    assert {Method.CENTRES} < {one.method for one in exact}
    for one in exact:
        limits = one.widened(LENGTH, TOLERANCE)
        assert (limits.nominal_mm, limits.lower_mm, limits.upper_mm) == (
            LENGTH, LENGTH - TOLERANCE, LENGTH + TOLERANCE,
        )


@pytest.mark.parametrize("name", [n for n, t in TEMPLATES.items() if not isinstance(t.lower, Ball)])
def test_over_the_bosses_is_a_check_with_widened_limits(name):
    template = TEMPLATES[name]
    ends = ways_of(template)[-1]
    assert (ends.method, ends.role) == (Method.ENDS, Role.CHECK)
    limits = ends.widened(LENGTH, TOLERANCE)
    bosses = (template.lower.boss_diameter_mm + template.upper.boss_diameter_mm) / 2
    assert float(limits.nominal_mm) == pytest.approx(33.6 + bosses)
    # ISO 2768-1 class f: ±0.1 mm above 6 mm, ±0.05 mm from 3 to 6 mm.
    boss = 0.1 if template.lower.boss_diameter_mm > 6 else 0.05
    assert float(limits.upper_mm - limits.lower_mm) == pytest.approx(2 * (0.15 + boss))


@pytest.mark.parametrize("fit", ["H7", "H8", "H11", "JS9", "f7", "d9"])
@pytest.mark.parametrize("diameter", [1.5, 2.0, 2.5, 3.2])
def test_go_and_no_go_pins_stand_on_either_side_of_the_bore(fit, diameter):
    eye = Eye(diameter, 8.0, fit)
    template = replace(TEMPLATES["eye-eye-flat"], lower=eye, upper=eye)
    (check,) = fittings_to_check(template)
    assert check.what == "both bores"
    assert check.size.least_mm - Decimal("0.01") < check.go_pin_mm <= check.size.least_mm
    smallest_no_go = check.no_go_pin_mm - PIN_TOLERANCE_MM
    assert check.size.most_mm < smallest_no_go <= check.size.most_mm + Decimal("0.01")


def test_unlike_ends_are_checked_one_by_one():
    template = TEMPLATES["crosspin-eye-flat"]
    assert isinstance(template.lower, Crosspin)
    assert [check.what for check in fittings_to_check(template)] == ["lower crosspin", "upper bore"]


def test_titles_name_what_is_at_the_ends():
    titles = {name: ways_of(template)[0].title for name, template in TEMPLATES.items()}
    assert titles["eye-eye-flat"] == "over gauge pins in both bores"
    assert titles["ball-ball-round"] == "over both balls"
    assert titles["crosspin-eye-flat"] == "over the crosspin and the gauge pin in the bore"
