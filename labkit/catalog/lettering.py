"""Reads a lettering file into checked strokes."""

from __future__ import annotations

import math
import tomllib
from functools import lru_cache
from pathlib import Path
from typing import Any

from labkit.catalog.places import templates_dir
from labkit.core.label.lettering import Arc, Disc, Glyph, Lettering, Line, Mark, Point2
from labkit.core.rod.curves import ON_CURVE, box
from labkit.core.rod.outline import outline
from labkit.errors import InputError, LabelError

SCHEMA = 1
DEFAULT_FILE = "one-stroke.toml"
_TOP_KEYS = ("schema", "name", "stroke", "bar_gap", "heights_mm", "glyph", "letter")
_GLYPH_KEYS = ("char", "width", "space", "strokes")
_STROKE_KINDS = ("path", "ring", "disc")
#: A leg shorter than this between two roundings is no leg: they follow on one another directly.
_NO_LEG = 1e-9


def load_lettering(path: Path | None = None) -> Lettering:
    """Read a lettering file.

    Args:
        path: File, or None for the lettering that comes with the program.

    Returns:
        The lettering; read once for each file in a process. The outlines of the one that comes with
        the program are held by the tests, not at the start of every command.

    Raises:
        InputError: The file cannot be read; the sentence says which key, and what is allowed.
    """
    own = path is None
    return _load(templates_dir() / "lettering" / DEFAULT_FILE if path is None else path, own)


@lru_cache(maxsize=8)
def _load(path: Path, own: bool) -> Lettering:
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError(
            f"the lettering file cannot be read ({error.strerror}); name a file that exists",
            where=str(path),
        ) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(f"not a TOML file: {error}", where=str(path)) from error
    return _Reader(str(path), own).lettering(table)


