"""Binary STL files."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from labkit.errors import DeliveryError
from labkit.exports.write.mesh import Mesh, normals_of
from labkit.exports.write.put import put

HEADER_BYTES = 80

FACET = np.dtype([
    ("normal", "<f4", (3,)),
    ("corners", "<f4", (3, 3)),
    ("attributes", "<u2"),
])


def write_stl(mesh: Mesh, path: Path, title: str) -> None:
    """Write a mesh as a binary STL file; STL stores no unit, the numbers are mm.

    Args:
        title: Goes into the header: ASCII, at most 80 characters, not beginning with "solid"
            (which would announce a text file).

    Raises:
        DeliveryError: The title does not fit, or the file cannot be written.

    Source: binary STL as commonly described: 80 bytes of header, number of facets (uint32), then
    12 float32 and a uint16 for each facet, little-endian.
    """
    put(path, stl_bytes(mesh, title))


def stl_bytes(mesh: Mesh, title: str) -> bytes:
    """Give the bytes of a mesh's STL file."""
    header = title.encode("ascii", "replace")
    if len(header) > HEADER_BYTES or header.lower().startswith(b"solid"):
        raise DeliveryError(
            f"the STL title {title!r} does not fit the header: at most {HEADER_BYTES} characters "
            "that do not begin with 'solid'",
            field="title", value=title,
        )
    normals = mesh.normals
    if normals is None:
        normals = normals_of(mesh.vertices, mesh.triangles)
    facets = np.empty(len(mesh.triangles), dtype=FACET)
    facets["normal"], facets["attributes"] = normals, 0
    facets["corners"] = mesh.vertices.astype(np.float32)[mesh.triangles]
    count = len(facets).to_bytes(4, "little")
    return b"".join((header.ljust(HEADER_BYTES, b" "), count, facets.data))
