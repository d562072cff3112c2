"""Reading binary STL strictly, into welded facets, without the code that wrote it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from labkit.errors import InputError

HEADER_BYTES = 80
COUNT_BYTES = 4
FACET_BYTES = 50
#: A cube needs twelve facets and a tetrahedron four; fewer cannot close.
LEAST_FACETS = 4
#: Facets thinner than this have no direction worth comparing after float32.
THIN_FACET_MM = 1e-4
#: A written normal is a unit vector to within float32.
UNIT_NORMAL = 1e-3

_FACET = np.dtype(
    [("normal", "<f4", (3,)), ("corners", "<f4", (3, 3)), ("attribute", "<u2")]
)
#: Odd 64-bit constants that mix the three coordinates of a vertex into one key.
_MIX = np.array(
    [0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9], dtype=np.uint64
)


@dataclass(frozen=True, eq=False)
class FacetMesh:
    """A welded triangle mesh as read from a file.

    Args:
        vertices: Distinct vertices, mm, shape (n, 3), float64 of the file's float32.
        triangles: Vertex numbers, counter-clockwise from outside, shape (m, 3).
    """

    vertices: NDArray[np.float64]
    triangles: NDArray[np.int32]

    @cached_property
    def corners(self) -> NDArray[np.float64]:
        """Corner coordinates, shape (m, 3, 3)."""
        return self.vertices[self.triangles]

    @cached_property
    def crosses(self) -> NDArray[np.float64]:
        """Facet normals times twice the area, shape (m, 3)."""
        corners = self.corners
        return np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])

    @cached_property
    def normals(self) -> NDArray[np.float64]:
        """Unit normals, shape (m, 3); zero for a facet without area."""
        lengths = np.linalg.norm(self.crosses, axis=1)
        return self.crosses / np.where(lengths > 0.0, lengths, 1.0)[:, None]


def read_stl(path: Path) -> FacetMesh:
    """Read a binary STL file strictly, corners with the same float32 coordinates made one vertex.

    Validity: binary STL of one body; no unit is stored, millimetres are taken.

    Raises:
        InputError: The file is not strictly a binary STL; the sentence says where it is not.

    Source: binary STL as commonly described (80-byte header, count, 50 bytes a facet).
    """
    data = _bytes(path)
    facets = np.frombuffer(data, dtype=_FACET, offset=HEADER_BYTES + COUNT_BYTES)
    _require(not facets["attribute"].any(), path, "an attribute count is not 0")
    corners = facets["corners"]
    _require(bool(np.isfinite(corners).all()), path, "a coordinate is not a finite number")
    mesh = _weld(corners)
    first, second, third = mesh.triangles.T
    distinct = (first != second) & (second != third) & (third != first)
    _require(bool(distinct.all()), path, "a facet has two equal corners")
    _check_normals(path, facets["normal"].astype(np.float64), mesh)
    return mesh


def _bytes(path: Path) -> bytes:
    try:
        data = path.read_bytes()
    except OSError as error:
        raise InputError(f"{path.name} cannot be read: {error.strerror}", where=path.name) from None
    _require(len(data) >= HEADER_BYTES + COUNT_BYTES, path, "it is shorter than its header")
    _require(not data.startswith(b"solid"), path, 'it begins with "solid", as text files do')
    count = int.from_bytes(data[HEADER_BYTES : HEADER_BYTES + COUNT_BYTES], "little")
    wanted = HEADER_BYTES + COUNT_BYTES + FACET_BYTES * count
    _require(
        len(data) == wanted, path,
        f"{count} facets take {wanted} bytes and it has {len(data)}",
    )
    _require(count >= LEAST_FACETS, path, f"{count} facets cannot close a body")
    return data


def _weld(corners: NDArray[np.float32]) -> FacetMesh:
    flat = corners.reshape(-1, 3) + np.float32(0.0)  # −0.0 becomes 0.0
    bits = np.ascontiguousarray(flat).view(np.uint32).astype(np.uint64)
    keys = (bits * _MIX).sum(axis=1, dtype=np.uint64)
    keys ^= keys >> np.uint64(29)
    _, first, numbers = np.unique(keys, return_index=True, return_inverse=True)
    if not np.array_equal(flat[first][numbers], flat):  # two vertices with one key: one in 10^10
        _, first, numbers = np.unique(flat, axis=0, return_index=True, return_inverse=True)
    return FacetMesh(
        vertices=flat[first].astype(np.float64),
        triangles=numbers.reshape(-1, 3).astype(np.int32),
    )


def _check_normals(path: Path, written: NDArray[np.float64], mesh: FacetMesh) -> None:
    """Hold the written normals against the right-hand rule, where a facet has a direction."""
    edges = mesh.corners - np.roll(mesh.corners, 1, axis=1)
    longest = np.sqrt((edges**2).sum(axis=2).max(axis=1))
    heights = np.linalg.norm(mesh.crosses, axis=1) / longest
    firm = heights > THIN_FACET_MM
    lengths = np.linalg.norm(written[firm], axis=1)
    _require(
        bool((np.abs(lengths - 1.0) < UNIT_NORMAL).all()), path, "a normal is not a unit vector"
    )
    agreement = (written[firm] * mesh.normals[firm]).sum(axis=1)
    against = int((agreement <= 0.0).sum())
    _require(
        against == 0, path,
        f"{against} facets have corners that run against their normal (right-hand rule)",
    )


def _require(holds: bool, path: Path, what: str) -> None:
    if not holds:
        raise InputError(
            f"{path.name} is not a strict binary STL: {what}; write it again", where=path.name
        )