class _Reader:
    """Turns tables into values and says in which file and key something is wrong."""

    def __init__(self, file: str, own: bool) -> None:
        self._file, self._own = file, own

    def lettering(self, table: dict[str, Any]) -> Lettering:
        self._keys(table, _TOP_KEYS, "")
        if table["schema"] != SCHEMA:
            raise self._wrong("schema", table["schema"], f"{SCHEMA}")
        stroke = self._number(table["stroke"], "stroke", 0.02, 0.3)
        heights = self._numbers(table["heights_mm"], "heights_mm", (1, 20), (0.5, 50.0))
        if list(heights) != sorted(set(heights)):
            raise self._wrong("heights_mm", list(heights), "rising heights")
        glyphs, letters = (self._glyphs(table[kind], kind, stroke) for kind in ("glyph", "letter"))
        chars = [glyph.char for glyph in (*glyphs, *letters)]
        for char in chars:
            if chars.count(char) > 1:
                raise self._wrong("glyph.char", char, "each character once")
        return Lettering(
            name=self._text(table["name"], "name"),
            stroke=stroke,
            bar_gap=self._number(table["bar_gap"], "bar_gap", 0.05, 1.0),
            heights_mm=heights,
            glyphs=glyphs,
            letters=letters,
        )

    def _glyphs(self, rows: Any, kind: str, stroke: float) -> tuple[Glyph, ...]:
        if not isinstance(rows, list) or not rows:
            raise self._wrong(kind, rows, f"at least one [[{kind}]] table")
        return tuple(self._glyph(row, f"{kind}[{k}]", stroke) for k, row in enumerate(rows))

    def _glyph(self, row: Any, key: str, stroke: float) -> Glyph:
        self._keys(row, _GLYPH_KEYS, key)
        char = self._text(row["char"], f"{key}.char")
        if len(char) != 1:
            raise self._wrong(f"{key}.char", char, "one character")
        key = f"glyph {char}"
        if not isinstance(row["strokes"], list) or not row["strokes"]:
            raise self._wrong(f"{key}.strokes", row["strokes"], "at least one stroke")
        space = self._number(row["space"], f"{key}.space", 0.0, 2.0)
        marks = [
            mark
            for k, entry in enumerate(row["strokes"])
            for mark in self._stroke(entry, f"{key}.strokes[{k}]")
        ]
        width = self._number(row["width"], f"{key}.width", 0.01, 2.0)
        glyph = Glyph(char, width, tuple(marks), space, space)
        if not self._own:
            self._check_outline(glyph, stroke, key)
        return glyph

    def _check_outline(self, glyph: Glyph, stroke: float, key: str) -> None:
        try:
            regions = outline(glyph.marks, stroke)
        except LabelError as error:
            raise InputError(
                f"{key}.strokes: {error.message}", field=f"{key}.strokes", where=self._file
            ) from error
        left, right, bottom, top = box(tuple(p for region in regions for p in region.outer))
        cell = (0.0 - ON_CURVE, glyph.width + ON_CURVE, 0.0 - ON_CURVE, 1.0 + ON_CURVE)
        if left < cell[0] or right > cell[1] or bottom < cell[2] or top > cell[3]:
            raise self._wrong(
                f"{key}.strokes",
                (left, bottom, right, top),
                f"an outline inside its cell from (0, 0) to ({glyph.width:g}, 1)",
                f"draw an outline from ({left:.4f}, {bottom:.4f}) to ({right:.4f}, {top:.4f})",
            )

    def _stroke(self, entry: Any, key: str) -> list[Mark]:
        if not isinstance(entry, dict) or len(entry) != 1 or next(iter(entry)) not in _STROKE_KINDS:
            raise self._wrong(key, entry, f"a table with one of {', '.join(_STROKE_KINDS)}")
        ((kind, value),) = entry.items()
        key = f"{key}.{kind}"
        if kind == "disc":
            x, y, diameter = self._numbers(value, key, (3, 3))
            if diameter <= 0.0:
                raise self._wrong(key, value, "[x, y, diameter] with a diameter above 0")
            return [Disc((x, y), diameter / 2.0)]
        least = 2 if kind == "path" else 3
        if not isinstance(value, list) or len(value) < least:
            raise self._wrong(key, value, f"at least {least} corners")
        corners = [self._numbers(corner, f"{key}[{k}]", (2, 3)) for k, corner in enumerate(value)]
        if kind == "path" and any(len(corner) == 3 for corner in (corners[0], corners[-1])):
            raise self._wrong(key, value, "ends without a radius")
        return self._rounded(corners, key, closed=kind == "ring")

    def _rounded(self, corners: list[tuple[float, ...]], key: str, *, closed: bool) -> list[Mark]:
        """Lines between corners, arcs in rounded corners, in the order of the path."""
        points = [(corner[0], corner[1]) for corner in corners]
        for k in range(0 if closed else 1, len(points)):
            if math.dist(points[k - 1], points[k]) < _NO_LEG:
                raise self._wrong(
                    f"{key}[{k}]", list(points[k]), "a corner away from the one before"
                )
        radii = [corner[2] if len(corner) == 3 else 0.0 for corner in corners]
        count = len(points)
        arcs: list[Arc | None] = []
        reach: list[float] = []
        for k, point in enumerate(points):
            inner = closed or 0 < k < count - 1
            around = (points[k - 1], points[(k + 1) % count])
            arc, used = self._corner(point, around, radii[k] if inner else 0.0, f"{key}[{k}]")
            arcs.append(arc)
            reach.append(used)
        marks: list[Mark] = []
        for k in range(count if closed else count - 1):
            after = (k + 1) % count
            leg = self._leg((points[k], points[after]), (reach[k], reach[after]), f"{key}[{k}]")
            marks += [mark for mark in (leg, arcs[after]) if mark is not None]
        return marks

    def _corner(
        self, point: Point2, around: tuple[Point2, Point2], radius: float, key: str
    ) -> tuple[Arc | None, float]:
        """Arc of one rounded corner, and how much of each leg it takes."""
        if radius == 0.0:
            return None, 0.0
        back, ahead = (_direction(point, other) for other in around)
        turn = math.pi - math.acos(max(-1.0, min(1.0, back[0] * ahead[0] + back[1] * ahead[1])))
        if radius < 0.0 or not math.radians(1.0) < turn < math.radians(179.0):
            raise self._wrong(key, radius, "a radius above 0, at a corner of 1 to 179 degrees")
        used = radius * math.tan(turn / 2.0)
        side = math.copysign(1.0, back[1] * ahead[0] - back[0] * ahead[1])
        # Inward normal of the arriving leg: its direction (−back) turned by 90° towards the bend.
        normal = (side * back[1], -side * back[0])
        start = (point[0] + used * back[0], point[1] + used * back[1])
        center = (start[0] + radius * normal[0], start[1] + radius * normal[1])
        start_deg = math.degrees(math.atan2(-normal[1], -normal[0])) % 360.0
        return Arc(center, radius, start_deg, side * math.degrees(turn)), used

    def _leg(
        self, ends: tuple[Point2, Point2], taken: tuple[float, float], key: str
    ) -> Line | None:
        size = math.dist(*ends)
        left = size - taken[0] - taken[1]
        if left < -_NO_LEG:
            raise self._wrong(
                key,
                taken,
                f"roundings that take at most the leg's {size:.4f}",
                f"has roundings that take {taken[0] + taken[1]:.4f} of the leg after it",
            )
        if left <= _NO_LEG:
            return None
        u = _direction(*ends)
        (ax, ay), (bx, by) = ends
        return Line(
            (ax + taken[0] * u[0], ay + taken[0] * u[1]),
            (bx - taken[1] * u[0], by - taken[1] * u[1]),
        )

    def _keys(self, table: Any, allowed: tuple[str, ...], key: str) -> None:
        if not isinstance(table, dict):
            raise self._wrong(key, table, f"a table with {', '.join(allowed)}")
        dot = f"{key}." if key else ""
        for name in table:
            if name not in allowed:
                raise self._wrong(f"{dot}{name}", table[name], f"only {', '.join(allowed)}")
        for name in allowed:
            if name not in table:
                raise self._wrong(f"{dot}{name}", None, f"all of {', '.join(allowed)}")

    def _text(self, value: Any, key: str) -> str:
        if not isinstance(value, str) or not value:
            raise self._wrong(key, value, "a text")
        return value

    def _number(self, value: Any, key: str, least: float, most: float) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self._wrong(key, value, "a number")
        if not least <= value <= most:
            raise self._wrong(key, value, f"a number from {least:g} to {most:g}")
        return float(value)

    def _numbers(
        self,
        value: Any,
        key: str,
        count: tuple[int, int],
        limits: tuple[float, float] = (-10.0, 10.0),
    ) -> tuple[float, ...]:
        if not isinstance(value, list) or not count[0] <= len(value) <= count[1]:
            span = f"{count[0]}" if count[0] == count[1] else f"{count[0]} to {count[1]}"
            raise self._wrong(key, value, f"a list of {span} numbers")
        return tuple(self._number(item, key, *limits) for item in value)

    def _wrong(self, key: str, value: object, allowed: str, found: str = "") -> InputError:
        found = found or ("is missing" if value is None else f"is {value!r}")
        return InputError(
            f"{key or 'the file'} {found}; allowed: {allowed}",
            field=key,
            value=value,
            allowed=allowed,
            where=self._file,
        )


def _direction(start: Point2, end: Point2) -> Point2:
    size = math.dist(start, end)
    return ((end[0] - start[0]) / size, (end[1] - start[1]) / size)
