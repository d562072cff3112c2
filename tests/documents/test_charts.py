"""Charts that people can read: names that fit, points that show, lines whose names keep apart."""

from __future__ import annotations

import inspect
import itertools
from decimal import Decimal

import numpy as np
import pytest

from labkit.documents.charts import calibration, canvas, gauge_charts, process_charts
from labkit.qa.gauge.anova import gauge_by_anova
from labkit.qa.gauge.look_at import Rod
from labkit.qa.gauge.study import Study
from labkit.qa.process import study as process_study
from labkit.qa.process.capability import Limits
from labkit.qa.process.control_chart import individuals
from labkit.qa.process.sample import Grouping, Sample


def study(parts, operators, trials=2):
    rng = np.random.default_rng(3)
    values = 30 + rng.normal(0, 0.01, (len(parts), len(operators), trials))
    return Study(tuple(parts), tuple(operators), tuple(
        tuple(tuple(Decimal(f"{v:.3f}") for v in cell) for cell in part) for part in values
    ))


def drawn(figure):
    """Lay a chart out as it is written; a layout that does not fit warns, and that is an error."""
    assert canvas.png_of(figure)
    return figure


def ticks(axis):
    return [label.get_text() for label in axis.get_ticklabels()]


def test_every_chart_is_drawn_in_the_house_style():
    for module in (calibration, gauge_charts, process_charts):
        for name, made in inspect.getmembers(module, inspect.isfunction):
            own = made.__module__ == module.__name__
            if own and made.__annotations__.get("return") == "Figure":
                assert hasattr(made, "__wrapped__"), f"{module.__name__}.{name}"


LONG = [f"coupon of the plate of {'spring' * 6} {number}" for number in range(12)]


def test_long_names_leave_the_chart_its_room():
    named = study(LONG, ["Wilhelmina " * 6 + "A", "Wilhelmina " * 6 + "B"])
    figure = drawn(gauge_charts.readings_chart(named))
    assert all(axes.get_position().height > 0.25 for axes in figure.axes)
    assert all(axes.get_position().width > 0.7 for axes in figure.axes)


def test_cut_names_of_parts_still_tell_them_apart():
    figure = gauge_charts.readings_chart(study(LONG, ["anna", "ben"]))
    names = ticks(figure.axes[0].xaxis)
    assert len(set(names)) == 12
    assert [name.partition("…")[2] for name in names] == [name[-8:] for name in LONG]
    alike = [f"{number} of {'spring' * 9} plate" for number in (10**12 + n for n in range(3))]
    figure = gauge_charts.readings_chart(study([f"sample {a}" for a in alike], ["anna", "ben"]))
    assert ticks(figure.axes[0].xaxis) == ["1", "2", "3"]
    assert figure.axes[0].get_xlabel() == "rod, by its place in the file"


def test_single_readings_can_be_seen_and_operators_told_apart():
    figure = gauge_charts.readings_chart(study("123", [f"op{n}" for n in range(12)]))
    dots = [line for line in figure.axes[0].lines if line.get_label().startswith("op")]
    assert len({(line.get_color(), line.get_marker()) for line in dots}) == 12
    assert {line.get_markersize() for line in dots} == {5.0}
    assert {line.get_markeredgecolor() for line in dots} == {canvas.INK}


@pytest.mark.parametrize("far", [0.0, 9.0, 400.0])
def test_the_names_of_limits_do_not_touch(far):
    values = np.random.default_rng(5).normal(0, 0.01, 300)
    values[200] += far
    names = tuple(f"line {n}" for n in range(300))
    sample = Sample("length", "mm", tuple(values), names, None)
    figure = process_charts.individuals_chart(sample, individuals(values))
    drawn(figure)
    for axes in figure.axes:
        boxes = sorted((t.get_window_extent() for t in axes.texts), key=lambda box: box.y0)
        assert len(boxes) >= 2
        assert all(low.y1 <= high.y0 + 0.5 for low, high in itertools.pairwise(boxes))


