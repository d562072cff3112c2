"""Run in a process of its own: Gmsh reads a STEP file and prints its volume."""

from __future__ import annotations

import sys

import gmsh

gmsh.initialize(interruptible=False)
gmsh.option.setNumber("General.Terminal", 0)
gmsh.model.occ.importShapes(sys.argv[1])
gmsh.model.occ.synchronize()
solids = gmsh.model.getEntities(3)
print(len(solids), repr(sum(gmsh.model.occ.getMass(3, tag) for _, tag in solids)))
gmsh.finalize()
