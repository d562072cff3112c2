"""STEP AP242 files whose bytes depend on nothing but the part and the case."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from labkit import __version__
from labkit.exports.write.put import put
from labkit.exports.write.step_text import StepText, moving_by, write_parts

if TYPE_CHECKING:
    from labkit.solids.shapes import Shape

#: Numbers of the entities that the parts of a file meet in.
SHELL, OPEN_FACE, FIRST = 16, 23, 24
#: Header, product, units and accuracy: as the kernel writes them. `{{` stands for a brace.
_BEGIN = """\
ISO-10303-21;
HEADER;
FILE_DESCRIPTION(({description}),'2;1');
FILE_NAME({name},{time_stamp},({author}),({organisation}),{system},{system},{authorisation});
FILE_SCHEMA(('AP242_MANAGED_MODEL_BASED_3D_ENGINEERING_MIM_LF {{1 0 10303 442 1 1 4 }}'));
ENDSEC;
DATA;
#1 = APPLICATION_PROTOCOL_DEFINITION('international standard',\
'ap242_managed_model_based_3d_engineering',2013,#2);
#2 = APPLICATION_CONTEXT('Managed model based 3d engineering');
#3 = SHAPE_DEFINITION_REPRESENTATION(#4,#10);
#4 = PRODUCT_DEFINITION_SHAPE('','',#5);
#5 = PRODUCT_DEFINITION('design','',#6,#9);
#6 = PRODUCT_DEFINITION_FORMATION('','',#7);
#7 = PRODUCT({name},{name},'',(#8));
#8 = PRODUCT_CONTEXT('',#2,'mechanical');
#9 = PRODUCT_DEFINITION_CONTEXT('part definition',#2,'design');
#10 = ADVANCED_BREP_SHAPE_REPRESENTATION('',(#11,#15),#17);
#11 = AXIS2_PLACEMENT_3D('',#12,#13,#14);
#12 = CARTESIAN_POINT('',(0.,0.,0.));
#13 = DIRECTION('',(0.,0.,1.));
#14 = DIRECTION('',(1.,0.,0.));
#15 = MANIFOLD_SOLID_BREP('',#16);
#17 = (GEOMETRIC_REPRESENTATION_CONTEXT(3) GLOBAL_UNCERTAINTY_ASSIGNED_CONTEXT((#21)) \
GLOBAL_UNIT_ASSIGNED_CONTEXT((#18,#19,#20)) REPRESENTATION_CONTEXT('Context #1',\
'3D Context with UNIT and UNCERTAINTY'));
#18 = (LENGTH_UNIT() NAMED_UNIT(*) SI_UNIT(.MILLI.,.METRE.));
#19 = (NAMED_UNIT(*) PLANE_ANGLE_UNIT() SI_UNIT($,.RADIAN.));
#20 = (NAMED_UNIT(*) SI_UNIT($,.STERADIAN.) SOLID_ANGLE_UNIT());
#21 = UNCERTAINTY_MEASURE_WITH_UNIT(LENGTH_MEASURE(1.E-07),#18,'distance_accuracy_value',\
'confusion accuracy');
#22 = PRODUCT_RELATED_PRODUCT_CATEGORY('part',$,(#7));
"""
_END = "ENDSEC;\nEND-ISO-10303-21;\n"


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
        GeometryError: A surface or an edge of the solid is of a kind that no rod has.
        DeliveryError: The folder does not exist, or the file cannot be written.

    Source: ISO 10303-21:2016, 8.2 (header), ISO 10303-242 (schema).
    """
    put(path, step_bytes(shape, header))


def step_bytes(shape: Shape, header: StepHeader) -> bytes:
    """Give the bytes of a STEP file, the same for the same solid and header.

    Raises:
        GeometryError: A surface or an edge of the solid is of a kind that no rod has.
    """
    from labkit.exports.write.solid_reader import read_solid

    text = write_parts(moving_by(0.0, read_solid(shape))).counted_from(FIRST)
    return step_file(header, [text.at(0.0), shell(text.faces)])


def step_file(header: StepHeader, data: Iterable[str]) -> bytes:
    """Put a file together.

    Args:
        data: The entities of the solid from FIRST on, with its shell.

    Source: ISO 10303-21:2016, 8.2 (header), ISO 10303-242 (schema).
    """
    name, system = string(header.name), string(header.originating_system)
    begin = _BEGIN.format(
        description=string(header.description), name=name, time_stamp=string(header.time_stamp),
        author=string(header.author), organisation=string(header.organisation), system=system,
        authorisation=string(header.authorisation),
    )
    return "".join((begin, *data, _END)).encode("ascii")


def shell(faces: Iterable[int]) -> str:
    """Close the solid's faces to a shell."""
    return f"#{SHELL} = CLOSED_SHELL('',({','.join([f'#{face}' for face in faces])}));\n"


def closed(step: StepText, faces: Iterable[int] = (), openings: Iterable[int] = ()) -> str:
    """Put down the face that a text leaves open, and close the shell.

    Args:
        faces: More faces.
        openings: More bounds of the open face.
    """
    bounds = ",".join([f"#{bound}" for bound in (*step.bounds, *openings)])
    face = f"#{OPEN_FACE} = ADVANCED_FACE('',({bounds}),#{step.plane},.T.);\n"
    return face + shell((*step.faces, *faces, OPEN_FACE))


def string(text: str) -> str:
    r"""Write a text as a file may hold it.

    >>> print(string("O'Hara, Zürich"))
    'O''Hara, Z\X2\00FC\X0\rich'

    Source: ISO 10303-21:2016, 6.4.3.
    """
    return "'" + "".join(_character(character) for character in text) + "'"


def _character(character: str) -> str:
    if character in "'\\":
        return character * 2
    if " " <= character <= "~":
        return character
    wide = ord(character) > 0xFFFF
    return f"\\X4\\{ord(character):08X}\\X0\\" if wide else f"\\X2\\{ord(character):04X}\\X0\\"
