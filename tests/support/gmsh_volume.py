"""Run in a process of its own: Gmsh reads STEP files and prints the solids and volume of each."""

from __future__ import annotations

import sys

import gmsh


def main(paths: list[str]) -> None:
    gmsh.initialize(interruptible=False)
    gmsh.option.setNumber("General.Terminal", 0)
    for path in paths:
        gmsh.clear()
        gmsh.model.occ.importShapes(path)
        gmsh.model.occ.synchronize()
        solids = gmsh.model.getEntities(3)
        print(len(solids), repr(sum(gmsh.model.occ.getMass(3, tag) for _, tag in solids)))
    gmsh.finalize()


if __name__ == "__main__":
    main(sys.argv[1:])
