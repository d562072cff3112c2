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

#: A facet: 12 float32 (normal, then three corners) and a uint16.
_NUMBERS_BYTES, _NUMBERS = 48, 12
#: Odd 64-bit constants that mix the three coordinates of a vertex into one key.
_MIX = np.array(
    [0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9], dtype=np.uint64
)
#: Of such a key the upper 40 bits do, beside which there is room for the place of a corner; in a
#: file of some 10,000 two vertices share them, and the whole key is looked at.
_KEY_SHIFTS = (np.uint64(24), np.uint64(0))
#: More than any array of a rod takes, and within what the C library's threshold rises to.
_KEPT_BYTES = 31 << 20


def _keep_memory() -> None:
    """Have the C library keep what arrays took, where it would give it back to the system.

    It took the next arrays page by page then, for a fifth of what a check costs. Once a block was
    freed, it keeps what is smaller.

    Source: mallopt(3), dynamic threshold for mmap; with other C libraries nothing comes of it.
    """
    block = np.empty(_KEPT_BYTES, dtype=np.uint8)
    del block


_keep_memory()


@dataclass(frozen=True, eq=False)
class FacetMesh:
    """A welded triangle mesh as read from a file.

    Args:
        vertices: Distinct vertices, mm, shape (n, 3), float64 of the file's float32.
        triangles: Vertex numbers, counter-clockwise from outside, shape (m, 3).
        placed: Coordinates of their corners, where they are at hand: (3 coordinates, 3 corners, m).
    """

    vertices: NDArray[np.float64]
    triangles: NDArray[np.int32]
    placed: NDArray[np.float64] | None = None

    # What is worked out is (m, 3) to its readers, and lies in memory coordinate by coordinate:
    # arithmetic on it is several times as fast.

    @cached_property
    def corners(self) -> NDArray[np.float64]:
        """Corner coordinates, shape (m, 3, 3)."""
        return self._by_coordinate.T

    def corners_of(self, facets: NDArray[np.intp]) -> NDArray[np.float64]:
        """Give the corner coordinates of some facets, shape (n, 3, 3)."""
        return self._by_coordinate.take(facets, axis=2).T

    @cached_property
    def _by_coordinate(self) -> NDArray[np.float64]:
        if self.placed is not None:
            return self.placed
        return self.vertices.T.take(self.triangles.T, axis=1)

    @cached_property
    def crosses(self) -> NDArray[np.float64]:
        """Facet normals times twice the area, shape (m, 3)."""
        first, second, third = self._by_coordinate.transpose(1, 0, 2)
        return crossed(second - first, third - first).T

    @cached_property
    def twice_areas(self) -> NDArray[np.float64]:
        """Twice the area of each facet, mm²."""
        return np.sqrt(squares_of(self.crosses))

    @cached_property
    def normals(self) -> NDArray[np.float64]:
        """Unit normals, shape (m, 3); zero for a facet without area."""
        lengths = self.twice_areas
        return self.crosses / np.where(lengths > 0.0, lengths, 1.0)[:, None]


