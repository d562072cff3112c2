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
        # `take` gathers rows five times as fast as an index does.
        return self.vertices.take(self.triangles, axis=0)

    @cached_property
    def crosses(self) -> NDArray[np.float64]:
        """Facet normals times twice the area, shape (m, 3)."""
        corners = self.corners
        return np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])

    @cached_property
    def twice_areas(self) -> NDArray[np.float64]:
        """Twice the area of each facet, mm²."""
        return lengths_of(self.crosses)

    @cached_property
    def normals(self) -> NDArray[np.float64]:
        """Unit normals, shape (m, 3); zero for a facet without area."""
        lengths = self.twice_areas
        return self.crosses / np.where(lengths > 0.0, lengths, 1.0)[:, None]

    @cached_property
    def low(self) -> NDArray[np.float64]:
        """Low corner of the box round each facet, shape (m, 3)."""
        first, second, third = (self.corners[:, place] for place in range(3))
        return np.minimum(np.minimum(first, second), third)

    @cached_property
    def high(self) -> NDArray[np.float64]:
        """High corner of the box round each facet, shape (m, 3)."""
        first, second, third = (self.corners[:, place] for place in range(3))
        return np.maximum(np.maximum(first, second), third)


def lengths_of(vectors: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give the lengths of vectors, shape (n, 3); numpy's own norm takes four times as long."""
    return np.asarray(np.sqrt(np.einsum("ij,ij->i", vectors, vectors)))


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
    x, y, z = np.ascontiguousarray(flat).view(np.uint32).T
    keys = x * _MIX[0] + y * _MIX[1] + z * _MIX[2]
    keys ^= keys >> np.uint64(29)
    order = np.argsort(keys)
    ordered = keys[order]
    new = np.concatenate([[True], ordered[1:] != ordered[:-1]])
    first, numbers = order[new], np.empty(len(keys), dtype=np.intp)
    numbers[order] = np.cumsum(new) - 1
    distinct = flat.take(first, axis=0)
    if not np.array_equal(distinct.take(numbers, axis=0), flat):
        # Two vertices with one key: one in 10^10.
        distinct, numbers = np.unique(flat, axis=0, return_inverse=True)
    return FacetMesh(
        vertices=distinct.astype(np.float64),
        triangles=numbers.reshape(-1, 3).astype(np.int32),
    )


def _check_normals(path: Path, written: NDArray[np.float64], mesh: FacetMesh) -> None:
    """Hold the written normals against the right-hand rule, where a facet has a direction."""
    first, second, third = (mesh.corners[:, place] for place in range(3))
    longest = np.maximum(
        np.maximum(lengths_of(second - first), lengths_of(third - second)),
        lengths_of(first - third),
    )
    firm = mesh.twice_areas / longest > THIN_FACET_MM
    lengths = lengths_of(written)[firm]
    _require(
        bool((np.abs(lengths - 1.0) < UNIT_NORMAL).all()), path, "a normal is not a unit vector"
    )
    agreement = np.einsum("ij,ij->i", written, mesh.crosses)[firm]
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
