"""Charts of a gauge study: what the gauge takes, every reading, bias."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from labkit.documents.charts.canvas import (
    ALERT,
    GREY,
    HAIR,
    INK,
    MAIN,
    MARKERS,
    SERIES,
    TINT,
    head,
    house_style,
    key,
    level,
    new_chart,
    note,
    short,
)
from labkit.documents.gauge_tables import APART, percent
from labkit.qa.gauge.bias import Bias, Linearity
from labkit.qa.gauge.look_at import Rod
from labkit.qa.gauge.result import (
    GOOD_PERCENT,
    POOR_PERCENT,
    Component,
    GaugeResult,
    Variation,
)
from labkit.qa.gauge.study import Study

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_OF_GAUGE = (Variation.REPEATABILITY, Variation.REPRODUCIBILITY, Variation.GAUGE)
_PALE = "#eef1f4"
_FILLS = {
    Variation.REPEATABILITY: MAIN, Variation.REPRODUCIBILITY: SERIES[1], Variation.PARTS: HAIR,
}
#: The scale of shares ends at this many times the limit of what is fit.
_WIDEST = 4.0
#: Operators stand beside each other within this part of the room of one part.
_ROOM = 0.56
#: Trials stand so far apart, or equal readings would hide each other.
_TRIAL_ROOM = 0.14
#: Names of more parts than this are turned, so that they do not touch.
_MOST_UPRIGHT = 12
#: Of more parts than this not every one is named.
_MOST_NAMED = 40
_POINTS = 200
#: Longer names are cut.
_LONGEST = 18
#: With more parts × operators than this the readings are drawn smaller.
_MANY_STRETCHES = 60
#: A dark edge keeps pale markers visible on white and in a grey print.
_EDGE: dict[str, Any] = {"markeredgecolor": INK, "markeredgewidth": 0.4}


@house_style()
def shares_chart(result: GaugeResult) -> Figure:
    """Draw what the variance is made of as one bar, and what the gauge takes with its interval."""
    figure, (above, below) = new_chart(72, rows=2, ratios=(1, 3))
    _stacked(above, result)
    _taken(below, result)
    return figure


def _stacked(axes: Axes, result: GaugeResult) -> None:
    start = 0.0
    for part in filter(partial(_is_there, result), APART):
        share = 100.0 * result.share_of_variance(part)
        axes.barh(
            0, share, left=start, height=0.6, color=_FILLS[part], edgecolor=INK, linewidth=0.5,
            label=f"{part} {percent(share / 100)}",
        )
        start += share
    head(axes, "The variance of all readings")
    axes.set_xlim(0, 100)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    axes.grid(visible=False)
    axes.set_xticks(range(0, 101, 25), [f"{tick} %" for tick in range(0, 101, 25)])
    key(axes, loc="upper center", bbox_to_anchor=(0.5, -0.45), ncols=3, handlelength=1.0)


def _taken(axes: Axes, result: GaugeResult) -> None:
    """Draw what each part of the gauge takes of the tolerance; of the spread where none is set."""
    shown = [one for one in result.components if one.part in _OF_GAUGE]
    points, ends = [], []
    for row, one in enumerate(shown):
        at, reach = _share_and_reach(result, one)
        points.append(at)
        ends.append(reach[1])
        axes.plot(reach, [row, row], color=MAIN, linewidth=4.0, alpha=0.35, marker="",
                  solid_capstyle="butt")
        axes.plot([at], [row], color=MAIN, marker="o", markersize=6, linestyle="")
        note(axes, at, row, f"{at:.1f} %", xytext=(0, 7), textcoords="offset points", ha="center")
    # An interval from few persons may be endless: what is decided on stays readable.
    wide = min(max(1.25 * POOR_PERCENT, 1.08 * max(ends)), _WIDEST * POOR_PERCENT)
    right = max(wide, 1.08 * max(points))
    for start, end, words, fill in (
        (0.0, GOOD_PERCENT, "good", "white"), (GOOD_PERCENT, POOR_PERCENT, "with reservations",
         _PALE), (POOR_PERCENT, right, "not fit", TINT),
    ):
        axes.axvspan(start, end, color=fill, linewidth=0, zorder=0)
        note(axes, (start + end) / 2, -0.95, words, ha="center", va="center", color=GREY)
    axes.set_yticks(range(len(shown)), [str(one.part) for one in shown])
    axes.set_ylim(len(shown) - 0.5, -1.3)
    axes.set_xlim(0, right)
    axes.grid(visible=False)
    of = "the spread of these readings" if result.tolerance_mm is None else (
        f"the tolerance ± {result.tolerance_mm:g} mm"
    )
    head(axes, f"Of {of}")
    axes.set_xlabel(f"share of {of}, %; bar: interval; limits by usual practice")


def _share_and_reach(result: GaugeResult, one: Component) -> tuple[float, tuple[float, float]]:
    """Give a share and its interval in percent; of the spread only the gauge's is known."""
    of_tolerance = result.share_of_tolerance(one.part)
    if of_tolerance is None:
        at = 100.0 * result.share_of_spread(one.part)
        reach = result.share_interval if one.part is Variation.GAUGE else None
        return at, (at, at) if reach is None else (100.0 * reach.lower, 100.0 * reach.upper)
    at, interval = 100.0 * of_tolerance, one.interval_mm
    ends = (interval.lower, interval.upper) if interval else (one.sd_mm, one.sd_mm)
    low, high = (100.0 * (result.of_tolerance(end) or 0.0) for end in ends)
    return at, (low, high)


