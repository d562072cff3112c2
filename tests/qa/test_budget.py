"""The budget of a length: component by component, and against a model in another library."""

from __future__ import annotations

import dataclasses
import math

import pytest

from labkit.catalog.instruments import instruments
from labkit.catalog.rods import rod_templates
from labkit.core.gauging.ways_of_measuring import Method, Way, ways_of
from labkit.errors import InputError, RefusedError
from labkit.qa.decision.budget import length_budget, plain_budget
from labkit.qa.uncertainty import (
    Budget,
    Component,
    budget_from_json,
    coverage_factor,
    uniform,
)

CALLIPER = instruments()["example-calliper"]
MICROSCOPE = instruments()["example-microscope"]
ALPHA, LENGTH = 1e-4, 33.6


def way(template: str, method: str) -> Way:
    return next(w for w in ways_of(rod_templates()[template]) if w.method == method)


def of(budget: Budget) -> dict[str, float]:
    return {one.name: one.u_mm for one in budget.components}


def test_components_over_gauge_pins_worked_by_hand():
    budget = length_budget(CALLIPER, way("eye-eye-flat", "over"), LENGTH, 3, ALPHA)
    # Rod between the pins' outer sides: 33.6 + 2.475 − 2 · 2.5 = 31.075 mm.
    assert of(budget) == pytest.approx({
        "resolution": 0.01 / math.sqrt(12),
        "calibration": 0.010,
        "repeatability": 0.010 / math.sqrt(3),
        "room temperature": (1e-4 - 1.15e-5) * 31.075 * 3 / math.sqrt(3),
        "rod and gauge at different temperatures": 1e-4 * 31.075 * 1 / math.sqrt(3),
        "fittings": 0.035 / math.sqrt(3),
    })
    assert budget.combined_mm == pytest.approx(math.sqrt(sum(u**2 for u in of(budget).values())))
    assert [one.kind for one in budget.components] == ["B", "B", "A", "B", "B", "B"]


def second_opinion(method: str, template: str, n: int):
    """The length as a model of quantities, written from the physics, not from the budget."""
    from GTC import ureal

    chosen, tool = way(template, method), CALLIPER if method != "centres" else MICROSCOPE
    room, unlike = ureal(0, uniform(tool.temperature_c)), ureal(0, uniform(tool.difference_c))
    rod, scale = 1 + ALPHA * (room + unlike), 1 + tool.expansion_per_c * room
    step = tool.resolution_mm / math.sqrt(12)

    def reading(true, repeats, error):
        """One mean of readings; rounding does not average, repeatability does."""
        scatter = ureal(0, tool.repeatability_mm / math.sqrt(repeats), tool.repeatability_dof)
        return true / scale + error + ureal(0, step) + scatter

    def calibration():
        return ureal(0, tool.calibration_mm, tool.calibration_dof)

    pins = [2.5 * scale for _ in chosen.gauge_pins_mm]  # steel as the scale is
    play = ureal(0, uniform(float(chosen.play_mm))) if chosen.play_mm else 0
    shift = float(chosen.shift_mm)
    if method == "half-sum":
        error = calibration()  # one scale, one place: the same error twice
        over = (LENGTH - 2.5) * rod + sum(pins)
        between = (LENGTH + 2.5) * rod - sum(pins)
        return (reading(over, n, error) + reading(between, n, error)) / 2
    if method == "over-less-own":
        small = calibration()
        balls = [reading(4.0 * rod, 1, small) for _ in range(2)]  # measured once
        return reading((LENGTH + 4.0) * rod, n, calibration()) - (balls[0] + balls[1]) / 2
    sign = -1 if method == "between" else 1
    solid = LENGTH + shift - sign * 2.5 * len(pins)
    return reading(solid * rod + sign * sum(pins), n, calibration()) - shift - play


@pytest.mark.parametrize("n", [1, 3, 10])
@pytest.mark.parametrize(
    ("method", "template"),
    [
        ("over", "eye-eye-flat"), ("between", "eye-eye-flat"), ("half-sum", "eye-eye-flat"),
        ("ends", "eye-eye-flat"), ("centres", "eye-eye-flat"), ("over", "ball-ball-round"),
        ("over-less-own", "ball-ball-round"), ("centres", "ball-ball-round"),
    ],
)
def test_every_way_agrees_with_a_model_in_another_library(method, template, n):
    tool = MICROSCOPE if method == "centres" else CALLIPER
    ours = length_budget(tool, way(template, method), LENGTH, n, ALPHA)
    other = second_opinion(method, template, n)
    assert ours.combined_mm == pytest.approx(other.u, rel=2e-4)
    if method in ("half-sum", "over-less-own"):
        # The model takes each reading's standard deviation for an estimate of its own; it is one
        # estimate used twice, so that degrees of freedom do not add.
        assert ours.effective_dof < other.df
    else:
        assert ours.effective_dof == pytest.approx(other.df, abs=1 + 0.002 * other.df)


def test_more_readings_lessen_the_repeatability_alone():
    chosen = way("eye-eye-flat", "over")
    one, nine = (of(length_budget(CALLIPER, chosen, LENGTH, n, ALPHA)) for n in (1, 9))
    assert nine.pop("repeatability") == pytest.approx(one.pop("repeatability") / 3)
    assert nine == one


