"""The paper that every chart is drawn on: size in mm, the documents' own fonts, our own colours."""

from __future__ import annotations

import dataclasses
import io
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from labkit.core.report import Plot
from labkit.documents.glyphs import fonts_dir, showable

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: Widest chart of a report page: paper less its margins.
PAGE_WIDTH_MM = 174.0
#: Colours differ in lightness, so that a grey print and colour-blind readers keep them apart; what
#: must be seen (a signal, a limit) also has a shape of its own.
INK = "#1b1b1b"
GREY = "#6f6f6f"
HAIR = "#d4d4d4"
MAIN = "#2f5673"
TINT = "#c7d3dc"
ALERT = "#b8480f"
#: For series side by side, each with the marker of the same place.
SERIES = (MAIN, "#d99a4e", "#4c2350", "#6f8f80", "#c0c0c0", INK)
MARKERS = ("o", "s", "^", "D", "v", "P")
#: Sizes in points: numbers on axes and notes, words at axes, heads.
SMALL_PT, LABEL_PT, HEAD_PT = 7.5, 8.5, 9.5

_MM_PER_INCH = 25.4
#: Names under which the documents' fonts are known to matplotlib: no font of the machine has them.
_PREFIX = "labkit "
_FIRST_FAMILIES = ("NotoSans", "NotoSansMath")
_HAIR_PT, _THIN_PT, _LINE_PT = 0.4, 0.7, 1.1


def new_chart(
    height_mm: float, rows: int = 1, ratios: Sequence[float] | None = None
) -> tuple[Figure, list[Axes]]:
    """Give an empty chart as wide as a page's text in the house style; draw inside `house_style`.

    Args:
        rows: Panels, one above the other.
        ratios: Heights of the panels to each other; None for equal ones.

    Returns:
        The figure and its panels from top to bottom; nothing of matplotlib's own state is changed.
    """
    from matplotlib.figure import Figure
    from matplotlib.layout_engine import ConstrainedLayoutEngine

    with house_style():
        size = (PAGE_WIDTH_MM / _MM_PER_INCH, height_mm / _MM_PER_INCH)
        layout = ConstrainedLayoutEngine(w_pad=0.03, h_pad=0.03, hspace=0.02)
        figure = Figure(figsize=size, layout=layout)
        panels = figure.subplots(
            rows, 1, squeeze=False, gridspec_kw={"height_ratios": ratios} if ratios else None
        )
        axes = list(panels[:, 0])
        for panel in axes:
            plain_axes(panel)
    return figure, axes


def plain_axes(axes: Axes) -> None:
    """Give axes the house's lines, ticks and sizes; for panels added later."""
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set(color=GREY, linewidth=_THIN_PT)
    axes.tick_params(
        labelsize=SMALL_PT, color=GREY, labelcolor=INK, width=_THIN_PT, length=2.5, pad=2
    )
    axes.grid(visible=True, axis="y", color=HAIR, linewidth=_HAIR_PT)
    axes.set_axisbelow(True)
    for axis in (axes.xaxis, axes.yaxis):
        axis.label.set(size=LABEL_PT, color=INK)
        axis.offsetText.set(size=SMALL_PT)
    axes.set_prop_cycle(color=SERIES, marker=MARKERS)


def head(axes: Axes, words: str) -> None:
    """Write a panel's title, at its left."""
    axes.set_title(words, loc="left", fontsize=HEAD_PT, fontweight="bold", color=INK, pad=5)


def note(axes: Axes, x: float, y: float, words: str, **how: Any) -> None:
    """Write small words at a place of the data.

    Args:
        how: What matplotlib's `annotate` takes besides.
    """
    axes.annotate(words, (x, y), **{"fontsize": SMALL_PT, "color": INK, **how})


def level(
    axes: Axes, y: float, words: str, *, dashed: bool = False, color: str = GREY,
    raised_pt: float = 0.0,
) -> None:
    """Draw a horizontal line across a panel and name it outside at the right.

    Args:
        y: Where, in the units of the data.
        words: Its name, empty for none.
        dashed: For limits; a whole line is a centre.
        raised_pt: How far above the line the words stand, where another line is close.
    """
    axes.axhline(y, color=color, linewidth=_LINE_PT, linestyle=(0, (5, 3)) if dashed else "-")
    if words:
        axes.annotate(
            words, (1.0, y), xycoords=axes.get_yaxis_transform(), xytext=(3, raised_pt),
            textcoords="offset points", va="center", fontsize=SMALL_PT, color=color,
        )


