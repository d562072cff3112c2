"""Charts of a gauge study: components, readings, ranges and means, interaction, bias."""

from __future__ import annotations

from collections.abc import Sequence
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
    PAGE_WIDTH_MM,
    SERIES,
    SMALL_PT,
    TINT,
    house_style,
    key,
    level,
    new_chart,
    short,
)
from labkit.qa.gauge.bias import Bias, Linearity
from labkit.qa.gauge.ranges import RangeTable
from labkit.qa.gauge.result import GOOD_PERCENT, POOR_PERCENT, GaugeResult, Variation
from labkit.qa.gauge.study import Study

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_SHOWN = (
    Variation.GAUGE, Variation.REPEATABILITY, Variation.REPRODUCIBILITY, Variation.PARTS,
)  # fmt: skip
#: Operators stand beside each other within this part of the room of one part.
_ROOM = 0.56
#: Trials stand so far apart, or equal readings would hide each other.
_TRIAL_ROOM = 0.14
#: Names of more parts than this are turned, so that they do not touch.
_MOST_UPRIGHT = 12
#: Of more parts than this not every one is named.
_MOST_NAMED = 40
_POINTS = 200
#: Longer names are cut; those in one row share so many characters.
_LONGEST, _LONGEST_ROW, _SHORTEST = 18, 90, 3
#: With more parts × operators than this the readings are drawn smaller.
_MANY_STRETCHES = 60
#: A dark edge keeps pale markers visible on white and in a grey print.
_EDGE: dict[str, Any] = {"markeredgecolor": INK, "markeredgewidth": 0.4}


@house_style()
def components_chart(result: GaugeResult) -> Figure:
    """Draw each component as its share of variance, spread and tolerance."""
    shown = [part for part in _SHOWN if any(c.part is part for c in result.components)]
    measures = [("of the variance", result.contribution_percent),
                ("of the spread in the study", result.study_percent)]  # fmt: skip
    values = [(words, [share(part) for part in shown]) for words, share in measures]
    if result.tolerance_mm is not None:
        # The parts' own spread may be many tolerances wide; only the gauge's is in question here.
        of_tolerance = [result.tolerance_percent(part) or 0.0 for part in shown[:-1]]
        values.append((f"of the tolerance ± {result.tolerance_mm:g} mm", of_tolerance))
    figure, (axes,) = new_chart(PAGE_WIDTH_MM, 20 + 14 * len(shown))
    thick = 0.8 / len(values)
    for place, (words, shares) in enumerate(values):
        at = np.arange(len(shares)) + (place - (len(values) - 1) / 2) * thick
        bars = axes.barh(at, shares, height=0.86 * thick, color=SERIES[place], label=words)
        axes.bar_label(
            bars, labels=[f"{share:.1f} %" for share in shares], padding=3, fontsize=SMALL_PT,
            color=INK, bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.4}, zorder=3,
        )
    axes.set_yticks(range(len(shown)), [str(part) for part in shown])
    axes.invert_yaxis()
    axes.margins(x=0.12)
    for limit in (GOOD_PERCENT, POOR_PERCENT):
        axes.axvline(limit, color=GREY, linewidth=0.7, linestyle=(0, (2, 2)))
    axes.grid(visible=False)
    axes.set_xlabel("share, % (dotted: usual practice's 10 % and 30 % of a spread)")
    key(axes, loc="lower center", bbox_to_anchor=(0.45, 1.0), ncols=len(values))
    return figure


@house_style()
def readings_chart(study: Study) -> Figure:
    """Draw every reading as its difference from the mean of its part.

    Returns:
        The chart: rods that differ by millimetres would hide what the gauge does.
    """
    x = study.array()
    off = x - x.mean(axis=(1, 2), keepdims=True)
    figure, (axes,) = new_chart(PAGE_WIDTH_MM, 78)
    level(axes, 0.0, "")
    for place, operator in enumerate(study.operators):
        trials = _TRIAL_ROOM * (np.arange(study.trials) / (study.trials - 1) - 0.5)
        at = (_beside(study, place)[:, None] + trials).ravel()
        axes.plot(
            at, off[:, place, :].ravel(), linestyle="", markersize=_dot(study), color=_color(place),
            marker=_marker(place), label=_called(operator), **_EDGE,
        )
    _parts_along(axes, study)
    axes.set_ylabel("reading less mean of its part, mm")
    _operators(axes, study)
    return figure


