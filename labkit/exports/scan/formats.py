"""Facets of scans in PLY, OBJ and 3MF: corners (m, 3, 3), whatever else the file holds left out."""

from __future__ import annotations

import io
import warnings
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from labkit.exports.expected.base import Array

#: More facets than a rod's scan ever needs; each takes some 500 bytes while it is measured.
MOST_FACETS = 2_000_000
#: Components within components of a 3MF.
MOST_DEPTH = 8
_PLY_KINDS = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1", "short": "i2", "int16": "i2",
    "ushort": "u2", "uint16": "u2", "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4",
    "float": "f4", "float32": "f4", "double": "f8", "float64": "f8",
}
_PLY_ORDERS = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}
#: lib3mf's numbers of the units of a 3MF.
_UNITS = ("micrometres", "millimetres", "centimetres", "inches", "feet", "metres")


class UnreadableError(ValueError):
    """What is wrong with a file, as the end of a sentence."""


def too_many(what: str = "facets") -> UnreadableError:
    """Say that a scan is too large to be measured."""
    return UnreadableError(f"it has more than {MOST_FACETS} {what}; thin the scan out first")


def facets_of(vertices: Array, polygons: NDArray[np.int64]) -> Array:
    """Give the corners of polygons (m, k), cut into triangles from their first corner."""
    if polygons.size and not 0 <= polygons.min() <= polygons.max() < len(vertices):
        raise UnreadableError("a facet names a vertex that is not there; export the scan again")
    if len(polygons) * max(polygons.shape[1] - 2, 1) > MOST_FACETS:
        raise too_many()
    fans = [polygons[:, [0, k, k + 1]] for k in range(1, polygons.shape[1] - 1)]
    return vertices[np.concatenate(fans)] if fans else np.zeros((0, 3, 3))


@dataclass
class _Element:
    """One kind of thing in a PLY: how many, and their properties (name, kind, kind of a count)."""

    name: str
    count: int
    properties: list[tuple[str, str, str]] = field(default_factory=list)


def ply_facets(data: bytes) -> Array:
    """Read a PLY, text or binary, of triangles or other facets with corners alike in number."""
    head, mark, body = data.partition(b"end_header")
    if not mark:
        raise UnreadableError("its header has no end; the file is incomplete")
    order, elements = _ply_header(head.decode("ascii", "replace"))
    body = body[body.find(b"\n") + 1 :]
    numbers = _numbers(body) if not order else None
    tables: dict[str, Mapping[str, NDArray[Any]]] = {}
    at = 0
    for element in elements:
        if numbers is None:
            tables[element.name], at = _binary_rows(element, body, at, order)
        else:
            tables[element.name], at = _text_rows(element, numbers, at)
    try:
        vertex, face = tables["vertex"], tables["face"]
        vertices = np.column_stack([vertex[axis] for axis in "xyz"]).astype(np.float64)
        polygons = next(face[name] for name in ("vertex_indices", "vertex_index") if name in face)
    except (KeyError, StopIteration):
        raise UnreadableError("it has no facets; export the scan as a mesh") from None
    if not (np.abs(polygons) < 2.0**53).all():  # no number, or none that a vertex can have
        raise UnreadableError("a facet names a vertex that is not there; export the scan again")
    return facets_of(vertices, polygons.astype(np.int64))


def _ply_header(head: str) -> tuple[str, list[_Element]]:
    order, elements = None, list[_Element]()
    try:
        for line in head.splitlines():
            match line.split():
                case ["format", name, *_]:
                    order = _PLY_ORDERS[name]
                case ["element", name, count]:
                    elements.append(_Element(name, int(count)))
                case ["property", "list", count, kind, name]:
                    elements[-1].properties.append((name, _PLY_KINDS[kind], _PLY_KINDS[count]))
                case ["property", kind, name]:
                    elements[-1].properties.append((name, _PLY_KINDS[kind], ""))
    except (KeyError, IndexError, ValueError):
        order = None
    if order is None or not _can_be_read(elements):
        raise UnreadableError("its header is not that of a PLY file; export the scan again")
    for element in elements:
        if not 0 <= element.count <= 3 * MOST_FACETS:
            raise too_many()
    return order, elements


def _can_be_read(elements: list[_Element]) -> bool:
    """Tell whether names are single, counts are whole, and lists stand where they should."""
    for element in elements:
        names = [name for name, _, _ in element.properties]
        names += [f"{name}#" for name, _, counted in element.properties if counted]
        lists = {name for name, _, counted in element.properties if counted}
        if not names or len(set(names)) < len(names):
            return False
        if any(counted.startswith("f") for _, _, counted in element.properties):
            return False
        if element.name == "vertex" and lists & set("xyz"):
            return False
        if element.name == "face" and {"vertex_indices", "vertex_index"} & set(names) - lists:
            return False
    return len({element.name for element in elements}) == len(elements)


def _numbers(body: bytes) -> Array:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            return np.fromstring(body, dtype=np.float64, sep=" ")
        except (DeprecationWarning, ValueError):
            raise UnreadableError("a value is not a number; export the scan again") from None


def _text_rows(
    element: _Element, numbers: Array, at: int
) -> tuple[Mapping[str, NDArray[Any]], int]:
    widths, column = [], at
    for _, _, counted in element.properties:
        inside = counted and element.count and column < len(numbers)
        # NaN and the like are caught below, where the counts are compared.
        width = 1 + int(np.nan_to_num(numbers[column]).clip(0, 64)) if inside else 1
        widths.append(width)
        column += width
    wide = sum(widths)
    rows = _whole(numbers[at : at + element.count * wide], element.count * wide).reshape(-1, wide)
    starts = np.cumsum([0, *widths])
    found = {}
    for (name, _, counted), start, end in zip(
        element.properties, starts[:-1], starts[1:], strict=True
    ):
        if counted:
            _require_alike(rows[:, start], end - start - 1)
        found[name] = rows[:, start + 1 : end] if counted else rows[:, start]
    return found, at + element.count * wide


