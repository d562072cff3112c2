"""Run by the tests in a process of its own: builds rods and prints what their files hash to."""

from __future__ import annotations

import hashlib
import sys
from pathlib import Path

from labkit.exports.write.mesh import mesh_of
from labkit.exports.write.step import StepHeader, write_step
from labkit.exports.write.stl import write_stl
from labkit.solids.build import build
from tests.solids.rods_to_build import TEMPLATES, label_of, rod_of


def hashes(folder: Path, names=tuple(TEMPLATES)) -> list[str]:
    found = []
    for name in names:
        rod = rod_of(name, "27.3")
        shape = build(rod, label_of(rod)).shape
        step, stl = folder / f"{name}.step", folder / f"{name}.stl"
        write_step(shape, step, StepHeader(rod.part, "2031-03-14", "Dr. Demo", "Demo Lab"))
        write_stl(mesh_of(shape), stl, rod.part)
        found += [hashlib.sha256(path.read_bytes()).hexdigest() for path in (step, stl)]
    return found


if __name__ == "__main__":
    print("\n".join(hashes(Path(sys.argv[1]))))
