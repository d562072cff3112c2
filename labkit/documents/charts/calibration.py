"""The charts of a calibration: what the machine makes of a length, and what the line leaves."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Sequence
from typing import TYPE_CHECKING

from labkit.documents.charts.canvas import (
    ALERT,
    GREY,
    INK,
    MAIN,
    TINT,
    head,
    house_style,
    key,
    level,
    new_chart,
    note,
)
from labkit.qa.process.calibration import LengthFit
from labkit.qa.uncertainty import coverage_factor

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: Coupons of one length stand side by side within this part of the range.
_SPREAD = 0.05


@house_style()
def length_chart(fit: LengthFit, standing_out: Collection[str]) -> Figure:
    """Draw measured less built over the length, and the residuals below."""
    figure, (upper, lower) = new_chart(130, rows=2, ratios=(1.15, 1))
    x = _side_by_side(fit)
    off = [float(c.measured_mm - b) for c, b in zip(fit.coupons, fit.built_mm, strict=True)]
    _line(upper, fit)
    upper.plot(x, off, "o", color=MAIN, markersize=3.2, label="coupon")
    level(upper, 0, "true")
    head(upper, "Measured minus built")
    upper.set_ylabel("mm")
    key(upper, loc="best")
    _residuals(lower, fit, x, standing_out)
    return figure


def _line(axes: Axes, fit: LengthFit) -> None:
    low, high = float(min(fit.built_mm)), float(max(fit.built_mm))
    at = [low + (high - low) * step / 60 for step in range(61)]
    (a, b), t = fit.fit.coefficients, coverage_factor(fit.fit.dof)
    middle = [a + (b - 1) * x for x in at]
    half = [t * fit.fit.mean_sd((1.0, x)) for x in at]
    axes.fill_between(
        at,
        [m - h for m, h in zip(middle, half, strict=True)],
        [m + h for m, h in zip(middle, half, strict=True)],
        color=TINT, linewidth=0, label="95 % of the line",
    )
    axes.plot(at, middle, "-", color=INK, linewidth=1.1, label="line", marker="")


def _residuals(
    axes: Axes, fit: LengthFit, x: Sequence[float], standing_out: Collection[str]
) -> None:
    axes.plot(x, fit.fit.residuals, "o", color=MAIN, markersize=3.2)
    level(axes, 0, "")
    for side in (-1, 1):
        words = f"{'+' if side > 0 else '−'}2 sd"
        level(axes, side * 2 * fit.fit.residual_sd, words, dashed=True, color=GREY)
    for coupon, place, residual in zip(fit.coupons, x, fit.fit.residuals, strict=True):
        if coupon.name in standing_out:
            axes.plot([place], [residual], "s", color=ALERT, markersize=5, fillstyle="none")
            note(
                axes, place, residual, coupon.name, xytext=(4, 2), textcoords="offset points",
                color=ALERT,
            )
    head(axes, "Measured minus line")
    axes.set_ylabel("mm")
    axes.set_xlabel("length built, mm (coupons of one length side by side)")


def _side_by_side(fit: LengthFit) -> list[float]:
    """Shift coupons of one length apart, in their order, so that none hides another."""
    groups: dict[float, list[int]] = defaultdict(list)
    for index, built in enumerate(fit.built_mm):
        groups[float(built)].append(index)
    width = _SPREAD * (max(groups) - min(groups))
    places = [0.0] * len(fit.built_mm)
    for place, members in groups.items():
        for rank, index in enumerate(members):
            share = rank / (len(members) - 1) - 0.5 if len(members) > 1 else 0.0
            places[index] = place + share * width
    return places
