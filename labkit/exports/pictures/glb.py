"""One binary glTF file of a set, for viewers: every rod a named node, metres, y up."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

import labkit
from labkit.exports.pictures.placing import PlacedRod
from labkit.exports.pictures.shading import ShadedMesh
from labkit.units import written

#: glTF counts in metres.
_METRES_PER_MM = 0.001
_MAGIC, _VERSION = 0x46546C67, 2
_JSON_CHUNK, _BINARY_CHUNK = 0x4E4F534A, 0x004E4942
_FLOAT, _UINT = 5126, 5125
_VERTICES, _INDICES = 34962, 34963
_MATERIALS = [
    {"name": name, "pbrMetallicRoughness": {
        "baseColorFactor": color, "metallicFactor": 0.0, "roughnessFactor": 0.6,
    }}
    for name, color in (
        ("rod", [0.86, 0.83, 0.76, 1.0]), ("engraving", [0.03, 0.03, 0.03, 1.0])
    )
]


def set_glb(rods: Sequence[PlacedRod], title: str) -> bytes:
    """Write a set as one GLB file: rods by length, labels towards the viewer and upright.

    Numbers are metres (millimetres times 0.001), y is up, as glTF has it. Nodes and meshes bear the
    parts' names. The same bytes for the same set.

    Source: Khronos glTF 2.0 specification, 3.4 (units and axes), 4.4 (binary layout).
    """
    scene = _Scene()
    for one in rods:
        scene.add(one.part, one.mesh, one.shift_mm)
    return scene.to_bytes(title)


class _Scene:
    """Collects buffers, accessors, meshes and nodes."""

    def __init__(self) -> None:
        self._binary = bytearray()
        self._views: list[dict[str, Any]] = []
        self._accessors: list[dict[str, Any]] = []
        self._meshes: list[dict[str, Any]] = []
        self._nodes: list[dict[str, Any]] = []

    def add(self, name: str, mesh: ShadedMesh, shift_mm: tuple[float, float]) -> None:
        """Add one rod, shifted right and up."""
        positions = (mesh.vertices.astype(np.float64) * _METRES_PER_MM).astype("<f4")
        lengths = np.linalg.norm(mesh.normals.astype(np.float64), axis=1, keepdims=True)
        attributes = {
            "POSITION": self._vectors(positions, bounds=True),
            "NORMAL": self._vectors((mesh.normals / np.maximum(lengths, 1e-12)).astype("<f4")),
        }
        primitives = [
            {"attributes": attributes, "indices": self._indices(chosen), "material": material}
            for material, chosen in enumerate(
                (mesh.triangles[~mesh.inked], mesh.triangles[mesh.inked])
            )
            if len(chosen)
        ]
        place = [written(shift * _METRES_PER_MM) for shift in shift_mm]
        self._nodes.append({"name": name, "mesh": len(self._meshes), "translation": [*place, 0.0]})
        self._meshes.append({"name": name, "primitives": primitives})

    def to_bytes(self, title: str) -> bytes:
        """Put the file together."""
        content = {
            "asset": {"version": "2.0", "generator": f"labkit {labkit.__version__}"},
            "scene": 0,
            "scenes": [{"name": title, "nodes": list(range(len(self._nodes)))}],
            "nodes": self._nodes,
            "meshes": self._meshes,
            "materials": _MATERIALS,
            "accessors": self._accessors,
            "bufferViews": self._views,
            "buffers": [{"byteLength": len(self._binary)}],
        }
        text = json.dumps(content, ensure_ascii=False, separators=(",", ":")).encode()
        chunks = _chunk(_JSON_CHUNK, text, b" ") + _chunk(_BINARY_CHUNK, bytes(self._binary), b"\0")
        return b"".join(map(_uint, (_MAGIC, _VERSION, 12 + len(chunks)))) + chunks

    def _vectors(self, values: NDArray[np.float32], bounds: bool = False) -> int:
        accessor = {"type": "VEC3", "componentType": _FLOAT, "count": len(values)}
        if bounds:
            accessor["min"] = [float(value) for value in values.min(axis=0)]
            accessor["max"] = [float(value) for value in values.max(axis=0)]
        return self._accessor(accessor, values.tobytes(), _VERTICES)

    def _indices(self, triangles: NDArray[np.int32]) -> int:
        accessor = {"type": "SCALAR", "componentType": _UINT, "count": triangles.size}
        return self._accessor(accessor, triangles.astype("<u4").tobytes(), _INDICES)

    def _accessor(self, accessor: dict[str, Any], content: bytes, target: int) -> int:
        self._accessors.append({"bufferView": len(self._views), **accessor})
        self._views.append({
            "buffer": 0, "byteOffset": len(self._binary), "byteLength": len(content),
            "target": target,
        })
        self._binary += content  # always whole multiples of four bytes
        return len(self._accessors) - 1


def _chunk(kind: int, content: bytes, padding: bytes) -> bytes:
    padded = content + padding * (-len(content) % 4)
    return _uint(len(padded)) + _uint(kind) + padded


def _uint(value: int) -> bytes:
    return value.to_bytes(4, "little")