def short(words: str, most: int) -> str:
    """Cut a long name for a chart in its middle: what tells names apart is often at their end.

    >>> short("B-17", 8), short("coupon of the first plate 12", 12)
    ('B-17', 'coupon…te 12')
    """
    if len(words) <= most:
        return words
    tail = (most - 1) // 2
    return f"{words[: most - 1 - tail]}…{words[len(words) - tail :]}"


def key(axes: Axes, **how: Any) -> None:
    """Show the key of what has a label, without a frame; `how` is as matplotlib's `legend`."""
    options = {"fontsize": SMALL_PT, "frameon": False, "handlelength": 1.8, "borderpad": 0.2}
    axes.legend(**{**options, **how})


def svg_of(figure: Figure) -> bytes:
    """Write a chart as SVG, letters as outlines: the same bytes for the same chart.

    Args:
        figure: From `new_chart`.
    """
    return _written(figure, "svg", metadata={"Date": None, "Creator": None})


def png_of(figure: Figure, dpi: float = 150) -> bytes:
    """Write a chart as PNG on white.

    Args:
        figure: From `new_chart`.
        dpi: Pixels for each inch.
    """
    return _written(figure, "png", dpi=dpi, metadata={"Software": None})


def plot(name: str, draw: Callable[[], Figure], alt: str) -> Plot:
    """Give a chart as the picture of a report, drawn as SVG and PNG when somebody wants it.

    Args:
        draw: Draws the chart.
        alt: What it shows, for people who cannot see it.
    """

    def files() -> dict[str, bytes]:
        figure = draw()
        return {"svg": svg_of(figure), "png": png_of(figure)}

    return Plot(name, files, alt)


def _written(figure: Figure, form: str, **how: Any) -> bytes:
    from matplotlib.text import Text

    buffer = io.BytesIO()
    with house_style():
        for text in figure.findobj(Text):
            # A "$" of a user is a dollar, and a letter that no font has shows its code.
            text.set(text=showable(text.get_text()), parse_math=False, fontfamily=list(_families()))
        if figure.get_layout_engine() is not None:
            # Laid out once: to do it again would move everything by a hair.
            figure.draw_without_rendering()
            figure.set_layout_engine("none")
        figure.savefig(buffer, format=form, facecolor="white", **how)
    return buffer.getvalue()


@contextmanager
def house_style() -> Iterator[None]:
    """Draw with the documents' fonts and our own settings in the block, and only there.

    As a decorator, `@house_style()`, it does so for a whole function.
    """
    import matplotlib as mpl

    settings = {
        "font.family": list(_families()),
        "font.size": LABEL_PT,
        "axes.unicode_minus": True,
        "axes.formatter.useoffset": False,
        "text.parse_math": False,
        "svg.fonttype": "path",
        "svg.hashsalt": "labkit",
        "path.simplify": False,
    }
    with mpl.rc_context():
        # A user's own settings file must not change a report.
        mpl.rcdefaults()
        mpl.rcParams.update(settings)
        yield


@lru_cache(maxsize=1)
def _families() -> tuple[str, ...]:
    """Make the documents' fonts known to matplotlib; give their names, the first choice first."""
    from matplotlib import font_manager, ft2font

    files = {path.stem: path for path in sorted(fonts_dir().glob("*.ttf"))}
    names = []
    for stem, path in files.items():
        family, _, style = stem.partition("-")
        entry = font_manager.ttfFontProperty(ft2font.FT2Font(path))
        # Where a family has no bold font its regular one stands in; matplotlib would complain.
        lends = style in ("", "Regular") and f"{family}-Bold" not in files
        for weight in (entry.weight, 700) if lends else (entry.weight,):
            font_manager.fontManager.ttflist.append(
                dataclasses.replace(entry, name=_PREFIX + family, fname=str(path), weight=weight)
            )
        if family not in names:
            names.append(family)
    order = (*_FIRST_FAMILIES, *(name for name in names if name not in _FIRST_FAMILIES))
    return tuple(_PREFIX + name for name in order)
