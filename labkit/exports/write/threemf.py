"""Writing 3MF build plates with lib3mf: the same plan gives the same bytes."""

from __future__ import annotations

import ctypes
import uuid
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from labkit.errors import DeliveryError
from labkit.exports.write.plates import Placement, PlatePart, PlatePlan
from labkit.exports.write.put import put

#: Name space of our identifiers: they follow from case, plate and part alone.
NAMESPACE = uuid.uuid5(uuid.NAMESPACE_URL, "urn:labkit:build-plate")
#: Nine significant digits name every float32; lib3mf counts digits after the point.
DIGITS = 9
STRING = "xs:string"


@dataclass(frozen=True)
class PlateMetadata:
    """What a build plate says of itself; nothing in it depends on the clock.

    Args:
        date: Date of the prescription, ISO 8601.
    """

    case: str
    title: str
    designer: str
    description: str
    date: str


def write_plate(plan: PlatePlan, path: Path, metadata: PlateMetadata) -> None:
    """Write a build plate as 3MF, in a folder that exists.

    Raises:
        DeliveryError: lib3mf refuses the model or the file cannot be written.

    Source: 3MF core specification (unit, objects, build items); UUIDs of its production extension.
    """
    import lib3mf

    try:
        model = _model(plan, metadata)
        writer = model.QueryWriter("3mf")
        writer.SetDecimalPrecision(DIGITS)
        data = _written_by(writer)
    except lib3mf.ELib3MFException as error:
        raise DeliveryError(f"build plate {path.name} cannot be made: {error}") from error
    put(path, data)


def _model(plan: PlatePlan, metadata: PlateMetadata) -> Any:
    import lib3mf

    model = lib3mf.get_wrapper().CreateModel()
    model.SetUnit(lib3mf.ModelUnit.MilliMeter)
    group = model.GetMetaDataGroup()
    for name, value in (
        ("Title", metadata.title), ("Designer", metadata.designer),
        ("Description", metadata.description), ("CreationDate", metadata.date),
    ):
        group.AddMetaData("", name, value, STRING, True)
    model.SetBuildUUID(_uuid(metadata, plan, "build"))
    objects = [_object(model, part, plan, metadata) for part in plan.parts]
    for index, placement in enumerate(plan.placements, 1):
        item = model.AddBuildItem(objects[placement.part], _transform(plan, placement))
        item.SetPartNumber(plan.parts[placement.part].number)
        item.SetUUID(_uuid(metadata, plan, f"item {index}"))
    return model


def _written_by(writer: Any) -> bytes:
    """Take what a writer writes: by the library's C calls, since its wrapper writes all twice."""
    wrapper, size = writer._wrapper, ctypes.c_uint64(0)
    write = wrapper.lib.lib3mf_writer_writetobuffer
    wrapper.checkError(writer, write(writer._handle, ctypes.c_uint64(0), size, None))
    data = (ctypes.c_uint8 * size.value)()
    wrapper.checkError(writer, write(writer._handle, ctypes.c_uint64(size.value), size, data))
    return bytes(data)


def _uuid(metadata: PlateMetadata, plan: PlatePlan, what: str) -> str:
    return str(uuid.uuid5(NAMESPACE, f"{metadata.case}\n{plan.number} of {plan.of}\n{what}"))


def _object(model: Any, part: PlatePart, plan: PlatePlan, metadata: PlateMetadata) -> Any:
    import lib3mf

    thing = model.AddMeshObject()
    thing.SetName(part.name)
    thing.SetPartNumber(part.number)
    thing.SetUUID(_uuid(metadata, plan, f"part {part.number}"))
    vertices = np.ascontiguousarray(part.vertices, dtype=np.float32)
    triangles = np.ascontiguousarray(part.triangles, dtype=np.uint32)
    # By the library's C call: its wrapper makes an object of each corner.
    thing._wrapper.checkError(thing, thing._wrapper.lib.lib3mf_meshobject_setgeometry(
        thing._handle,
        ctypes.c_uint64(len(vertices)),
        vertices.ctypes.data_as(ctypes.POINTER(lib3mf.Position)),
        ctypes.c_uint64(len(triangles)),
        triangles.ctypes.data_as(ctypes.POINTER(lib3mf.Triangle)),
    ))
    return thing


def _transform(plan: PlatePlan, placement: Placement) -> Any:
    import lib3mf

    rotation, shift = plan.transform(placement)
    transform = lib3mf.Transform()
    # 3MF multiplies row vectors from the left: its rows are our columns.
    for row, values in enumerate([*rotation.T, shift]):
        transform.Fields[row] = (ctypes.c_float * 3)(*(float(value) for value in values))
    return transform