@pytest.mark.parametrize(
    ("method", "template", "times"),
    [("over", "eye-eye-flat", 1), ("half-sum", "eye-eye-flat", 1),
     ("over-less-own", "ball-ball-round", math.sqrt(2))],
)
def test_who_measures_enters_whole_however_often_one_reads(method, template, times):
    tool = dataclasses.replace(CALLIPER, reproducibility_mm=0.006, reproducibility_dof=2.0)
    for n in (1, 9):
        budget = length_budget(tool, way(template, method), LENGTH, n, ALPHA)
        (one,) = (c for c in budget.components if c.name == "reproducibility")
        assert (one.u_mm, one.dof, one.kind) == (pytest.approx(times * 0.006), 2.0, "A")
    bare = length_budget(CALLIPER, way(template, method), LENGTH, 9, ALPHA)
    assert budget.combined_mm == pytest.approx(math.hypot(bare.combined_mm, times * 0.006))
    assert "reproducibility" not in of(bare)


def test_gauge_pins_are_counted_once():
    """The play holds bores and pins: a way whose sizes cancel has no such component at all."""
    for method in ("half-sum", "centres"):
        tool = MICROSCOPE if method == "centres" else CALLIPER
        assert "fittings" not in of(
            length_budget(tool, way("eye-eye-flat", method), LENGTH, 3, ALPHA)
        )
    names = [c.name for c in length_budget(
        CALLIPER, way("eye-eye-flat", "over"), LENGTH, 3, ALPHA).components]
    assert names.count("fittings") == 1
    assert not any("pin" in name for name in names)


def test_an_instrument_is_not_used_for_what_it_does_not_serve():
    with pytest.raises(RefusedError, match='example-microscope does not measure "over"'):
        length_budget(MICROSCOPE, way("eye-eye-flat", "over"), LENGTH, 3, ALPHA)


@pytest.mark.parametrize(
    ("length", "readings", "alpha"),
    [(LENGTH, 0, ALPHA), (0, 3, ALPHA), (math.nan, 3, ALPHA), (LENGTH, 3, -1e-4),
     (LENGTH, 3, math.inf)],
)
def test_what_cannot_be_is_refused(length, readings, alpha):
    with pytest.raises(InputError):
        length_budget(CALLIPER, way("eye-eye-flat", "over"), length, readings, alpha)


def test_a_rod_that_does_not_expand_is_allowed():
    budget = length_budget(CALLIPER, way("eye-eye-flat", "over"), LENGTH, 3, 0.0)
    assert of(budget)["rod and gauge at different temperatures"] == 0
    assert of(budget)["room temperature"] == pytest.approx(1.15e-5 * 31.075 * 3 / math.sqrt(3))


def test_without_an_instrument_the_process_speaks():
    budget = plain_budget(0.01, way("eye-eye-flat", "over"))
    assert budget.combined_mm == pytest.approx(math.hypot(0.01, 0.035 / math.sqrt(3)))
    assert budget.effective_dof == math.inf
    assert budget.coverage_factor() == pytest.approx(1.959964, abs=5e-7)


def test_a_budget_comes_back_from_its_json():
    for template in ("eye-eye-flat", "ball-ball-round"):
        for chosen in ways_of(rod_templates()[template]):
            tool = MICROSCOPE if chosen.method is Method.CENTRES else CALLIPER
            budget = length_budget(tool, chosen, LENGTH, 3, ALPHA)
            assert budget_from_json(budget.to_json()) == budget


def test_degrees_of_freedom_are_cut_downwards():
    def dof(*pairs: tuple[float, float]) -> float:
        return Budget(tuple(Component("c", u, nu, "A", "") for u, nu in pairs)).effective_dof

    assert dof((1, 5)) == 5  # binary noise does not make it 4
    assert dof((1, 5), (1, 5)) == 10
    assert dof((1, 9), (0.3, math.inf)) == math.floor(9 * 1.09**2)
    assert dof((1, math.inf)) == math.inf
    assert dof((1, 0.4)) == 1


def test_a_uniform_distribution():
    """GUM 4.3.7."""
    assert uniform(1) == pytest.approx(1 / math.sqrt(3))
    with pytest.raises(InputError, match="half-width"):
        uniform(-1)


@pytest.mark.parametrize(
    ("u", "dof", "kind"),
    [(math.nan, 5, "A"), (-0.1, 5, "A"), (0.1, 0, "A"), (0.1, math.nan, "B"), (0.1, 5, "C")],
)
def test_a_component_is_a_number(u, dof, kind):
    with pytest.raises(InputError):
        Component("c", u, dof, kind, "")


def test_nothing_is_exact():
    with pytest.raises(InputError, match="no length is exact"):
        Budget(())
    with pytest.raises(InputError, match="no length is exact"):
        Budget((Component("c", 0.0, 5, "A", ""),))
    for field in ("resolution_mm", "calibration_mm", "repeatability_mm"):
        with pytest.raises(InputError, match="no instrument is exact"):
            dataclasses.replace(CALLIPER, **{field: 0.0})


@pytest.mark.parametrize(("dof", "probability"), [(0, 0.95), (math.nan, 0.95), (5, 1), (5, 0)])
def test_a_coverage_factor_needs_sense(dof, probability):
    with pytest.raises(InputError):
        coverage_factor(dof, probability)