def test_long_names_of_groups_leave_the_comparison_its_room():
    marks = tuple(f"lot {'of spring ' * 8}{n % 2}" for n in range(20))
    names = tuple(map(str, range(20)))
    sample = Sample("x" * 300, "", tuple(range(20)), names, None)
    figure = drawn(process_charts.comparison(sample, Grouping("lot", marks)))
    (axes,) = figure.axes
    assert axes.get_position().width > 0.6
    assert len(set(ticks(axes.yaxis))) == 2
    assert len(axes.get_xlabel()) == 80


def test_readings_are_drawn_less_the_mean_of_their_part():
    values = [[[30.0, 30.2], [30.1, 30.1]], [[35.0, 35.0], [35.3, 35.5]], [[33, 33], [33, 33.4]]]
    made = Study(("1", "2", "3"), ("anna", "ben"), tuple(
        tuple(tuple(Decimal(str(v)) for v in cell) for cell in part) for part in values
    ))
    figure = gauge_charts.readings_chart(made)
    lines = {line.get_label(): line.get_ydata() for line in figure.axes[0].lines}
    assert lines["anna"] == pytest.approx([-0.1, 0.1, -0.2, -0.2, -0.1, -0.1])
    assert lines["ben"] == pytest.approx([0.0, 0.0, 0.1, 0.3, -0.1, 0.3])


def test_a_ring_stands_around_what_to_look_at():
    made = study("123", ["anna", "ben"])
    odd = (Rod("2", "ben", 0.03, "readings too far apart"),)
    (axes,) = gauge_charts.readings_chart(made, odd).axes
    rings = [line for line in axes.lines if line.get_markerfacecolor() == "none"]
    x = made.array()
    ringed = [value for line in rings for value in line.get_ydata()]
    assert ringed == pytest.approx(list(x[1, 1] - x[1].mean()))


def test_the_bar_of_the_variance_reaches_100_percent():
    result = gauge_by_anova(study("12345", ["anna", "ben"]), 0.15)[0]
    above, below = drawn(gauge_charts.shares_chart(result)).axes
    bars = above.patches
    assert [bar.get_x() for bar in bars[1:]] == pytest.approx(
        [bar.get_x() + bar.get_width() for bar in bars[:-1]]
    )
    assert bars[-1].get_x() + bars[-1].get_width() == pytest.approx(100)
    assert [label.get_text() for label in below.get_yticklabels()] == [
        "same person, same rod", "another person adds", "the gauge together",
    ]


def test_the_gauges_share_of_the_spread_ends_at_100_percent_and_a_poor_gauge_is_in_the_picture():
    made = study("12345", ["anna", "ben"], 3)
    below = gauge_charts.shares_chart(gauge_by_anova(made)[0]).axes[1]
    assert max(max(line.get_xdata()) for line in below.lines) <= 100
    below = gauge_charts.shares_chart(gauge_by_anova(made, 0.01)[0]).axes[1]
    points = [line.get_xdata()[0] for line in below.lines if line.get_marker() == "o"]
    assert max(points) > 200
    assert below.get_xlim()[1] > max(points)


def test_the_normal_curve_has_the_area_of_the_bars():
    values = np.random.default_rng(1).normal(10, 0.1, 200)
    names = tuple(map(str, range(200)))
    sample = Sample("length", "mm", tuple(values), names, Limits(9.0, 11.0))
    (axes,) = process_charts.values_chart(process_study.study(sample)).axes
    bars = sum(bar.get_height() * bar.get_width() for bar in axes.patches)
    curves = [line for line in axes.lines if str(line.get_label()).startswith("normal")]
    assert len(curves) == 1
    for curve in curves:
        assert np.trapezoid(curve.get_ydata(), curve.get_xdata()) == pytest.approx(bars, rel=1e-3)