def crossed(one: NDArray[np.float64], other: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give the cross products of vectors, shape (3, n)."""
    return np.stack([
        one[1] * other[2] - one[2] * other[1],
        one[2] * other[0] - one[0] * other[2],
        one[0] * other[1] - one[1] * other[0],
    ])


def squares_of(vectors: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give the squared lengths of vectors, shape (n, 3)."""
    x, y, z = vectors.T
    return np.asarray(x * x + y * y + z * z)


def sorted_with_places(keys: NDArray[np.uint64]) -> tuple[NDArray[np.uint64], NDArray[np.intp]]:
    """Sort whole numbers, and tell where each stood; equal ones keep their order.

    Numbers are sorted several times as fast as their places: while both fit into 64 bits, one
    number is made of the two.

    >>> sorted_with_places(np.array([7, 3, 7], dtype=np.uint64))[1].tolist()
    [1, 0, 2]
    """
    bits = len(keys).bit_length()
    if not len(keys) or int(keys.max()).bit_length() + bits > 64:
        order = np.argsort(keys, kind="stable")
        return keys[order], order
    both = np.sort(keys << np.uint64(bits) | np.arange(len(keys), dtype=np.uint64))
    places = both & np.uint64((1 << bits) - 1)
    return both >> np.uint64(bits), places.astype(np.intp)


def read_stl(path: Path) -> FacetMesh:
    """Read a binary STL file strictly, corners with the same float32 coordinates made one vertex.

    Validity: binary STL of one body; no unit is stored, millimetres are taken.

    Raises:
        InputError: The file is not strictly a binary STL; the sentence says where it is not.

    Source: binary STL as commonly described (80-byte header, count, 50 bytes a facet).
    """
    data = _bytes(path)
    facets = np.frombuffer(data, dtype=np.uint8, offset=HEADER_BYTES + COUNT_BYTES)
    facets = facets.reshape(-1, FACET_BYTES)
    _require(not facets[:, _NUMBERS_BYTES:].any(), path, "an attribute count is not 0")
    rows = np.ascontiguousarray(facets[:, :_NUMBERS_BYTES]).view("<f4")
    numbers = np.ascontiguousarray(rows.T).reshape(4, 3, -1)
    _require(bool(np.isfinite(numbers[1:]).all()), path, "a coordinate is not a finite number")
    mesh = _weld(numbers[1:])
    first, second, third = mesh.triangles.T
    distinct = (first != second) & (second != third) & (third != first)
    _require(bool(distinct.all()), path, "a facet has two equal corners")
    _check_normals(path, numbers, mesh)
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
    """Make equal corners one vertex.

    Args:
        corners: Corner by corner, coordinate by coordinate, shape (3, 3, m).
    """
    points = corners.transpose(1, 0, 2).reshape(3, -1) + np.float32(0.0)  # −0.0 becomes 0.0
    x, y, z = points.view(np.uint32)
    keys = x * _MIX[0] + y * _MIX[1] + z * _MIX[2]
    keys ^= keys >> np.uint64(29)
    for shift in _KEY_SHIFTS:
        first, numbers = _numbered(keys >> shift)
        if all(np.array_equal(one.take(first).take(numbers), one) for one in points):
            break
    else:
        _, first, numbers = np.unique(points, axis=1, return_index=True, return_inverse=True)
    return FacetMesh(
        vertices=np.ascontiguousarray(points.take(first, axis=1).T, dtype=np.float64),
        triangles=np.ascontiguousarray(numbers.reshape(3, -1).T, dtype=np.int32),
        placed=points.astype(np.float64).reshape(3, 3, -1),
    )


def _numbered(keys: NDArray[np.uint64]) -> tuple[NDArray[np.intp], NDArray[np.int32]]:
    """Number the different keys, rising: where each stands first, and the number of each key."""
    ordered, order = sorted_with_places(keys)
    new = np.concatenate([[True], ordered[1:] != ordered[:-1]])
    numbers = np.empty(len(keys), dtype=np.int32)
    numbers[order] = np.cumsum(new, dtype=np.int32) - 1
    return order[new], numbers


def _check_normals(path: Path, numbers: NDArray[np.float32], mesh: FacetMesh) -> None:
    """Hold the written normals against the right-hand rule, where facets have one.

    A facet has a direction where its height is more than nothing: twice its area over its longest
    edge.

    Args:
        numbers: Normals and corners as written, coordinate by coordinate, shape (4, 3, m).
    """
    normals, corners = numbers[0], numbers[1:]
    with np.errstate(over="ignore"):  # of a part that is far too large
        edges = (corners[[1, 2, 0]] - corners) ** 2
        longest = edges.sum(axis=1).max(axis=0)
    firm = squares_of(mesh.crosses) > THIN_FACET_MM**2 * longest
    off = np.abs(np.sqrt((normals**2).sum(axis=0)) - 1.0)
    _require(not (firm & ~(off < UNIT_NORMAL)).any(), path, "a normal is not a unit vector")
    agreement = (normals * mesh.crosses.T).sum(axis=0)
    against = int((firm & ~(agreement > 0.0)).sum())
    _require(
        against == 0, path,
        f"{against} facets have corners that run against their normal (right-hand rule)",
    )


def _require(holds: bool, path: Path, what: str) -> None:
    if not holds:
        raise InputError(
            f"{path.name} is not a strict binary STL: {what}; write it again", where=path.name
        )
