"""Writes a process as a TOML file with comments, and reads it back before it is kept."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from labkit.catalog.processes import read_process
from labkit.catalog.toml_source import parse_toml
from labkit.core.form.write import file_content
from labkit.core.rod.rods import Process
from labkit.errors import DeliveryError
from labkit.exports.write.put import put_new, refuse_existing

if TYPE_CHECKING:
    from tomlkit.items import Table

#: What stands above the keys of each table.
COMMENTS = {
    "compensation":
        "Built length = length_scale * length + length_offset; diameters + their offset; mm.",
    "plate": "Usable bed, mm.",
    "legibility": "What the process can still show, mm.",
    "walls": "Least thickness by place, mm; elsewhere least_wall holds.",
    "build": "How rods lie when built, the best way first; what carries undersides; mm, degrees.",
    "gauge": "Standard uncertainty of the lab's usual length gauge, mm.",
    "calibration":
        "What [compensation] was found from; a value changed there by hand makes it void. "
        "_u: standard uncertainty.",
    **{kind: f"Offset of the {kind}s, mm." for kind in ("bore", "pin", "ball")},
}

def require_free(path: Path) -> None:
    """Refuse a place for a process file that is taken, before any work is done for it.

    Raises:
        DeliveryError: There is something at that path.
    """
    refuse_existing(path)


def write_process(process: Process, path: Path) -> None:
    """Write a process file that is whole or absent, never over another.

    Raises:
        DeliveryError: There is such a file, it cannot be written, or would not be read back as
            the same process.
    """
    text = process_toml(process)
    if read_process(parse_toml(text, path.name)) != process:
        raise DeliveryError(
            f"{path} would not be read back as the process that was found; it is not written",
            field="out", value=str(path),
        )
    put_new(path, text.encode())


def process_toml(process: Process) -> str:
    """Write a process as the text of its file."""
    import tomlkit

    document = tomlkit.document()
    document.add(tomlkit.comment(f"Process: {process.title}."))
    document.add(tomlkit.nl())
    document.add("schema", tomlkit.item(1))
    content = file_content(process)
    if process.expansion_u_per_c is not None:  # told, even where it equals the default
        content = {"expansion_per_c": process.expansion_per_c, **content}
    for name, value in content.items():
        if isinstance(value, dict):
            document.add(tomlkit.nl())
            document.add(name, _table(name, value))
        else:
            document.add(name, value)
    return tomlkit.dumps(document)


def _table(name: str, values: dict[str, Any]) -> Table:
    import tomlkit

    table = tomlkit.table()
    table.add(tomlkit.comment(COMMENTS[name]))
    for key, value in values.items():
        table.add(key, _table(key, value) if isinstance(value, dict) else value)
    return table