def _is_there(result: GaugeResult, part: Variation) -> bool:
    return any(one.part is part for one in result.components)


#: Characters of a name that takes no more than a line beside the chart.
_SHORT_NAME = 12


@house_style()
def readings_chart(study: Study, odd: Sequence[Rod] = ()) -> Figure:
    """Draw every reading as its difference from the mean of its rod.

    Args:
        odd: What to look at; a ring stands around these readings.

    Returns:
        The chart: rods that differ by millimetres would hide what the gauge does.
    """
    x = study.array()
    off = x - x.mean(axis=(1, 2), keepdims=True)
    ringed = {(rod.name, rod.person) for rod in odd}
    longest = max(map(len, (*study.parts, *study.operators)))
    figure, (axes,) = new_chart(48 if longest <= _SHORT_NAME else 78)  # long names take their room
    level(axes, 0.0, "")
    trials = _TRIAL_ROOM * (np.arange(study.trials) / (study.trials - 1) - 0.5)
    for place, operator in enumerate(study.operators):
        at = _beside(study, place)[:, None] + trials
        axes.plot(
            at.ravel(), off[:, place, :].ravel(), linestyle="", markersize=_dot(study),
            color=_color(place), marker=_marker(place), label=_called(operator), **_EDGE,
        )
        ring = [n for n, part in enumerate(study.parts) if (part, operator) in ringed]
        axes.plot(
            at[ring].ravel(), off[ring, place, :].ravel(), linestyle="", marker="o", markersize=9,
            markerfacecolor="none", markeredgecolor=ALERT, markeredgewidth=1.1,
        )
    _parts_along(axes, study)
    axes.set_ylabel("minus mean of rod, mm")
    _operators(axes, study)
    return figure


@house_style()
def bias_chart(found: Sequence[Bias], line: Linearity | None) -> Figure:
    """Draw the bias over the reference value, with the fitted line and its band.

    Args:
        line: The line, None where there is none.
    """
    figure, (axes,) = new_chart(84)
    level(axes, 0.0, "")
    if line is not None:
        _band(axes, line)
    for bias in found:
        at = float(bias.reference_mm)
        single = [float(value - bias.reference_mm) for value in bias.readings_mm]
        axes.plot(
            [at] * len(single), single, linestyle="", marker="o", markersize=2.6, color=GREY,
            label="single readings" if bias is found[0] else None,
        )
    ends = [[b.bias_mm - b.bias.lower for b in found],
            [b.bias.upper - b.bias_mm for b in found]]
    axes.errorbar(
        [float(b.reference_mm) for b in found], [b.bias_mm for b in found], yerr=ends,
        linestyle="", marker="D", markersize=4.4, color=MAIN, ecolor=MAIN, elinewidth=1.1,
        capsize=3, label="bias with its interval",
    )
    axes.margins(x=0.06)
    axes.set_xlabel("reference value, mm")
    axes.set_ylabel("reading minus reference, mm")
    key(axes, loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=4)
    return figure


def _band(axes: Axes, line: Linearity) -> None:
    low, high = float(min(line.references_mm)), float(max(line.references_mm))
    at = np.linspace(low, high, _POINTS)
    fitted = [line.band_mm(float(value)) for value in at]
    axes.fill_between(
        at, [band.lower for band in fitted], [band.upper for band in fitted], color=TINT,
        linewidth=0, label="band of the line",
    )
    axes.plot(
        at, [band.value for band in fitted], color=INK, linewidth=1.0, marker="", label="line"
    )


def _beside(study: Study, place: int) -> NDArray[np.float64]:
    """Give where one operator's readings stand: beside the others', in the room of the part."""
    count = len(study.operators)
    shift = 0.0 if count == 1 else _ROOM * (place / (count - 1) - 0.5)
    return np.arange(len(study.parts), dtype=np.float64) + shift


def _parts_along(axes: Axes, study: Study) -> None:
    axes.set_xlabel(_part_names(axes, study))
    axes.set_xlim(-0.6, len(study.parts) - 0.4)
    for between in range(1, len(study.parts) if len(study.parts) <= _MOST_NAMED else 1):
        axes.axvline(between - 0.5, color=HAIR, linewidth=0.4)


def _part_names(axes: Axes, study: Study) -> str:
    """Name the parts at the axis, of very many every second, third and so on; say what they are."""
    count = len(study.parts)
    names = [short(name, _LONGEST) for name in study.parts]
    told = len(set(names)) == count
    if not told:  # cut names that look alike would mislead
        names = [str(number) for number in range(1, count + 1)]
    turned = count > _MOST_UPRIGHT or max(map(len, names)) > len("QF-1043")
    step = -(-count // _MOST_NAMED)
    axes.set_xticks(range(0, count, step), names[::step], rotation=90 if turned else 0)
    return "rod" if told else "rod, by its place in the file"


def _operators(axes: Axes, study: Study) -> None:
    if study.has_operators:
        key(axes, loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=min(6, len(study.operators)))


def _color(place: int) -> str:
    return SERIES[place % len(SERIES)]


def _marker(place: int) -> str:
    """Give a marker; when the colours begin again the markers move on, so that pairs differ."""
    return MARKERS[(place + place // len(SERIES)) % len(MARKERS)]


def _dot(study: Study) -> float:
    """Give the size of single readings: as large as the room of many parts allows."""
    return 5.0 if len(study.parts) * len(study.operators) <= _MANY_STRETCHES else 3.4


def _called(operator: str) -> str | None:
    return short(operator, _LONGEST) or None
