"""Run in a process of its own: Gmsh reads a STEP file and prints its solids and their volume."""

from __future__ import annotations

import sys

import gmsh


def main(path: str) -> None:
    gmsh.initialize(interruptible=False)
    gmsh.option.setNumber("General.Terminal", 0)
    gmsh.model.occ.importShapes(path)
    gmsh.model.occ.synchronize()
    solids = gmsh.model.getEntities(3)
    print(len(solids), repr(sum(gmsh.model.occ.getMass(3, tag) for _, tag in solids)))
    gmsh.finalize()


if __name__ == "__main__":
    main(sys.argv[1])
