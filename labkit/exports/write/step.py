"""STEP AP242 files whose bytes depend on nothing but the part and the case."""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path

from OCP.APIHeaderSection import APIHeaderSection_MakeHeader
from OCP.IFSelect import IFSelect_RetDone
from OCP.Interface import Interface_HArray1OfHAsciiString, Interface_Static
from OCP.StepBasic import StepBasic_Product
from OCP.STEPControl import STEPControl_AsIs, STEPControl_Controller, STEPControl_Writer
from OCP.TCollection import TCollection_HAsciiString

from labkit import __version__
from labkit.errors import DeliveryError
from labkit.exports.write.put import put
from labkit.solids.shapes import Shape, bare

#: The kernel's settings for writing. Parameter curves are left out: every reader recomputes them
#: exactly for planes, cylinders, cones, spheres and tori, and they are half of the file.
SETTINGS = {"write.step.schema": "AP242DIS", "write.step.unit": "MM"}
SURFACE_CURVES = "write.surfacecurve.mode"


@dataclass(frozen=True)
class StepHeader:
    """What the header of a STEP file says.

    Args:
        name: Part name; also the name of the product in the file.
        date: Date of the prescription, ISO 8601; the time stamp is its midnight.
    """

    name: str
    date: str
    author: str = "Not stated"
    organisation: str = "Not stated"
    description: str = "Connector rod, nominal shape"
    originating_system: str = f"labkit {__version__}"
    authorisation: str = "Not released"

    @property
    def time_stamp(self) -> str:
        """Midnight of the prescription's date; no clock is read."""
        return f"{self.date}T00:00:00"


def write_step(shape: Shape, path: Path, header: StepHeader) -> None:
    """Write one solid as a STEP AP242 file in millimetres, in a folder that exists.

    Raises:
        DeliveryError: The folder does not exist, the kernel refuses the shape, or the file
            cannot be written.

    Source: ISO 10303-21:2016, 8.2 (header), ISO 10303-242 (schema).
    """
    put(path, step_bytes(shape, header))


def step_bytes(shape: Shape, header: StepHeader) -> bytes:
    """Give the bytes of a STEP file, the same for the same solid, header and kernel.

    Raises:
        DeliveryError: The kernel refuses the shape or writes nothing.

    Source: ISO 10303-21:2016, 8.2 (header), ISO 10303-242 (schema).
    """
    # Without this the first file of a process is written with the kernel's own settings.
    STEPControl_Controller.Init_s()
    for key, value in SETTINGS.items():
        Interface_Static.SetCVal_s(key, value)
    Interface_Static.SetIVal_s(SURFACE_CURVES, 0)
    writer = STEPControl_Writer()
    if writer.Transfer(bare(shape), STEPControl_AsIs) != IFSelect_RetDone:
        raise DeliveryError(f"part {header.name} cannot be turned into STEP; nothing was written")
    _fill_header(writer, header)
    _name_products(writer, header.name)
    stream = io.BytesIO()
    if writer.WriteStream(stream) != IFSelect_RetDone or not stream.getvalue():
        raise DeliveryError(f"the STEP file of part {header.name} came out empty; try again")
    return stream.getvalue()


def _fill_header(writer: STEPControl_Writer, header: StepHeader) -> None:
    made = APIHeaderSection_MakeHeader(writer.Model())
    made.SetName(_text(header.name))
    made.SetTimeStamp(_text(header.time_stamp))
    made.SetAuthor(_texts(header.author))
    made.SetOrganization(_texts(header.organisation))
    made.SetPreprocessorVersion(_text(header.originating_system))
    made.SetOriginatingSystem(_text(header.originating_system))
    made.SetAuthorisation(_text(header.authorisation))
    made.SetDescription(_texts(header.description))


def _name_products(writer: STEPControl_Writer, name: str) -> None:
    """Name the product after the part: the kernel counts its products through the process."""
    model = writer.Model()
    for index in range(1, model.NbEntities() + 1):
        entity = model.Value(index)
        if isinstance(entity, StepBasic_Product):
            entity.SetName(_text(name))
            entity.SetId(_text(name))


def _text(text: str) -> TCollection_HAsciiString:
    return TCollection_HAsciiString(text)


def _texts(text: str) -> Interface_HArray1OfHAsciiString:
    array = Interface_HArray1OfHAsciiString(1, 1)
    array.SetValue(1, _text(text))
    return array