def _binary_rows(
    element: _Element, body: bytes, at: int, order: str
) -> tuple[Mapping[str, NDArray[Any]], int]:
    kinds: list[Any] = []
    for name, kind, counted in element.properties:
        if not counted:
            kinds.append((name, order + kind))
            continue
        before = at + np.dtype(kinds).itemsize
        count = np.dtype(order + counted)
        inside = element.count and before + count.itemsize <= len(body)
        width = int(np.frombuffer(body, count, 1, before)[0]) if inside else 0
        kinds += [(f"{name}#", count), (name, order + kind, (min(max(width, 0), 64),))]
    row = np.dtype(kinds)
    end = at + element.count * row.itemsize
    _whole(body[at:end], end - at)
    rows = np.frombuffer(body, row, element.count, at)
    for name, _, counted in element.properties:
        if counted:
            _require_alike(rows[f"{name}#"], rows[name].shape[1])
    return {name: rows[name] for name, _, _ in element.properties}, end


def _whole(part: Any, size: int) -> Any:
    if len(part) < size:
        raise UnreadableError("it ends before its last facet; the file is incomplete")
    return part


def _require_alike(counts: NDArray[Any], first: int) -> None:
    if (counts != first).any():
        raise UnreadableError(
            "its facets have different numbers of corners; export the scan as triangles"
        )


def obj_facets(data: bytes) -> Array:
    """Read an OBJ: its vertices and facets; materials and other files are never opened."""
    vertices, triangles = list[tuple[float, ...]](), list[tuple[int, int, int]]()
    try:
        for line in io.BytesIO(data):
            if line.startswith(b"v "):
                vertices.append(tuple(map(float, line.split()[1:4])))
            elif line.startswith(b"f "):
                corners = [_index(one, len(vertices)) for one in line.split()[1:]]
                triangles += [(corners[0], *pair) for pair in pairwise(corners[1:])]
            if max(len(vertices), len(triangles)) > MOST_FACETS:
                raise too_many()
        points = np.array(vertices, dtype=np.float64).reshape(-1, 3)
        corners_of = np.array(triangles, dtype=np.int64).reshape(-1, 3)
    except UnreadableError:
        raise
    except (ValueError, IndexError, OverflowError):
        raise UnreadableError("a line of it cannot be read; export the scan again") from None
    return facets_of(points, corners_of)


def _index(corner: bytes, vertices: int) -> int:
    number = int(corner.split(b"/")[0])
    return number - 1 if number > 0 else vertices + number


def threemf_facets(data: bytes, most_bytes: int) -> Array:
    """Read the meshes that a 3MF builds, each where it stands."""
    import lib3mf

    _require_small(data, most_bytes)
    model = lib3mf.get_wrapper().CreateModel()
    reader = model.QueryReader("3mf")
    try:
        reader.ReadFromBuffer(data)
        unit = _UNITS[int(model.GetUnit())]
        if unit != "millimetres":
            raise UnreadableError(f"it is written in {unit}; export it in millimetres")
        found, left = [], MOST_FACETS
        walk = model.GetBuildItems()
        while walk.MoveNext():
            item = walk.GetCurrent()
            for part in _parts(item.GetObjectResource(), _matrix(item.GetObjectTransform()), 0):
                left -= max(len(part), 1)
                if left < 0:
                    raise too_many()
                found.append(part)
    except lib3mf.ELib3MFException:
        raise UnreadableError("its 3MF cannot be read; export the scan again") from None
    return np.concatenate(found) if found else np.zeros((0, 3, 3))


def _require_small(data: bytes, most_bytes: int) -> None:
    """Unpack an archive piece by piece and stop where it grows too large: its sizes may lie."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            left = most_bytes
            for entry in archive.infolist():
                with archive.open(entry) as stream:
                    while piece := stream.read(1_000_000):
                        left -= len(piece)
                        if left < 0:
                            raise UnreadableError(
                                f"it unpacks to more than {most_bytes} bytes; thin the scan out "
                                "first"
                            )
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, OSError, EOFError):
        raise UnreadableError("its 3MF cannot be unpacked; export the scan again") from None


def _parts(thing: Any, matrix: Array, depth: int) -> Iterator[Array]:
    """Give the facets of an object and of the components in it."""
    if depth > MOST_DEPTH:
        raise UnreadableError(f"its components lie more than {MOST_DEPTH} deep; export one mesh")
    if thing.IsMeshObject():
        vertices = _structures(thing.GetVertices(), np.float32).astype(np.float64)
        triangles = _structures(thing.GetTriangleIndices(), np.uint32).astype(np.int64)
        yield facets_of(vertices @ matrix[:3] + matrix[3], triangles)
        return
    # A file with few bytes may name the same part millions of times.
    for number in range(min(thing.GetComponentCount(), MOST_FACETS)):
        part = thing.GetComponent(number)
        own = _matrix(part.GetTransform())
        inner = np.vstack([own[:3] @ matrix[:3], own[3] @ matrix[:3] + matrix[3]])
        yield from _parts(part.GetObjectResource(), inner, depth + 1)


def _matrix(transform: Any) -> Array:
    return np.array([[float(value) for value in row] for row in transform.Fields])


def _structures(structures: Sequence[Any], kind: Any) -> NDArray[Any]:
    """Give the numbers of lib3mf's list of structures, which all lie in one ctypes array."""
    if not len(structures):
        return np.zeros((0, 3), dtype=kind)
    return np.frombuffer(structures[0]._b_base_, dtype=kind).reshape(-1, 3)
