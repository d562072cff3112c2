"""PrusaSlicer 2.5 on the command line, a general open slicer (Debian package prusa-slicer).

It knows nothing of the project. `--info` prints a block of `key = value` lines for each object of a
file; where it had to repair a mesh the block has lines beside those of KEYS.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

SLICER = shutil.which("prusa-slicer")
WHY = "needs prusa-slicer (Debian package prusa-slicer)"
#: What it says of a mesh that it did not touch.
KEYS = (
    "size_x", "size_y", "size_z", "min_x", "min_y", "min_z", "max_x", "max_y", "max_z",
    "number_of_facets", "manifold", "number_of_parts", "volume",
)
LAYER_MM = 0.2
#: Walls alone: what is inside takes time and tells nothing of height, parts or supports.
_QUICK = (
    "--layer-height", str(LAYER_MM), "--first-layer-height", str(LAYER_MM), "--perimeters", "1",
    "--fill-density", "0", "--top-solid-layers", "0", "--bottom-solid-layers", "0",
    "--skirts", "0", "--dont-arrange", "--gcode-label-objects",
)


def _run(*arguments: str) -> str:
    assert SLICER is not None, WHY
    done = subprocess.run(
        [SLICER, *arguments], capture_output=True, text=True, check=False, timeout=300
    )
    assert done.returncode == 0, done.stderr[-500:]
    return done.stdout


def info(path: Path) -> list[dict[str, str]]:
    """Give what it says of each object of a file."""
    blocks: list[dict[str, str]] = []
    for line in _run("--info", str(path)).splitlines():
        if line == f"[{path.name}]":
            blocks.append({})
        elif match := re.fullmatch(r"(\w+) =\s+(\S+)", line):
            blocks[-1][match[1]] = match[2]
        elif blocks:
            raise AssertionError(f"a line that says nothing known: {line}")
    return blocks


class Sliced:
    """What it makes of a file: heights of layers, objects printed, lines of supports."""

    def __init__(self, path: Path, *, supports: bool = False) -> None:
        out = path.with_suffix(".gcode")
        asked = ("--support-material", "--support-material-threshold", "45") if supports else ()
        _run("--export-gcode", *_QUICK, *asked, "-o", str(out), str(path))
        text = out.read_text("utf-8")
        self.top_mm = max(float(z) for z in re.findall(r"^;Z:([\d.]+)$", text, re.MULTILINE))
        self.objects = sorted(set(re.findall(r"^; printing object (.*)$", text, re.MULTILINE)))
        self.support_lines = len(re.findall(r"^;TYPE:Support", text, re.MULTILINE))
