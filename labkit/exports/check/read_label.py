"""Reading an engraved label back from the mesh: depth picture, then the nearest characters."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from labkit.core.label.lettering import Lettering
from labkit.core.rod.rods import CaseMarkPlace, LabelPlace
from labkit.exports.check import limits
from labkit.exports.check.depth_picture import Window, as_seen, depth_picture
from labkit.exports.check.glyph_raster import BORDER_PIXELS, packed, packed_rasters, rasters
from labkit.exports.check.stl_reader import FacetMesh
from labkit.exports.expected.base import Array

#: What stands in the read text for a mark that is like no character.
UNKNOWN = "?"
#: Levels of planes are told apart to this.
LEVEL_MM = 1e-3
#: A bar is at least this full in its box, at most this many strokes high, at least this share of
#: the text wide.
BAR_FULL = 0.9
BAR_STROKES = 1.6
BAR_WIDTH_SHARE = 0.5
#: Pixels next to the margin's border are not judged.
BORDER_DOUBT_PIXELS = 1.5

#: Where a read character is laid on the drawn ones: up and to the right, at most a pixel off.
_SHIFTS = [
    (BORDER_PIXELS + up, BORDER_PIXELS + right) for up in (-1, 0, 1) for right in (-1, 0, 1)
]

Ink = NDArray[np.bool_]


@dataclass(frozen=True)
class CharReading:
    """One character as read.

    Args:
        char: The nearest character, "?" where none is like it.
        score: Overlap with it as drawn, 0 … 1 (common pixels / pixels of either).
        second: The nearest other character.
        margin: Score less that of the second.
    """

    char: str
    score: float
    second: str
    margin: float


@dataclass(frozen=True)
class LabelReading:
    """A label as read from a face.

    Args:
        bar: Whether a bar stands under them.
        depth_mm: Median depth of the floors below the face.
        depth_spread_mm: Largest deviation of a floor's pixel from that.
        face_mm: Nearness of the label's face (along the face's direction, from the rod's axis).
        clear: Whether the face is plane within the margin round every stroke.
        problem: Why nothing, or not everything, could be read; empty where all was.
    """

    text: str
    bar: bool
    chars: tuple[CharReading, ...]
    depth_mm: float
    depth_spread_mm: float
    face_mm: float
    height_mm: float
    clear: bool
    problem: str

    @property
    def least_score(self) -> float:
        """Give the score of the least certain character, 0 where there is none."""
        return min((char.score for char in self.chars), default=0.0)

    @property
    def least_margin(self) -> float:
        """Give the smallest margin to another character, 0 where there is none."""
        return min((char.margin for char in self.chars), default=0.0)


@dataclass(frozen=True, eq=False)
class _Lines:
    """Row ranges of the text and of the bar under it."""

    text: tuple[int, int]
    bar: bool
    problem: str


def read_label(
    mesh: FacetMesh, toward_y: int, lettering: Lettering, height_mm: float, margin_mm: float
) -> LabelReading:
    """Read the label engraved in the face that looks along ±y.

    Formula: score of a character = |read ∧ drawn| / |read ∨ drawn| over pixels, at the best shift
    of at most one pixel, never stretched.

    Args:
        toward_y: Sign of y along which the face looks; the reader stands there, z up.
        height_mm: Nominal height of the characters; sets the pixel.
        margin_mm: Plane face expected round every stroke.

    Validity: floors parallel to the face, characters side by side with a clear gap.
    """
    face = _face(mesh, toward_y)
    if face is None:
        return _nothing("there is no plane face to carry a label")
    level, floors = face
    if not floors.any():
        return _nothing("there is no engraving in the face", level)
    return _read_text(_Engraved(mesh, toward_y, level, floors), lettering, height_mm, margin_mm)


@dataclass(frozen=True)
class MarkedReading:
    """A label and a case mark as read from a face, each by itself.

    Args:
        apart_mm: Plain face between the two; 0 where nothing is apart from the label.
    """

    label: LabelReading
    mark: LabelReading
    apart_mm: float


def read_marked(
    mesh: FacetMesh, toward_y: int, lettering: Lettering, label: LabelPlace, mark: CaseMarkPlace
) -> MarkedReading:
    """Read a label and the case mark at its reader's right: never one together with the other.

    The engraving is parted at its widest gap, where that is about as wide as the template asks
    for, and so wider than any within a label; each part is read at its own height, the label
    with the characters of lengths, the mark with those of case marks.
    """
    face = _face(mesh, toward_y)
    if face is None or not face[1].any():
        whole = read_label(mesh, toward_y, lettering, label.height_mm, label.margin_mm)
        return MarkedReading(whole, whole, 0.0)
    level, floors = face
    middle, apart = _widest_gap(as_seen(mesh.corners_of(np.flatnonzero(floors)), toward_y)[..., 0])
    to_right = as_seen(mesh.corners, toward_y)[..., 0].mean(axis=1) > middle
    if apart < limits.MARK_APART_SHARE * mark.clear_mm:
        whole = read_label(mesh, toward_y, lettering, label.height_mm, label.margin_mm)
        return MarkedReading(whole, _nothing("nothing is apart from the label", level), 0.0)
    left, right = (
        _Engraved(mesh, toward_y, level, floors & side) for side in (~to_right, to_right)
    )
    return MarkedReading(
        _read_text(left, lettering, label.height_mm, label.margin_mm),
        _read_text(right, lettering.of_case_marks, mark.height_mm, label.margin_mm),
        apart,
    )


def _widest_gap(across: Array) -> tuple[float, float]:
    """Find the widest gap between floors along the rod: its middle, and how wide it is.

    Args:
        across: Places of the corners of each facet along the rod, shape (facets, 3).
    """
    low, high = across.min(axis=1), across.max(axis=1)
    order = np.argsort(low)
    reach = np.maximum.accumulate(high[order])
    gaps = low[order][1:] - reach[:-1]
    if not len(gaps):
        return float(reach[-1]), 0.0
    widest = int(np.argmax(gaps))
    return float(reach[widest] + gaps[widest] / 2.0), max(float(gaps[widest]), 0.0)


@dataclass(frozen=True, eq=False)
class _Engraved:
    """What is engraved in a face: level of the face, and the facets of the floors."""

    mesh: FacetMesh
    toward_y: int
    level_mm: float
    floors: NDArray[np.bool_]


def _read_text(
    engraved: _Engraved, lettering: Lettering, height_mm: float, margin_mm: float
) -> LabelReading:
    level, pixel = engraved.level_mm, height_mm / limits.PIXELS_PER_HEIGHT
    border = int(np.ceil(margin_mm / pixel)) + 2
    seen = as_seen(engraved.mesh.corners_of(np.flatnonzero(engraved.floors)), engraved.toward_y)
    window = _window(seen, engraved.toward_y, pixel, border)
    depth = level - depth_picture(engraved.mesh, window)
    ink = (depth > limits.LEAST_FLOOR_MM) & np.isfinite(depth)
    # Beyond the floors' box a rounded edge may fall away as deep as an engraving.
    ink &= _box(ink.shape, border - 1)
    if not ink.any():
        return _nothing("the engraving is covered", level)
    floor = float(np.median(depth[ink]))
    lines = _lines(ink, lettering.stroke * limits.PIXELS_PER_HEIGHT)
    chars = _read_line(ink[lines.text[0] : lines.text[1]], lettering)
    reach = margin_mm / pixel - BORDER_DOUBT_PIXELS
    return LabelReading(
        text="".join(char.char for char in chars), bar=lines.bar, chars=chars,
        depth_mm=floor, depth_spread_mm=float(np.abs(depth[ink] - floor).max()),
        face_mm=level, height_mm=(lines.text[1] - lines.text[0]) * pixel,
        clear=_clear(depth, ink, reach), problem=lines.problem,
    )


def count_floors(mesh: FacetMesh, toward_y: int) -> int:
    """Count the facets below the plane face along ±y (rod frame); 0 without such a face."""
    face = _face(mesh, toward_y)
    return 0 if face is None else int(face[1].sum())


def _face(mesh: FacetMesh, toward_y: int) -> tuple[float, NDArray[np.bool_]] | None:
    """Find the largest plane that looks along ±y: its level, and the floors below it."""
    facing = np.flatnonzero(toward_y * mesh.normals[:, 1] > limits.FACE_COSINE)
    if not len(facing):
        return None
    corners = mesh.corners_of(facing)
    middles = (corners[:, 0] + corners[:, 1] + corners[:, 2]) / 3.0
    levels = toward_y * middles[:, 1]
    steps, which = np.unique(np.round(levels / LEVEL_MM), return_inverse=True)
    areas = np.bincount(which, weights=mesh.twice_areas[facing])
    largest = steps[int(np.argmax(areas))] * LEVEL_MM
    plane = facing[np.abs(levels - largest) < 2.0 * LEVEL_MM]
    level = float(np.median(levels[np.abs(levels - largest) < 2.0 * LEVEL_MM]))
    there = mesh.corners_of(plane)
    low, high = there.min(axis=(0, 1)), there.max(axis=(0, 1))
    below = level - levels
    deep = (below > limits.LEAST_FLOOR_MM) & (below < limits.MOST_FLOOR_MM)
    for across in (0, 2):
        deep &= (middles[:, across] >= low[across]) & (middles[:, across] <= high[across])
    floors = np.zeros(len(mesh.triangles), dtype=bool)
    floors[facing[deep]] = True
    return level, floors


def _nothing(problem: str, face_mm: float = 0.0) -> LabelReading:
    return LabelReading("", False, (), 0.0, 0.0, face_mm, 0.0, False, problem)


def _window(seen: Array, toward_y: int, pixel: float, border: int) -> Window:
    low = seen.reshape(-1, 3).min(axis=0)
    high = seen.reshape(-1, 3).max(axis=0)
    columns, rows = (int(np.ceil((high[i] - low[i]) / pixel)) + 2 * border for i in (0, 1))
    return Window(
        toward_y, float(low[0]) - border * pixel, float(low[1]) - border * pixel, pixel,
        columns, rows,
    )


def _box(shape: tuple[int, ...], border: int) -> Ink:
    inside = np.zeros(shape, dtype=bool)
    inside[border:-border, border:-border] = True
    return inside


def _runs(used: Any) -> list[tuple[int, int]]:
    """List the runs of true values as (first, past the last)."""
    steps = np.diff(np.concatenate([[0], used.astype(np.int8), [0]]))
    return list(
        zip(np.flatnonzero(steps == 1).tolist(), np.flatnonzero(steps == -1).tolist(), strict=True)
    )


def _lines(ink: Ink, stroke_pixels: float) -> _Lines:
    """Tell the line of text from the bar under it."""
    runs = _runs(ink.any(axis=1))
    if len(runs) == 1:
        return _Lines(runs[0], False, "")
    tallest = max(runs, key=lambda run: run[1] - run[0])
    if len(runs) == 2 and tallest == runs[1]:
        if _is_bar(ink, runs[0], tallest, stroke_pixels):
            return _Lines(tallest, True, "")
        return _Lines(tallest, False, "what is under the characters is no bar")
    return _Lines(tallest, False, "there are marks above the characters or in several lines")


def _is_bar(ink: Ink, rows: tuple[int, int], text: tuple[int, int], stroke_pixels: float) -> bool:
    bar = ink[rows[0] : rows[1]]
    columns = _runs(bar.any(axis=0))
    wide = _runs(ink[text[0] : text[1]].any(axis=0))
    if len(columns) != 1 or rows[1] - rows[0] > BAR_STROKES * stroke_pixels:
        return False
    left, right = columns[0]
    full = float(bar[:, left:right].mean())
    return full >= BAR_FULL and right - left >= BAR_WIDTH_SHARE * (wide[-1][1] - wide[0][0])


def _read_line(ink: Ink, lettering: Lettering) -> tuple[CharReading, ...]:
    """Read the characters of a line, all at once.

    Formula: score = common / (drawn + read − common), in pixels.
    """
    rows, columns = rasters(lettering).shape[1:]
    space = 2 * BORDER_PIXELS - 1
    found = _runs(ink.any(axis=0))
    small = [
        ink.shape[0] <= rows - space and right - left <= columns - space for left, right in found
    ]
    placed = np.zeros((sum(small), len(_SHIFTS), rows, columns), dtype=bool)
    fitting = (run for run, fits in zip(found, small, strict=True) if fits)
    for canvas, (left, right) in zip(placed, fitting, strict=True):
        for shifted, (up, to_right) in zip(canvas, _SHIFTS, strict=True):
            shifted[up : up + ink.shape[0], to_right : to_right + right - left] = ink[:, left:right]
    drawn, flat = packed_rasters(lettering), packed(placed.reshape(-1, rows * columns))
    common = _pixels(drawn[:, None] & flat)
    scores = (common / (_pixels(drawn)[:, None] + _pixels(flat) - common)).astype(np.float32)
    read = iter(scores.reshape(len(drawn), *placed.shape[:2]).max(axis=2).T)
    names = [glyph.char for glyph in lettering.glyphs]
    return tuple(
        _nearest(next(read), names) if fits else CharReading(UNKNOWN, 0.0, UNKNOWN, 0.0)
        for fits in small
    )


def _pixels(words: NDArray[np.uint64]) -> NDArray[np.intp]:
    return np.asarray(np.bitwise_count(words).sum(axis=-1, dtype=np.intp))


def _nearest(scores: Array, names: list[str]) -> CharReading:
    best, second = (int(i) for i in np.argsort(-scores, kind="stable")[:2])
    score = float(scores[best])
    char = names[best] if score >= limits.LEAST_SCORE else UNKNOWN
    return CharReading(char, score, names[second], score - float(scores[second]))


def _clear(depth: Array, ink: Ink, reach: float) -> bool:
    """Say whether every pixel within `reach` of the ink is ink or lies in the face."""
    off_face = ~ink & ~(np.abs(depth) <= limits.LABEL_FACE_MM)
    if reach <= 0.0 or not off_face.any():
        return True
    return not bool((_grown(ink, reach) & off_face).any())


def _grown(ink: Ink, reach: float) -> Ink:
    """Grow the ink by a disc of `reach` pixels."""
    grown = np.zeros_like(ink)
    rows, columns = ink.shape
    sums = np.concatenate([np.zeros((rows, 1), dtype=np.int64), ink.cumsum(axis=1)], axis=1)
    place = np.arange(columns)
    for up in range(-int(reach), int(reach) + 1):
        half = int(np.sqrt(reach**2 - up**2))
        high = np.minimum(place + half + 1, columns)
        low = np.maximum(place - half, 0)
        wide = sums[:, high] > sums[:, low]
        target = slice(max(up, 0), rows + min(up, 0))
        source = slice(max(-up, 0), rows + min(-up, 0))
        grown[target] |= wide[source]
    return grown
