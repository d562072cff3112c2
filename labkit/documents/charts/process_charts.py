"""Charts of a process: values and limits, indices, values in order, groups side by side."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from labkit.documents.charts.canvas import (
    ALERT,
    GREY,
    INK,
    MAIN,
    SMALL_PT,
    TINT,
    head,
    house_style,
    key,
    level,
    new_chart,
    short,
)
from labkit.documents.figures import fixed
from labkit.qa.least_squares import Estimate
from labkit.qa.process.capability import Limits
from labkit.qa.process.control_chart import Individuals
from labkit.qa.process.normality import probability_plot
from labkit.qa.process.sample import Grouping, Sample, group_lines
from labkit.qa.process.study import Study

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: Shares of a population that stand at the side of a probability plot, in percent.
_SHARES = (0.1, 1, 5, 20, 50, 80, 95, 99, 99.9)
#: More groups than this would not be told apart.
MOST_GROUPS = 16
#: Longer names of columns and of groups are cut.
_LONGEST_AXIS, _LONGEST_HEAD, _LONGEST_GROUP = 80, 44, 30
#: Lines closer than this share of a panel have their names moved apart, so many points.
_CLOSE, _APART_PT = 0.12, 10.0


def decimals_of(spread: float) -> int:
    """Give the decimals that show a spread with two digits.

    >>> decimals_of(0.034), decimals_of(12.0)
    (3, 0)
    """
    return max(0, 1 - math.floor(math.log10(spread))) if spread > 0 else 3


def axis_words(sample: Sample) -> str:
    """Name what a sample's values are, with their unit."""
    return f"{sample.title}, {sample.unit}" if sample.unit else sample.title


def _along(axes: Axes, sample: Sample) -> None:
    axes.set_xlabel(short(axis_words(sample), _LONGEST_AXIS))


@house_style()
def values_chart(study: Study) -> Figure:
    """Draw the values, one normal curve of their total spread, and what of it lies outside."""
    sample, found = study.sample, study.capability
    figure, (axes,) = new_chart(62)
    edges = _bins(sample.values)
    axes.hist(sample.values, bins=list(edges), color=TINT, edgecolor="white")
    low, high = _reach(sample.values, found.limits)
    x = np.linspace(low, high, 400)
    sd, scale = found.total.spread.sd, found.n * float(edges[1] - edges[0])
    bell = scale * np.exp(-(((x - found.mean) / sd) ** 2) / 2) / math.sqrt(2 * math.pi) / sd
    axes.plot(x, bell, color=INK, linewidth=1.0, marker="", label="normal curve, total spread")
    for beyond in (
        None if found.limits.lower is None else x <= found.limits.lower,
        None if found.limits.upper is None else x >= found.limits.upper,
    ):
        if beyond is not None:
            axes.fill_between(x, 0, bell, where=list(beyond), color=ALERT, linewidth=0)
    _upright_limits(axes, found.limits, decimals_of(sd))
    axes.set_xlim(low, high)
    _along(axes, sample)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    return figure


@house_style()
def indices_chart(rows: Sequence[tuple[str, float, Estimate | None, str]]) -> Figure:
    """Draw indices as points with their intervals as bars."""
    figure, (axes,) = new_chart(20 + 7 * len(rows))
    axes.axvline(1.0, color=ALERT, linewidth=1.1, linestyle=(0, (5, 3)))
    ends = [0.0, 1.4]
    for row, (_, value, interval, _) in enumerate(rows):
        if interval is not None:
            axes.plot((interval.lower, interval.upper), (row, row), color=MAIN, linewidth=5,
                      alpha=0.35, marker="", solid_capstyle="butt")
            ends += [interval.lower, interval.upper]
        ends.append(value)
        axes.plot([value], [row], color=MAIN, marker="o", markersize=6, linestyle="")
    axes.set_yticks(range(len(rows)), [name for name, *_ in rows])
    axes.set_ylim(len(rows) - 0.4, -0.6)
    axes.set_xlim(min(ends) - 0.02, 1.05 * max(ends))
    axes.grid(visible=False)
    axes.grid(visible=True, axis="x", color=TINT, linewidth=0.4)
    axes.set_xlabel("index; bar: 95 % interval; dashed: 3 standard deviations just fit")
    return figure


