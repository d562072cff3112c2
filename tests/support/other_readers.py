"""Other programs' readers on a rod's delivered files: each says what is wrong, nothing if all is.

Gmsh brings a kernel of its own and runs in its own process, many files at a time.
"""

from __future__ import annotations

import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import manifold3d
import numpy as np
import trimesh
from steputils import p21

from labkit.exports.check.plate import check_plate
from labkit.exports.write.plates import PlatePlan
from tests.support.kernel_step import kernel_says, not_as_written

ROOT = Path(__file__).parents[2]
#: The kernel and Gmsh integrate over a dome that a flat cuts to 2e-8 of the volume.
STEP_SHARE = 1e-7
#: What chords take from a rod's volume, or leave in its bores.
MESH_SHARE = 2e-3


@dataclass(frozen=True)
class Delivered:
    """A rod's files.

    Args:
        plan: Of the build plate with this rod alone.
        volume_mm3: By closed formulas.
        holes: Through holes of the rod.
    """

    step: Path
    stl: Path
    threemf: Path
    plan: PlatePlan
    volume_mm3: float
    holes: int


def by_kernel(one: Delivered) -> str:
    says = kernel_says(one.step)
    if says is None or not says.valid or says.solids != 1:
        return f"reads {says}"
    if abs(says.volume_mm3 / one.volume_mm3 - 1.0) > STEP_SHARE:
        return f"measures {says.volume_mm3} mm³ instead of {one.volume_mm3}"
    return not_as_written(one.step)


def by_steputils(one: Delivered) -> str:
    file = p21.readfile(str(one.step))
    (data,) = file.data
    kinds = Counter(
        entity.entity.name for entity in data.instances.values() if hasattr(entity, "entity")
    )
    text = one.step.read_text("ascii")
    schema = file.header["FILE_SCHEMA"].params[0][0]
    if not schema.startswith("AP242_MANAGED_MODEL_BASED_3D_ENGINEERING_MIM_LF"):
        return f"reads the schema {schema}"
    found = len(data.instances), kinds["MANIFOLD_SOLID_BREP"], kinds["ADVANCED_FACE"]
    wanted = text.count("\n#"), 1, text.count("= ADVANCED_FACE(")
    return "" if found == wanted else f"finds {found} instead of {wanted}"


def by_trimesh(one: Delivered) -> str:
    mesh = trimesh.load(one.stl)
    if not (mesh.is_watertight and mesh.is_winding_consistent and mesh.is_volume):
        return "does not find it closed and one way round"
    if mesh.body_count != 1 or 1 - mesh.euler_number // 2 != one.holes:
        return f"finds {mesh.body_count} bodies, Euler number {mesh.euler_number}"
    off = abs(mesh.volume / one.volume_mm3 - 1.0)
    return "" if off < MESH_SHARE else f"measures {mesh.volume} mm³"


def by_manifold(one: Delivered) -> str:
    corners = trimesh.load(one.stl)
    body = manifold3d.Manifold(manifold3d.Mesh(
        np.asarray(corners.vertices, np.float32), np.asarray(corners.faces, np.uint32)
    ))
    if body.status() != manifold3d.Error.NoError or body.genus() != one.holes:
        return f"says {body.status()}, {body.genus()} holes"
    off = abs(body.volume() / one.volume_mm3 - 1.0)
    return "" if off < MESH_SHARE else f"measures {body.volume()} mm³"


def by_lib3mf(one: Delivered) -> str:
    """Read strictly: no warning, every mesh manifold, and what the plan says."""
    return "; ".join(check_plate(one.threemf, one.plan).failures)


READERS: dict[str, Callable[[Delivered], str]] = {
    "kernel": by_kernel, "steputils": by_steputils, "trimesh": by_trimesh,
    "manifold3d": by_manifold, "lib3mf": by_lib3mf,
}


def by_gmsh(several: list[Delivered]) -> list[str]:
    """Read the STEP files of several rods."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.support.gmsh_volume", *(str(one.step) for one in several)],
        cwd=ROOT, capture_output=True, text=True, check=True, timeout=600,
    )
    told = []
    for one, line in zip(several, done.stdout.splitlines(), strict=True):
        count, volume = line.split()
        right = count == "1" and abs(float(volume) / one.volume_mm3 - 1.0) < STEP_SHARE
        told.append("" if right else f"finds {count} solids of {volume} mm³")
    return told


def read_by_all(several: list[Delivered], seconds: Counter[str]) -> list[str]:
    """Read the files of several rods by every reader.

    Args:
        seconds: Processor time of each reader (of Gmsh: time on the clock), added to.
    """
    wrong = []
    for name, read in READERS.items():
        start = time.process_time()
        wrong += [f"{name}: {one.step.name} {told}" for one in several if (told := read(one))]
        seconds[name] += time.process_time() - start
    start = time.perf_counter()
    found = by_gmsh(several)
    seconds["gmsh"] += time.perf_counter() - start
    gmsh = zip(several, found, strict=True)
    return wrong + [f"gmsh: {one.step.name} {told}" for one, told in gmsh if told]
