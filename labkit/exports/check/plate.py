"""Reading 3MF build plates strictly and holding them against their plan and meshes."""

from __future__ import annotations

import ctypes
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from labkit.core.rod.rods import Plate
from labkit.exports.check import limits
from labkit.exports.check.checks import Check, Checked, Checker
from labkit.exports.write.plates import PlatePlan

#: The 3MF unit "millimeter", as lib3mf numbers it.
MILLIMETRE = 1


@dataclass(frozen=True)
class PlateCheck(Checked):
    """What a written build plate holds."""

    name: str
    checks: tuple[Check, ...]
    warnings: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """Give the result as plain values, in a fixed order."""
        return {
            "file": self.name, "passed": self.passed, "warnings": list(self.warnings),
            "checks": [check.to_json() for check in self.checks],
        }


@dataclass(frozen=True, eq=False)
class _ReadObject:
    """An object of a 3MF: resource number, name, geometry and lib3mf's word on it."""

    number: int
    name: str
    vertices: NDArray[np.float32]
    triangles: NDArray[np.uint32]
    manifold: bool


@dataclass(frozen=True, eq=False)
class _ReadItem:
    """A build item: its object's number and the corners of its box on the bed."""

    number: int
    low: NDArray[np.float64]
    high: NDArray[np.float64]


def check_plate(path: Path, plan: PlatePlan) -> PlateCheck:
    """Read a build plate strictly and hold it against its plan.

    Args:
        plan: What it should hold; its parts' meshes are those of the STL files.

    Returns:
        Every check with its numbers; a failed check is a result, not an error.
    """
    import lib3mf

    checker = Checker("3MF")
    model = lib3mf.get_wrapper().CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    try:
        reader.ReadFromFile(str(path))
    except lib3mf.ELib3MFException as error:
        return PlateCheck(path.name, (checker.unreadable(f"a strict read says {error}"),), ())
    warnings = tuple(str(reader.GetWarning(i)[0]) for i in range(reader.GetWarningCount()))
    meshes = _meshes(model)
    items = _items(model, meshes)
    checks = (
        checker.same("warnings of a strict read", len(warnings), 0),
        checker.same("unit", int(model.GetUnit()), MILLIMETRE),
        checker.same(
            "objects", ", ".join(mesh.name for mesh in meshes),
            ", ".join(part.name for part in plan.parts),
        ),
        checker.same("pieces", _pieces(items, meshes), _counts(plan.quantities())),
        *_mesh_checks(checker, meshes, plan),
        *_place_checks(checker, items, plan),
    )
    return PlateCheck(path.name, checks, warnings)


def _meshes(model: Any) -> list[_ReadObject]:
    import lib3mf

    found, walk = [], model.GetMeshObjects()
    while walk.MoveNext():
        thing = walk.GetCurrentMeshObject()
        found.append(_ReadObject(
            int(thing.GetResourceID()), str(thing.GetName()),
            _coordinates(thing, "getvertices", lib3mf.Position, np.float32),
            _coordinates(thing, "gettriangleindices", lib3mf.Triangle, np.uint32),
            bool(thing.IsManifoldAndOriented()),
        ))
    return found


def _coordinates(thing: Any, getter: str, of: Any, kind: Any) -> NDArray[Any]:
    """Give numbers, three to a row, by the library's C call: its wrapper makes an object of each.

    Args:
        of: What the call takes for a row.
    """
    wrapper, count = thing._wrapper, ctypes.c_uint64(0)
    get = getattr(wrapper.lib, f"lib3mf_meshobject_{getter}")
    wrapper.checkError(thing, get(thing._handle, ctypes.c_uint64(0), count, None))
    found = np.empty((count.value, 3), dtype=kind)
    rows = found.ctypes.data_as(ctypes.POINTER(of))
    wrapper.checkError(thing, get(thing._handle, ctypes.c_uint64(count.value), count, rows))
    return found


def _items(model: Any, meshes: Sequence[_ReadObject]) -> list[_ReadItem]:
    points = {mesh.number: mesh.vertices.astype(np.float64) for mesh in meshes}
    found, walk = [], model.GetBuildItems()
    while walk.MoveNext():
        item = walk.GetCurrent()
        number = int(item.GetObjectResourceID())
        fields = item.GetObjectTransform().Fields
        matrix = np.array([[float(value) for value in row] for row in fields])
        placed = points[number] @ matrix[:3] + matrix[3]
        found.append(_ReadItem(number, placed.min(axis=0), placed.max(axis=0)))
    return found


def _counts(quantities: Mapping[str, int]) -> str:
    return ", ".join(f"{count} × {name}" for name, count in quantities.items())


def _pieces(items: Sequence[_ReadItem], meshes: Sequence[_ReadObject]) -> str:
    counted = Counter(item.number for item in items)
    return _counts({mesh.name: counted[mesh.number] for mesh in meshes})


def _mesh_checks(
    checker: Checker, meshes: Sequence[_ReadObject], plan: PlatePlan
) -> list[Check]:
    checks = []
    for mesh, part in zip(meshes, plan.parts, strict=False):
        named = f"facets of {mesh.name} as in its STL"
        held = part.vertices.astype(np.float32)
        same = np.array_equal(mesh.triangles, part.triangles) and held.shape == mesh.vertices.shape
        worst = float(np.abs(mesh.vertices - held).max()) if same else None
        checks += [
            checker.at_most(named, worst, limits.PLATE_VERTEX_MM),
            checker.same(f"{mesh.name} manifold and oriented", mesh.manifold, True),
        ]
    return checks


def _place_checks(checker: Checker, items: Sequence[_ReadItem], plan: PlatePlan) -> list[Check]:
    room, plate = limits.PLATE_PLACE_MM, plan.plate
    lift = {part.lift_mm for part in plan.parts}
    low = np.array([plate.border_mm, plate.border_mm]) - room
    high = np.array([plate.width_mm, plate.depth_mm]) - plate.border_mm + room
    inside = all(
        bool((item.low[:2] >= low).all() and (item.high[:2] <= high).all()) for item in items
    )
    lying = all(min(abs(float(item.low[2]) - one) for one in lift) <= room for item in items)
    gaps = [
        float(np.maximum(other.low[:2] - one.high[:2], one.low[:2] - other.high[:2]).max())
        for index, one in enumerate(items) for other in items[index + 1 :]
    ]
    off = all(
        bool((item.high[:2] <= zone_low + room).any() or (item.low[:2] >= zone_high - room).any())
        for item in items for zone_low, zone_high in _zones(plate)
    )
    top = max((float(item.high[2]) for item in items), default=None)
    apart = all(gap >= plate.spacing_mm - room for gap in gaps)
    return [
        checker.same("pieces within the bed's border", inside, True),
        checker.same("pieces lie on the bed", lying, True),
        checker.near("height of the build", top, plan.height_mm, limits.MESH_BOX_MM),
        checker.same("pieces are spaced apart", apart, True),
        *([checker.same("pieces off the keep-out zones", off, True)] if plate.keep_out else ()),
    ]


def _zones(plate: Plate) -> Iterator[tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """Give the corners of the zones of the bed where nothing may lie."""
    for zone in plate.keep_out:
        low = np.array([zone.x_mm, zone.y_mm])
        yield low, low + np.array([zone.width_mm, zone.depth_mm])
