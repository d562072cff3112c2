"""Readings at other temperatures than 20 °C: corrected, covered by the room, or refused."""

from __future__ import annotations

import dataclasses
import datetime
from decimal import Decimal

import pytest

from labkit.catalog.instruments import instruments
from labkit.catalog.rods import rod_templates
from labkit.core.gauging.ways_of_measuring import Method, ways_of
from labkit.errors import RefusedError
from labkit.qa.decision.bench import Bench, Place
from labkit.qa.decision.budget import DIFFERENCE, ROOM, length_budget
from labkit.qa.decision.conformance import Result
from labkit.qa.decision.readings import Expected, RodReadings
from labkit.qa.decision.temperature import EXPANSION, THERMOMETER, correction_of

BARE = instruments()["example-micrometer"]
TOOL = dataclasses.replace(BARE, thermometer_c=0.3)
CALLIPER = dataclasses.replace(instruments()["example-calliper"], thermometer_c=0.3)
ALPHA, U_ALPHA = 1e-4, 4e-6
WAYS = {way.method: way for way in ways_of(rod_templates()["eye-eye-flat"])}
#: Two gauge pins of steel, as the scale is.
PIN_MM = 2.5


def test_the_end_gauge_of_the_gum():
    """JCGM 100:2008, H.1, table H.1: a gauge of 50 mm at 19.9 °C, both of steel."""
    steel = dataclasses.replace(
        TOOL, methods=(Method.CENTRES,), expansion_per_c=11.5e-6, expansion_u_per_c=0.0,
        difference_c=0.05, thermometer_c=0.41,
    )
    own = correction_of(steel, 19.9, 11.5e-6, 0.58e-6)
    assert own.change_mm(50.000838) == 0  # alike in expansion: l = l_S + d
    budget = length_budget(steel, WAYS[Method.CENTRES], 50.000623, 1, 11.5e-6, own)
    nm = {one.name: one.u_mm * 1e6 for one in budget.components}
    assert nm[EXPANSION] == pytest.approx(2.9, abs=0.05)  # l_S θ u(δα)
    assert nm[DIFFERENCE] == pytest.approx(16.6, abs=0.05)  # l_S α_S u(δθ)
    assert nm[THERMOMETER] == 0  # of second order
    assert ROOM not in nm


@pytest.mark.parametrize("celsius", [5, 15, 18.5, 24, 30, 38])
def test_a_length_comes_back_by_the_equation_of_the_gum(celsius):
    """Equation (H.1): l (1 + α θ) = l_S (1 + α_S θ_S), the scale showing l_S."""
    theta = celsius - 20
    shown = 33.6 * (1 + ALPHA * theta) / (1 + TOOL.expansion_per_c * theta)
    own = correction_of(TOOL, celsius, ALPHA, U_ALPHA)
    assert shown + own.change_mm(shown) == pytest.approx(33.6, abs=1e-12)


def reading(true_mm: float, celsius: float, method: Method, scale_per_c: float) -> Decimal:
    """What the instrument shows: the rod grows with its plastic, pins and scale with their steel.

    The half-sum of over and between has neither pins nor bores in it.
    """
    theta, pins = celsius - 20, 0.0 if method is Method.HALF_SUM else 2 * PIN_MM
    solid = true_mm + float(WAYS[method].shift_mm) - pins
    shown = solid * (1 + ALPHA * theta) / (1 + scale_per_c * theta) + pins
    return Decimal(repr(round(shown, 6)))


def bench(length="33.6", tolerance="0.1", u=U_ALPHA):
    rod = Expected("4829173065", 1, "left", length, "", Decimal(length), Decimal(tolerance))
    place = Place(rod, 1, 1, 0.01, ALPHA, u)
    return Bench("QF-1043", "QF-1043-r1", (place,), tuple(WAYS.values()), Method.OVER,
                 datetime.date(2031, 3, 14))


def measured(true_mm, celsius, tool=TOOL, method=Method.OVER, **of):
    readings = (reading(true_mm, celsius, method, tool.expansion_per_c),) * 3
    return bench(**of).measured(RodReadings(
        "4829173065", method, readings, instrument=tool, temperature_c=celsius
    ))


@pytest.mark.parametrize("method", [Method.OVER, Method.HALF_SUM])
@pytest.mark.parametrize("off", [-0.2, -0.14, -0.05, 0.0, 0.05, 0.14, 0.2])
@pytest.mark.parametrize("celsius", [15, 17, 22.5, 26, 30])
def test_rods_measured_from_15_to_30_are_decided_as_at_20(celsius, off, method):
    tool = TOOL if method is Method.OVER else CALLIPER
    warm = measured(33.6 + off, celsius, tool, method)
    at_20 = measured(33.6 + off, 20, tool, method)
    assert warm.length_mm == pytest.approx(at_20.length_mm, abs=2e-6)
    assert warm.result is at_20.result
    assert warm.u_mm >= at_20.u_mm


def test_a_short_rod_does_not_pass_warm():
    """Truly 0.110 too short of ± 0.1: 38 °C make it 0.05 mm longer."""
    warm = measured(33.6 - 0.110, 38)
    assert warm.length_mm == pytest.approx(33.49, abs=1e-5)
    assert warm.result is not Result.CONFORMS
    assert not warm.decision.acceptance.lower_mm <= warm.length_mm


def test_the_correction_takes_the_place_of_the_room():
    names = [one.name for one in measured(33.6, 20).budget.components]
    assert ROOM not in names
    assert names[3:6] == [THERMOMETER, EXPANSION, DIFFERENCE]
    told = {one.name: one.basis for one in measured(33.6, 30).budget.components}
    assert told[THERMOMETER] == (
        "30 °C, standard uncertainty 0.3 °C; corrected to 20 °C by -0.0275 mm"
    )
    assert told[EXPANSION] == "100 µm a metre and °C, standard uncertainty 4.176"


@pytest.mark.parametrize(("tool", "u"), [(BARE, U_ALPHA), (TOOL, None), (None, U_ALPHA)])
def test_what_is_not_covered_is_refused(tool, u):
    """No thermometer, the expansion of a common plastic, or no instrument: nothing is corrected."""
    inside = correction_of(tool, 23, ALPHA, u)
    assert inside is None
    whose = "example-micrometer" if tool else "the usual gauge of the process"
    with pytest.raises(RefusedError) as caught:
        correction_of(tool, 23.5, ALPHA, u)
    assert str(caught.value) == (
        f"23.5 °C is not covered: the uncertainty of {whose} is for 20 ± 3 °C; a reading is "
        "corrected to 20 °C if the instrument's file gives [temperature] thermometer, and the "
        "process's file expansion_per_c and expansion_uncertainty_per_c; else let rod and gauge "
        "come to 20 °C and measure again"
    )


def test_no_temperature_is_no_correction():
    assert correction_of(TOOL, None, ALPHA, U_ALPHA) is None