@house_style()
def interaction_chart(study: Study) -> Figure:
    """Draw each operator's mean of each part as its difference from the mean of the part.

    Returns:
        The chart: lines side by side are operators who differ, lines that cross an interaction.
    """
    x = study.array()
    off = x.mean(axis=2) - x.mean(axis=(1, 2))[:, None]
    figure, (axes,) = new_chart(PAGE_WIDTH_MM, 70)
    level(axes, 0.0, "")
    for place, operator in enumerate(study.operators):
        axes.plot(
            range(len(study.parts)), off[:, place], linewidth=1.1, markersize=4.2,
            color=_color(place), marker=_marker(place), label=_called(operator), **_EDGE,
        )
    _parts_along(axes, study)
    axes.set_ylabel("mean less mean of its part, mm")
    _operators(axes, study)
    return figure


@house_style()
def ranges_chart(study: Study, table: RangeTable) -> Figure:
    """Draw the range and the mean of the trials, operator by operator.

    Args:
        table: Limits from the ranges.

    Returns:
        The chart: ranges should lie below their limit; means should lie outside theirs, or the
        gauge does not tell the parts apart.
    """
    x = study.array()
    figure, (above, below) = new_chart(PAGE_WIDTH_MM, 108, rows=2)
    _by_operator(above, study, np.ptp(x, axis=2), table.range_limit_mm * (1 + 1e-9))
    level(above, table.mean_range_mm, "mean")
    level(above, table.range_limit_mm, "limit", dashed=True, color=ALERT)
    above.set_ylim(bottom=0.0)
    above.set_ylabel("range of trials, mm")
    if not study.has_operators:
        above.tick_params(labelbottom=False)
    _by_operator(below, study, x.mean(axis=2), None)
    half = table.mean_half_width_mm
    below.axhspan(table.mean_mm - half, table.mean_mm + half, color=TINT, linewidth=0)
    level(below, table.mean_mm, "mean")
    below.set_ylabel("mean of trials, mm")
    below.set_xlabel("parts in the order of the file; shaded: what chance alone would spread")
    return figure


@house_style()
def bias_chart(found: Sequence[Bias], line: Linearity | None) -> Figure:
    """Draw the bias over the reference value, with the fitted line and its band.

    Args:
        line: The line, None where there is none.
    """
    figure, (axes,) = new_chart(PAGE_WIDTH_MM, 84)
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
            [b.bias.upper - b.bias_mm for b in found]]  # fmt: skip
    axes.errorbar(
        [float(b.reference_mm) for b in found], [b.bias_mm for b in found], yerr=ends,
        linestyle="", marker="D", markersize=4.4, color=MAIN, ecolor=MAIN, elinewidth=1.1,
        capsize=3, label="bias with its interval",
    )
    axes.margins(x=0.06)
    axes.set_xlabel("reference value, mm")
    axes.set_ylabel("reading less reference, mm")
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


def _by_operator(
    axes: Axes, study: Study, values: NDArray[np.float64], limit: float | None
) -> None:
    """Draw one value for each part in a panel that has a stretch for each operator."""
    count = len(study.parts)
    for place in range(len(study.operators)):
        at = place * (count + 1) + np.arange(count)
        axes.plot(
            at, values[:, place], linewidth=0.9, markersize=3.6, color=_color(place),
            marker=_marker(place), clip_on=False, **_EDGE,
        )
        if limit is not None:
            beyond = values[:, place] > limit
            axes.plot(
                at[beyond], values[beyond, place], linestyle="", marker="o", markersize=8,
                markerfacecolor="none", markeredgecolor=ALERT, markeredgewidth=1.2,
            )
        if place:
            axes.axvline(at[0] - 1, color=HAIR, linewidth=0.8)
    if study.has_operators:
        middles = [place * (count + 1) + (count - 1) / 2 for place in range(len(study.operators))]
        room = max(_SHORTEST, _LONGEST_ROW // len(study.operators))
        axes.set_xticks(middles, [short(name, room) for name in study.operators])
        axes.tick_params(axis="x", length=0)
    else:
        _part_names(axes, study)


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
    return "part" if told else "part, by its place in the file"


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
