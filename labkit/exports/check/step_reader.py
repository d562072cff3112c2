"""Reading a written STEP file back into a shape; nothing here is shared with the writing."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from labkit.errors import InputError

#: Start of a STEP file up to its data, with the sections in the order of ISO 10303-21.
HEADER = re.compile(
    r"ISO-10303-21;\s*HEADER;\s*FILE_DESCRIPTION\s*\(.*?\);\s*FILE_NAME\s*\((?P<name>.*?)\);"
    r"\s*FILE_SCHEMA\s*\(\s*\(\s*'(?P<schema>[^']*)'\s*\)\s*\);\s*ENDSEC;\s*DATA;",
    re.DOTALL,
)
#: End of a STEP file, as the kernel writes it.
END = "ENDSEC;\nEND-ISO-10303-21;"


def step_text(path: Path) -> str:
    """Read a STEP file as text.

    Raises:
        InputError: It cannot be read as ASCII text.
    """
    try:
        return path.read_text(encoding="ascii")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(
            f"{path.name} cannot be read as a STEP text file: {error}; write it again",
            where=path.name,
        ) from None


def is_whole(text: str) -> bool:
    """Tell whether a STEP file has header, data and end.

    >>> is_whole("ISO-10303-21; HEADER;")
    False

    Source: ISO 10303-21 (sections and their order).
    """
    return HEADER.match(text) is not None and text.rstrip().endswith(END)


def read_shape(path: Path) -> Any:
    """Read the shape of a STEP file through the kernel.

    Validity: whole files only: the kernel may end the whole program on half a file.

    Raises:
        InputError: The file is not whole or holds no solid.
    """
    from OCP.IFSelect import IFSelect_ReturnStatus
    from OCP.STEPControl import STEPControl_Reader

    if not is_whole(step_text(path)):
        raise InputError(
            f"{path.name} is not a whole STEP file (header, data, end, as ISO 10303-21 has them); "
            "write it again",
            where=path.name,
        )
    reader = STEPControl_Reader()
    done = reader.ReadFile(str(path)) == IFSelect_ReturnStatus.IFSelect_RetDone
    if not done or reader.TransferRoots() < 1 or reader.OneShape().IsNull():
        raise InputError(
            f"{path.name} holds no solid that can be read back; write it again", where=path.name
        )
    return reader.OneShape()