def _bins(values: Sequence[float]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Give edges of equal bins, as Freedman and Diaconis do, five at least and forty at most."""
    x = np.asarray(values, float)
    width = 2.0 * float(np.subtract(*np.percentile(x, [75, 25]))) / len(x) ** (1 / 3)
    reach = float(np.ptp(x))
    count = 5 if width <= 0 else min(40, max(5, math.ceil(reach / width)))
    return np.linspace(float(x.min()), float(x.max()), count + 1)


def _reach(values: Sequence[float], limits: Limits | None) -> tuple[float, float]:
    ends = [*values]
    if limits is not None:
        ends += [end for end in (limits.lower, limits.upper) if end is not None]
    room = 0.07 * (max(ends) - min(ends))
    return min(ends) - room, max(ends) + room


def _upright_limits(axes: Axes, limits: Limits, decimals: int) -> None:
    named = ((limits.lower, "lower limit"), (limits.upper, "upper limit"))
    for at, words in named:
        if at is not None:
            axes.axvline(at, color=ALERT, linewidth=1.3, linestyle=(0, (5, 3)))
            axes.annotate(
                f"{words}\n{fixed(at, decimals)}", (at, 1.0), xycoords=axes.get_xaxis_transform(),
                xytext=(0, 3), textcoords="offset points", ha="center", va="bottom",
                fontsize=SMALL_PT, color=ALERT,
            )
    if limits.target is not None:
        axes.axvline(limits.target, color=GREY, linewidth=0.9, linestyle=(0, (1, 2)))
        axes.annotate(
            "aim", (limits.target, 1.0), xycoords=axes.get_xaxis_transform(), xytext=(0, 3),
            textcoords="offset points", ha="center", va="bottom", fontsize=SMALL_PT, color=GREY,
        )


@house_style()
def probability(study: Study) -> Figure:
    """Draw the values on normal probability paper, with the band of a normal population."""
    from scipy.special import ndtri

    points = probability_plot(study.sample.values)
    figure, (axes,) = new_chart(84)
    axes.fill_betweenx(
        points.quantiles, points.lower, points.upper, color=TINT, alpha=0.6, linewidth=0,
        label="95 % of points of a normal population",
    )
    axes.plot(points.fitted, points.quantiles, color=INK, linewidth=0.9, marker="", label="normal")
    axes.plot(
        points.values, points.quantiles, linestyle="", marker="o", markersize=3.2, color=MAIN,
        label="values",
    )
    axes.set_yticks(
        [float(ndtri(share / 100)) for share in _SHARES], [f"{share:g} %" for share in _SHARES]
    )
    edge = float(points.quantiles[-1]) + 0.25
    axes.set_ylim(-edge, edge)
    axes.set_ylabel("share of the values below")
    _along(axes, study.sample)
    key(axes, loc="upper left")
    return figure


@house_style()
def individuals_chart(sample: Sample, chart: Individuals) -> Figure:
    """Draw the values in order, and how far neighbours differ, with limits and signals.

    Returns:
        The chart; a square stands around the point that completes a signal, and all points that
        belong to it are filled with its colour.
    """
    from matplotlib.ticker import MaxNLocator

    figure, (upper, lower) = new_chart(112, 2, (1.7, 1))
    upper.sharex(lower)
    upper.tick_params(labelbottom=False)
    decimals = decimals_of(chart.sigma)
    numbers = list(range(1, len(chart.values) + 1))
    named = "" if sample.title == "value" else f": {short(axis_words(sample), _LONGEST_HEAD)}"
    head(upper, f"Individual values{named}")
    _course(upper, numbers, chart.values)
    _lines(upper, (chart.lower, chart.centre, chart.upper), decimals, chart.values)
    found = [s for s in chart.signals if s.rule != "moving-range"]
    belonging = sorted({i for s in found for i in range(s.first, s.last + 1)})
    upper.plot(
        [i + 1 for i in belonging], [chart.values[i] for i in belonging], linestyle="", marker="o",
        markersize=3.6, color=ALERT, zorder=3,
    )
    _marks(upper, [(i + 1, chart.values[i]) for i in sorted({s.index for s in found})])
    upper.set_ylabel(sample.unit)
    head(lower, "Moving ranges: difference from the previous value")
    _course(lower, numbers[1:], chart.moving_ranges)
    _lines(
        lower, (None, chart.mean_range, chart.range_upper), decimals, (0.0, *chart.moving_ranges)
    )
    on_ranges = [s.index for s in chart.signals if s.rule == "moving-range"]
    _marks(lower, [(i + 1, chart.moving_ranges[i - 1]) for i in on_ranges])
    lower.set_ylim(bottom=0)
    lower.set_ylabel(sample.unit)
    lower.set_xlabel("number in the order of making")
    lower.xaxis.set_major_locator(MaxNLocator(integer=True, steps=[1, 2, 5, 10]))
    lower.set_xlim(0, len(numbers) + 1)
    return figure


def _course(axes: Axes, x: Sequence[float], y: Sequence[float]) -> None:
    size = 3.2 if len(y) <= 120 else 1.8
    axes.plot(x, y, color=MAIN, linewidth=0.8, marker="o", markersize=size, clip_on=False)


def _lines(
    axes: Axes, at: tuple[float | None, float, float], decimals: int, points: Sequence[float]
) -> None:
    """Draw limits and centre; where a point far away presses them together, part their names."""
    lower, centre, upper = at
    ends = (*points, upper, centre if lower is None else lower)
    close = upper - centre < _CLOSE * (max(ends) - min(ends))
    apart = _APART_PT if close else 0.0
    level(axes, centre, f"mean {fixed(centre, decimals)}")
    for value, words, raised in ((lower, "lower", -apart), (upper, "upper", apart)):
        if value is not None:
            level(
                axes, value, f"{words} {fixed(value, decimals)}", dashed=True, color=ALERT,
                raised_pt=raised,
            )


def _marks(axes: Axes, points: Sequence[tuple[float, float]]) -> None:
    axes.plot(
        [x for x, _ in points], [y for _, y in points], linestyle="", marker="s", markersize=7.5,
        markerfacecolor="none", markeredgecolor=ALERT, markeredgewidth=1.3, zorder=4,
    )


@house_style()
def comparison(sample: Sample, grouping: Grouping) -> Figure:
    """Draw groups of values side by side: every value, mean and its 95 % interval.

    Returns:
        The chart; of very many groups the first ones.
    """
    from scipy.special import stdtrit

    lines = group_lines(sample.values, grouping)[:MOST_GROUPS]
    figure, (axes,) = new_chart(22 + 8 * len(lines))
    axes.grid(visible=False)
    axes.grid(visible=True, axis="x", color=TINT, linewidth=0.4)
    for row, line in enumerate(lines):
        own = [v for v, m in zip(sample.values, grouping.marks, strict=True) if m == line.mark]
        axes.plot(own, [row] * len(own), linestyle="", marker="|", markersize=7, color=GREY)
        half = float(stdtrit(line.n - 1, 0.975)) * line.sd / math.sqrt(line.n) if line.sd else 0.0
        axes.errorbar(
            line.mean, row, xerr=half, color=MAIN, marker="o", markersize=5, capsize=3,
            linewidth=1.4, zorder=4,
        )
    if sample.limits is not None:
        _upright_limits(axes, sample.limits, decimals_of(float(np.std(sample.values))))
    axes.set_xlim(*_reach(sample.values, sample.limits))
    names = [f"{short(line.mark, _LONGEST_GROUP)} (n = {line.n})" for line in lines]
    axes.set_yticks(range(len(lines)), names)
    axes.set_ylim(len(lines) - 0.5, -0.5)
    _along(axes, sample)
    return figure
