"""What a study says in sentences, each where it belongs and nowhere else."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from labkit.documents import process_words as words
from labkit.documents.charts import canvas
from labkit.documents.charts.process_charts import (
    comparison,
    indices_chart,
    individuals_chart,
    probability,
    values_chart,
)
from labkit.errors import InputError
from labkit.qa.process.capability import Limits
from labkit.qa.process.sample import Grouping, Sample, difference_chance, group_lines
from labkit.qa.process.study import chart_findings, study


def normal(n, mean=0.0, sd=1.0):
    """Values with exactly the quantiles of a normal distribution, in a shuffled order."""
    values = mean + sd * stats.norm.ppf((np.arange(1, n + 1) - 0.5) / n)
    return np.random.default_rng(n).permutation(values)


def sample(values, limits=(-5, 5, 0), **own):
    names = tuple(f"line {n}" for n in range(2, len(values) + 2))
    return Sample("size", "mm", tuple(map(float, values)), names, Limits(*limits), **own)


def findings(values, limits=(-5, 5, 0), **own):
    return "\n".join(study(sample(values, limits, **own)).findings)


def test_few_values():
    assert "only 20 values: the true Ppk may lie anywhere" in findings(normal(20))
    assert "60 values: the true Ppk may lie" in findings(normal(60))
    assert "the true Ppk" not in findings(normal(120))
    assert "cannot be seen from two values" in findings([0.0, 0.5])


def test_from_three_values_on_there_is_a_chart():
    assert study(sample([0.0, 0.5])).chart is None
    assert len(study(sample([0.0, 0.5, 0.2])).chart.values) == 3


@pytest.mark.parametrize(("count", "few"), [(29, True), (30, False)])
def test_a_chart_of_few_values_says_so(count, few):
    made = sample(normal(count))
    told = " ".join(chart_findings(made, study(made).chart))
    assert (f"only {count} values: the limits themselves are uncertain" in told) is few


RESTLESS = [0.5, -0.6, 0.4, -0.5, 0.6, -0.4]
RISING = [-0.5, -0.3, -0.1, 0.1, 0.3, 0.5]


@pytest.mark.parametrize(("values", "told"), [
    ([*RESTLESS * 4, *RISING, *RESTLESS * 4],
     "the chart of 54 values shows 1 signal, at line 31:"),
    ([*RESTLESS * 4, *RISING, *RESTLESS * 4, *RISING, -0.5],
     "the chart of 61 values shows 2 signals, the first at line 31:"),
])
def test_signals_are_counted_and_the_first_is_named(values, told):
    """Trends of six points, each named by the one that completes it."""
    made = sample(values)
    assert told in chart_findings(made, study(made).chart)[0]


def test_a_tolerance_that_is_not_kept():
    told = findings(normal(120), (-1.5, 1.5, 0))
    assert "the process does not keep these limits" in told
    assert "measured values lie outside the limits (8 too low, 8 too high)" in told
    assert "is not shown" in findings(normal(40), (-3.2, 3.2, 0))
    assert "limits" not in findings(normal(120))


def test_values_that_are_not_normal_get_the_percentile_method_beside():
    skewed = np.random.default_rng(1).permutation(stats.expon.ppf((np.arange(80) + 0.5) / 80))
    told = findings(skewed, (None, 9.0))
    assert "do not follow a normal distribution (Anderson–Darling p below 0.001, long" in told
    assert "the percentile method gives Ppk" in told
    assert "with 80 values its outer percentiles are the outermost values" in told
    rows = words.index_table(study(sample(skewed, (None, 9.0)))).texts
    assert rows[-1][0] == "Ppk"
    assert rows[-1][3] == "percentiles, at best"
    normally = words.index_table(study(sample(normal(80))))
    assert all("percentiles" not in basis for basis in normally.cells("rests on"))


def test_a_level_beside_the_aim_and_a_level_that_moves():
    assert "the mean lies 1 mm above the aim; centred, Ppk would be" in findings(normal(100, 1.0))
    assert "below the aim" in findings(normal(100, -1.0))
    assert "the aim" not in findings(normal(100))
    moving = np.concatenate([normal(40, level) for level in (0, 3, -1)])
    told = findings(moving, (-20, 20, 0))
    assert "times as wide as from one to the next: the level moves" in told


def test_groups_that_differ():
    lots = Grouping("material lot", ("a",) * 30 + ("b",) * 30)
    apart = [*normal(30, 0.0), *normal(30, 1.5)]
    assert "the means differ by material lot (p below 0.001)" in findings(apart, groupings=(lots,))
    assert "differ by" not in findings(normal(60), groupings=(lots,))
    assert [line.n for line in group_lines(apart, lots)] == [30, 30]
    assert difference_chance([1.0, 2.0], Grouping("lot", ("a", "b"))) is None
    alone, two = group_lines([1.0, 2.0, 3.0], Grouping("lot", ("a", "b", "b")))
    assert (alone.n, alone.sd) == (1, None)
    assert two.sd == pytest.approx(0.5**0.5)
    assert difference_chance([1.0, 2.0], Grouping("lot", ("a", "a"))) is None


def test_the_gauges_share():
    assert "measuring makes up 25 % of the variance" in findings(normal(100), uncertainty=0.498)
    assert "as large as the whole spread" in findings(normal(100), uncertainty=2.0)
    assert "as large as the whole spread" in findings(normal(100), uncertainty=1.1)
    assert "as large as the whole spread" not in findings(normal(100), uncertainty=0.9)
    assert "measuring" not in findings(normal(100), uncertainty=0.1)
    told = words.gauge_words(study(sample(normal(100), uncertainty=0.25)))
    assert "25 % of the standard deviation, 6 % of the variance" in told
    assert words.gauge_words(study(sample(normal(100)))) is None
    assert words.risk_words(study(sample(normal(100), uncertainty=2.0))) is None
    coarse = words.risk_words(study(sample(3 * normal(100), (-1, 1, 0), uncertainty=0.9)))
    assert coarse == "With this gauge there is no acceptance zone: no piece could be released."


def test_a_coarse_gauge():
    assert "only 3 different amounts" in findings(np.round(normal(60, 0, 0.5)))


def test_notes_of_the_data_come_last():
    assert study(sample(normal(120), notes=("as read",))).findings[-1] == "as read"
    made = sample(normal(10), notes=("as read",))
    assert chart_findings(made, study(made).chart)[-1] == "as read"


def test_samples_that_are_not_whole():
    with pytest.raises(InputError, match="needs a name and a group"):
        sample([1.0, 2.0], groupings=(Grouping("lot", ("a",)),))
    with pytest.raises(InputError, match="finite"):
        sample([1.0, float("nan")])
    with pytest.raises(InputError, match="needs limits"):
        study(Sample("size", "mm", (1.0, 2.0), ("a", "b"), None))


def test_how_many_lie_outside_is_asked_in_the_words_of_the_lab():
    made = sample(normal(59), (-1.5, 2.0), ends=("too short", "too long"))
    found = study(made)
    table = words.outside_table(found)
    assert table.cells("") == ("too short", "too long", "either")
    counted = [sum(v < -1.5 for v in made.values), sum(v > 2.0 for v in made.values)]
    assert table.cells("as counted") == tuple(
        f"{count} of 59" for count in (*counted, sum(counted))
    )
    data = words.outside_data(found)
    sd = found.capability.total.spread.sd
    assert data["as_delivered"]["under"] == pytest.approx(
        stats.norm.cdf(-1.5, found.capability.mean, sd)
    )
    assert data["as_delivered"]["either"] == pytest.approx(
        data["as_delivered"]["under"] + data["as_delivered"]["over"]
    )
    assert data["if_steady"]["over"] == pytest.approx(
        stats.norm.sf(2.0, found.capability.mean, found.capability.inherent.spread.sd)
    )
    assert words.outside_data(study(sample([1.0, 2.0])))["if_steady"] is None
    assert words.spread_words(found)[1].startswith("Total spread: standard deviation ")


def test_words_of_the_tolerance_interval():
    both = words.interval_words(study(sample(normal(50))))
    assert both.startswith("With 95 % confidence, at least 99 % of all rods lie between −")
    assert "lie below" in words.interval_words(study(sample(normal(50), (None, 5))))
    assert "lie above" in words.interval_words(study(sample(normal(50), (-5, None))))


def test_charts_show_what_they_are_made_of():
    lots = Grouping("material lot", tuple(f"lot {n % 20}" for n in range(60)))
    made = sample([*normal(59), 6.0], groupings=(lots,))
    found = study(made)
    heights = [patch.get_height() for patch in values_chart(found).axes[0].patches]
    assert sum(heights) == 60
    rows = words.index_rows(found)
    (axes,) = indices_chart(rows).axes
    points = [line.get_xdata()[0] for line in axes.lines if line.get_marker() == "o"]
    bars = [tuple(line.get_xdata()) for line in axes.lines if line.get_linewidth() == 5]
    assert points == [value for _, value, _, _ in rows]
    assert bars == [(e.lower, e.upper) for _, _, e, _ in rows if e is not None]
    (upper, lower) = individuals_chart(made, found.chart).axes
    assert list(upper.lines[0].get_ydata()) == list(made.values)
    assert list(lower.lines[0].get_ydata()) == list(found.chart.moving_ranges)
    squares = next(line for line in upper.lines if line.get_marker() == "s")
    assert 60 in squares.get_xdata()
    points = next(line for line in probability(found).axes[0].lines if line.get_marker() == "o")
    assert list(points.get_xdata()) == sorted(made.values)
    labels = [text.get_text() for text in comparison(made, lots).axes[0].get_yticklabels()]
    assert labels[0] == "lot 0 (n = 3)"
    assert len(labels) == 16


@pytest.mark.parametrize("values", [[0.0, 1.0], [0.0, 0.0, 0.0, 1e-6], [1e6, 2e6, 1.5e6, 1.2e6]])
def test_charts_of_odd_samples_can_be_drawn(values):
    made = sample(values, (-1, 3e6))
    found = study(made)
    assert canvas.svg_of(values_chart(found)).startswith(b"<?xml")
    assert canvas.svg_of(probability(found)).startswith(b"<?xml")


def test_the_chance_of_groups_that_differ_is_that_of_one_way_analysis():
    parts = [normal(9), normal(14, 0.4), normal(3, -0.2, 2.0), normal(1)]
    marks = tuple(mark for mark, part in zip("abcd", parts, strict=True) for _ in part)
    expected = stats.f_oneway(*parts).pvalue
    found = difference_chance(np.concatenate(parts), Grouping("lot", marks))
    assert found == pytest.approx(expected, rel=1e-10)


@pytest.mark.parametrize(("mean", "nearer"), [(0.5, "upper"), (-0.5, "lower")])
def test_the_nearer_limit_is_named(mean, nearer):
    table = words.index_table(study(sample(normal(50, mean))))
    told = dict(zip(table.cells("index"), table.cells("rests on"), strict=True))
    assert told["Ppk"] == f"total spread, {nearer} limit nearer"
    assert told["Cpk"] == f"inherent spread, {nearer} limit nearer"
