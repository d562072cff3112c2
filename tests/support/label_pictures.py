"""Depth pictures of labels, a stand-in for a coarse print, and an OCR engine that reads them.

A depth picture holds the depth below the label's face in mm, row 0 at the top as a reader sees it.
The reading follows one recipe for every picture, whatever it was made from: threshold halfway,
crop, scale to 40 px high, white border, tesseract in its single-line mode.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy.ndimage import gaussian_filter

from labkit.core.label.lettering import Engraving
from tests.support.stroke_field import coverage

DepthMap = NDArray[np.float64]

PX_PER_MM = 24.0
DEPTH_MM = 0.3
NUMBERS = "0123456789."
MARKED = NUMBERS + "LR"

TEXT_HEIGHT_PX = 40
BORDER_PX = 30
#: Tesseract's Debian package is tesseract-ocr.
TESSERACT = shutil.which("tesseract")


def depth_picture(
    engraving: Engraving, px_per_mm: float = PX_PER_MM, border_mm: float = 1.0
) -> DepthMap:
    """Draw an engraving from its centrelines, DEPTH_MM deep, with flat face around it."""
    width = round((engraving.width_mm + 2.0 * border_mm) * px_per_mm)
    height = round((engraving.depth_mm + 2.0 * border_mm) * px_per_mm)
    xs = (np.arange(width) + 0.5 - width / 2.0) / px_per_mm
    ys = (np.arange(height) + 0.5 - height / 2.0) / px_per_mm
    marks = tuple(mark for glyph in engraving.glyphs for mark in glyph.marks)
    return coverage(marks, engraving.stroke_mm, xs, ys)[::-1].astype(np.float64) * DEPTH_MM


def printed(
    depth_map: DepthMap, sigma_mm: float, seed: int, px_per_mm: float = PX_PER_MM
) -> DepthMap:
    """Blur a depth picture as a coarse process would, and add 4 micrometres of noise."""
    noise = np.random.default_rng(seed).normal(0.0, 0.004, depth_map.shape)
    return np.asarray(gaussian_filter(depth_map, sigma_mm * px_per_mm, mode="nearest")) + noise


def line_image(depth_map: DepthMap) -> Image.Image:
    """Turn a depth picture into black writing on white, characters 40 px high, with a border."""
    low, high = float(depth_map.min()), float(depth_map.max())
    deep = depth_map > (low + high) / 2.0
    rows, columns = np.flatnonzero(deep.any(axis=1)), np.flatnonzero(deep.any(axis=0))
    cropped = deep[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    writing = Image.fromarray(np.where(cropped, 0, 255).astype(np.uint8))
    scale = TEXT_HEIGHT_PX / _text_height(cropped)
    width, height = (max(1, round(size * scale)) for size in writing.size)
    writing = writing.resize((width, height), Image.Resampling.LANCZOS)
    framed = Image.new("L", (width + 2 * BORDER_PX, height + 2 * BORDER_PX), 255)
    framed.paste(writing, (BORDER_PX, BORDER_PX))
    return framed


def _text_height(deep: NDArray[np.bool_]) -> int:
    """Rows down to the first empty one: the characters without a bar under them."""
    empty = np.flatnonzero(~deep.any(axis=1))
    return int(empty[0]) if empty.size else deep.shape[0]


def read_many(depth_maps: list[DepthMap], characters: str = NUMBERS) -> list[str]:
    """Read depth pictures with one tesseract process; blanks are left out of the texts."""
    assert TESSERACT is not None, "tesseract is not installed"
    with tempfile.TemporaryDirectory() as folder:
        names = []
        for k, depth_map in enumerate(depth_maps):
            names.append(f"{folder}/{k:05d}.png")
            line_image(depth_map).save(names[-1])
        listing = Path(folder, "list.txt")
        listing.write_text("\n".join(names) + "\n", encoding="ascii")
        run = subprocess.run(
            [
                TESSERACT, str(listing), "stdout", "--dpi", "300", "--psm", "7", "--oem", "1",
                "-c", f"tessedit_char_whitelist={characters}",
            ],
            env={**os.environ, "OMP_THREAD_LIMIT": "1"},
            capture_output=True,
            text=True,
            check=True,
        )
    pages = run.stdout.split("\f")[: len(depth_maps)]
    assert len(pages) == len(depth_maps), run.stderr
    return ["".join(page.split()) for page in pages]
