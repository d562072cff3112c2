"""Shaded pictures of rods and sets as PNG files, worked out here: no screen, no driver."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from labkit.exports.pictures.placing import TILT_DEG, PlacedRod
from labkit.exports.pictures.raster import Floats, Pixels, draw
from labkit.exports.pictures.shading import ShadedMesh

#: Pixels for each millimetre: a 2.5 mm digit is 40 pixels high.
PIXELS_PER_MM = 16.0
#: Larger sets are drawn smaller: a paper has no room for more.
_MOST_PIXELS = 4000
_MARGIN_MM = 3.0
_WHITE = 255
_MATERIAL, _INK = (0.97, 0.95, 0.90), (0.16, 0.15, 0.14)
#: Direction to each light, in the frame in which rods are laid out, and its strength.
_LIGHTS = (((-0.6, 0.8, 1.0), 0.80), ((0.8, -0.1, 1.0), 0.32), ((0.0, -1.0, 0.3), 0.12))
#: Parts of the light that come from everywhere, by the lights, and back as from a mirror.
_AMBIENT, _DIFFUSE, _SPECULAR = 0.16, 0.84, 0.12
#: Pictures are mostly even: a higher level takes longer and gains little.
_PNG_LEVEL, _PNG_LEFT_PIXEL = 3, 1


def set_pngs(rods: Sequence[PlacedRod]) -> dict[str, bytes]:
    """Picture a set ("set.png") and each of its rods alone ("PART.png"), labels towards the reader.

    Each rod is drawn once, its middle on a corner of pixels: it looks the same wherever it lies, as
    nothing gets smaller with distance. The same bytes for the same set, on every machine.
    """
    view = _View(rods)
    whole = np.full((view.size[1], view.size[0], 3), _WHITE, dtype=np.uint8)
    margin = int(np.ceil(_MARGIN_MM * view.scale))
    pictures = {"set.png": b""}
    for one, frame in zip(rods, view.frames, strict=True):
        drawn = _drawn(one.mesh, frame, view.scale)
        height, width, _ = drawn.shape
        left, top = frame.place[0] - width // 2, frame.place[1] - height // 2
        whole[top : top + height, left : left + width] = drawn
        alone = np.pad(drawn, ((margin,) * 2, (margin,) * 2, (0, 0)), constant_values=_WHITE)
        pictures[f"{one.part}.png"] = _png(alone)
    pictures["set.png"] = _png(whole)
    return pictures


class _Frame(NamedTuple):
    """A rod in the picture.

    Args:
        place: Its middle, pixels from the picture's left and top.
        middle: The same, as seen, mm.
        half: Half of its size, pixels.
    """

    place: tuple[int, int]
    middle: Floats
    half: Floats


class _View:
    """How large things are seen, and where each rod is in the picture."""

    def __init__(self, rods: Sequence[PlacedRod]) -> None:
        boxes = []
        for one in rods:
            flat = _seen(one.mesh.vertices)[:, :2]
            boxes.append((flat.min(axis=0), flat.max(axis=0)))
        shifts = _seen(np.array([(*one.shift_mm, 0.0) for one in rods]))[:, :2]
        lows, highs = (
            np.array(side) + shifts for side in zip(*boxes, strict=True)
        )
        low, high = lows.min(axis=0) - _MARGIN_MM, highs.max(axis=0) + _MARGIN_MM
        self.scale = min(PIXELS_PER_MM, (_MOST_PIXELS - 1) / float((high - low).max()))
        self.size = [int(np.ceil(self.scale * side)) for side in high - low]
        places = np.rint(((lows + highs) / 2 - (low[0], high[1])) * (1, -1) * self.scale)
        self.frames = [
            _Frame((int(x), int(y)), (a + b) / 2, (b - a) / 2 * self.scale)
            for (x, y), (a, b) in zip(places, boxes, strict=True)
        ]


def _seen(places: NDArray[np.floating]) -> Floats:
    """Tilt places towards the reader: right, up and nearness."""
    # Plain sums, which no numeric library orders in its own way.
    x, y, z = np.asarray(places, dtype=np.float64).T
    sine, cosine = float(np.sin(np.radians(TILT_DEG))), float(np.cos(np.radians(TILT_DEG)))
    return np.stack([x, y * cosine - z * sine, y * sine + z * cosine], axis=1)


def _drawn(mesh: ShadedMesh, frame: _Frame, scale: float) -> Pixels:
    """Draw one rod, with a pixel of white about it."""
    seen, half = _seen(mesh.vertices), np.ceil(frame.half).astype(int) + 1
    across, down = ((seen[:, :2] - frame.middle) * (scale, -scale) + half).T
    return draw(
        np.stack([across, down, seen[:, 2]], axis=1), mesh.triangles, _colours(mesh),
        (2 * int(half[0]), 2 * int(half[1])),
    )


def _colours(mesh: ShadedMesh) -> Floats:
    """Light the corners of all triangles: red, green and blue, shape (m, 3, 3)."""
    normals = mesh.normals.astype(np.float64)
    light, mirrored = np.full(len(normals), _AMBIENT), np.zeros(len(normals))
    nearness = _seen(normals)[:, 2]
    for way, strength in _LIGHTS:
        to_light = np.array(way) / np.sqrt(sum(part * part for part in way))
        facing = sum(normals[:, axis] * to_light[axis] for axis in range(3))
        light += _DIFFUSE * strength * np.maximum(facing, 0.0)
        back = 2.0 * facing * nearness - _seen(to_light[None])[0, 2]
        mirrored += _SPECULAR * strength * _power_28(np.maximum(back, 0.0)) * (facing > 0.0)
    material = np.array((_MATERIAL, _INK))[mesh.inked.astype(np.intp)]
    lit, shine = light[mesh.triangles], mirrored[mesh.triangles]
    colours: Floats = material[:, None, :] * lit[..., None] + shine[..., None]
    return np.minimum(colours, 1.0)


def _power_28(base: Floats) -> Floats:
    """Raise by products alone: powers differ in the last digit between processors."""
    fourth = base * base * base * base
    eighth = fourth * fourth
    return eighth * eighth * eighth * fourth


def _png(pixels: Pixels) -> bytes:
    """Write a picture as PNG, each pixel as its difference from the one at its left.

    Source: W3C Portable Network Graphics (PNG) Specification, 5.3 (chunks), 9.2 (filters).
    """
    height, width, _ = pixels.shape
    rows = np.empty((height, 1 + 3 * width), dtype=np.uint8)
    rows[:, 0], flat = _PNG_LEFT_PIXEL, pixels.reshape(height, 3 * width)
    rows[:, 1:4] = flat[:, :3]
    np.subtract(flat[:, 3:], flat[:, :-3], out=rows[:, 4:])
    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    data = zlib.compress(rows.tobytes(), _PNG_LEVEL)
    chunks = ((b"IHDR", head), (b"IDAT", data), (b"IEND", b""))
    return b"\x89PNG\r\n\x1a\n" + b"".join(_chunk(kind, content) for kind, content in chunks)


def _chunk(kind: bytes, content: bytes) -> bytes:
    checked = kind + content
    return struct.pack(">I", len(content)) + checked + struct.pack(">I", zlib.crc32(checked))
