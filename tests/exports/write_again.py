"""Run by the tests in a process of its own: builds rods and prints what their files hash to."""

from __future__ import annotations

import hashlib

from labkit.exports.write.rod import rod_shape
from labkit.exports.write.step import StepHeader
from labkit.exports.write.stl import stl_bytes
from tests.solids.rods_to_build import TEMPLATES, label_of, rod_of


def hashes(names=tuple(TEMPLATES)) -> list[str]:
    found = []
    for name in names:
        rod = rod_of(name, "27.3")
        shape = rod_shape(rod, label_of(rod))
        header = StepHeader(rod.part, "2031-03-14", "Dr. Demo", "Demo Lab")
        files = (shape.step(header), stl_bytes(shape.mesh(), rod.part))
        found += [hashlib.sha256(file).hexdigest() for file in files]
    return found


if __name__ == "__main__":
    print("\n".join(hashes()))
