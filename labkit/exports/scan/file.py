"""Reading a scan leniently: STL, PLY, OBJ or 3MF, open, flipped, several shells."""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from labkit.errors import InputError
from labkit.exports.expected.base import Array
from labkit.exports.scan.formats import (
    MOST_FACETS,
    UnreadableError,
    obj_facets,
    ply_facets,
    threemf_facets,
    too_many,
)

HEADER_BYTES = 80
COUNT_BYTES = 4
#: A file beyond this holds more than a scanned rod can (some 6 million facets), and measuring it
#: would take more memory than a lab's computer has.
MOST_BYTES = 300_000_000
#: Fewer facets than these show no rod.
LEAST_FACETS = 50
#: Vertices closer than this share of the scan's size are one: programs write float32 or six digits.
WELD_SHARE = 2e-7
#: Vertices of one mesh in two files agree to this, however many digits were written.
SAME_SHAPE_MM = 0.001
#: Coordinates beyond this are damage, not a place in any unit.
LARGEST = 1e7

_FACET = np.dtype([("normal", "<f4", (3,)), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
_VERTEX = re.compile(rb"vertex\s+(\S+)\s+(\S+)\s+(\S+)", re.IGNORECASE)


@dataclass(frozen=True, eq=False)
class ScanMesh:
    """The facets of a scan as they stand in the file, in the file's unit.

    Args:
        vertices: Distinct vertices, shape (n, 3), counted from `origin`.
        triangles: Vertex numbers, shape (m, 3); which way round means nothing.
        origin: Middle of the scan in the file's coordinates.
    """

    vertices: Array
    triangles: NDArray[np.intp]
    origin: tuple[float, float, float]
    notes: tuple[str, ...] = ()

    @property
    def corners(self) -> Array:
        """Corner coordinates, shape (m, 3, 3)."""
        return self.vertices[self.triangles]

    @property
    def sha256(self) -> str:
        """Digest of the mesh as a shape: the same whatever stands round it in the file."""
        return _digest(self.vertices)

    @property
    def size(self) -> float:
        """Diagonal of the bounding box, in the file's unit."""
        return float(np.linalg.norm(np.ptp(self.vertices, axis=0)))


def _digest(vertices: Array) -> str:
    rounded = np.round(vertices / SAME_SHAPE_MM).astype(np.int64)
    return hashlib.sha256(rounded[np.lexsort(rounded.T)].tobytes()).hexdigest()


def read_scan(path: Path) -> ScanMesh:
    """Read a mesh as scanners and their programs write it: STL, PLY, OBJ or 3MF.

    Facets without area, or with a coordinate that is no number, are left out and counted in the
    notes. Normals and the way round are not used.

    Validity: any unit, any place; header, attributes, colours and normals may hold anything.

    Raises:
        InputError: The file cannot be read, is none of these, is too large, is cut short or holds
            next to nothing.
    """
    data = scan_bytes(path)
    try:
        if data.startswith(b"ply"):
            corners = ply_facets(data)
        elif data.startswith(b"PK"):
            corners = threemf_facets(data, MOST_BYTES)
        elif path.suffix.lower() == ".obj":
            corners = obj_facets(data)
        else:
            facets = _binary(data)
            if facets is not None and len(facets) > MOST_FACETS:
                raise too_many()
            corners = _text(data, path) if facets is None else facets.astype(np.float64)
        if len(corners) > MOST_FACETS:
            raise too_many()
    except UnreadableError as error:
        raise _wrong(path, str(error)) from None
    return _mesh(corners, path)


def scan_bytes(path: Path) -> bytes:
    """Give the bytes of a scan's file, never more than MOST_BYTES.

    Raises:
        InputError: It cannot be read, is no plain file or is too large.
    """
    try:
        if path.exists() and not path.is_file():
            raise _wrong(path, "it is not a file; name one")  # a pipe would be waited for
        with path.open("rb") as stream:
            # What grows while it is read, or tells no size, is not read for ever.
            size = path.stat().st_size
            data = b"" if size > MOST_BYTES else stream.read(MOST_BYTES + 1)
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror}", where=path.name) from None
    if max(size, len(data)) > MOST_BYTES:
        most = MOST_BYTES // 1_000_000
        raise _wrong(path, f"it has more than {most} MB; thin the scan out first")
    return data


def _binary(data: bytes) -> NDArray[np.float32] | None:
    """Take the facets of a binary file, None where its length is not that of one."""
    start = HEADER_BYTES + COUNT_BYTES
    if len(data) < start:
        return None
    count = int.from_bytes(data[HEADER_BYTES:start], "little")
    # Some programs leave a few bytes after the last facet.
    if not count or not 0 <= len(data) - start - count * _FACET.itemsize < _FACET.itemsize:
        return None
    corners: NDArray[np.float32] = np.frombuffer(data, _FACET, count, start)["corners"]
    return corners


def _text(data: bytes, path: Path) -> Array:
    if b"vertex" not in data[:100_000].lower():
        raise _wrong(path, _why_no_stl(data))
    numbers = [group for match in _VERTEX.finditer(data) for group in match.groups()]
    if len(numbers) % 9:
        raise _wrong(path, "its last facet is incomplete; the file is incomplete; export it again")
    try:
        values = np.array(numbers, dtype="S").astype(np.float64)
    except ValueError:
        raise _wrong(path, "a vertex is not three numbers; export the scan again") from None
    return values.reshape(-1, 3, 3)


def _why_no_stl(data: bytes) -> str:
    start = HEADER_BYTES + COUNT_BYTES
    if not data:
        return "it is empty"
    if len(data) >= start and b"facet" not in data[:1000].lower():
        count = int.from_bytes(data[HEADER_BYTES:start], "little")
        wanted = start + count * _FACET.itemsize
        if 0 < count < 100_000_000 and len(data) < wanted:
            return f"{count} facets take {wanted} bytes and it has {len(data)}; it is incomplete"
    return "it is neither STL nor PLY, OBJ or 3MF; export the scan as STL in millimetres"


def _mesh(corners: Array, path: Path) -> ScanMesh:
    sound = np.isfinite(corners).all(axis=(1, 2)) & (np.abs(corners) < LARGEST).all(axis=(1, 2))
    notes = []
    if not sound.all():
        count = int((~sound).sum())
        notes.append(f"{count} facets with a coordinate that is not a number left out")
    corners = corners[sound]
    if len(corners) < LEAST_FACETS:
        raise _wrong(path, f"{len(corners)} facets show no rod; scan it again")
    low, high = corners.min(axis=(0, 1)), corners.max(axis=(0, 1))
    middle = (low + high) / 2.0
    step = max(float((high - low).max()) * WELD_SHARE, 1e-12)
    keys = np.round((corners.reshape(-1, 3) - middle) / step).astype(np.int64)
    _, first, number = np.unique(_mixed(keys), return_index=True, return_inverse=True)
    if not np.array_equal(keys[first][number], keys):  # two vertices with one key
        _, first, number = np.unique(keys, axis=0, return_index=True, return_inverse=True)
    vertices = corners.reshape(-1, 3)[first] - middle
    triangles = number.reshape(-1, 3)
    full = (triangles != np.roll(triangles, 1, axis=1)).all(axis=1)
    triangles = triangles[full]
    if len(triangles) < LEAST_FACETS:
        raise _wrong(path, f"{len(triangles)} facets with area show no rod; scan it again")
    return ScanMesh(
        vertices, triangles, (float(middle[0]), float(middle[1]), float(middle[2])), tuple(notes)
    )


def _mixed(keys: NDArray[np.int64]) -> NDArray[np.int64]:
    """Make one number of three: each fits 23 bits and a sign, for 1/WELD_SHARE steps."""
    span = int(2.0 / WELD_SHARE)
    shifted = keys + span // 2
    # 3 × 24 bits do not fit in 63: the third is folded in by an odd multiplier.
    mixed: NDArray[np.int64] = (shifted[:, 0] * span + shifted[:, 1]) ^ (
        shifted[:, 2] * 0x165667B19E3779
    )
    return mixed


def _wrong(path: Path, what: str) -> InputError:
    return InputError(f"cannot be measured: {what}", where=path.name)
