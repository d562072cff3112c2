"""Writes a process as a TOML file with comments, and reads it back before it is kept."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from labkit.catalog.processes import read_process
from labkit.catalog.toml_source import parse_toml
from labkit.core.rod.rods import EXPANSION_PER_C, Process
from labkit.errors import DeliveryError
from labkit.exports.write.put import put_new, refuse_existing

if TYPE_CHECKING:
    from tomlkit.items import Table

    from labkit.core.rod.calibration import Calibration, FittedOffset


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
    """Write a process as the text of its file.

    Returns:
        TOML with a comment on each table.
    """
    import tomlkit

    document = tomlkit.document()
    document.add(tomlkit.comment(f"Process: {process.title}."))
    document.add(tomlkit.nl())
    for name, value in _head(process):
        document.add(name, value)
    for name, comment, values in _tables(process):
        document.add(tomlkit.nl())
        document.add(name, _table(comment, values))
    if process.calibration is not None:
        document.add(tomlkit.nl())
        document.add("calibration", _calibration(process.calibration))
    return tomlkit.dumps(document)


def _head(process: Process) -> list[tuple[str, Any]]:
    head = [
        ("schema", 1),
        ("name", process.name),
        ("title", process.title),
        ("machine", process.machine),
        ("material", process.material),
    ]
    if process.expansion_per_c != EXPANSION_PER_C:
        head.append(("expansion_per_c", process.expansion_per_c))
    return [*head, ("evidence", process.evidence)]


def _tables(process: Process) -> list[tuple[str, str, dict[str, Any]]]:
    compensation, plate, legible = process.compensation, process.plate, process.legibility
    return [
        (
            "compensation",
            "Built length = length_scale * length + length_offset; diameters + their offset; mm.",
            {
                "length_scale": compensation.length_scale,
                "length_offset": compensation.length_offset_mm,
                "bore_offset": compensation.bore_offset_mm,
                "pin_offset": compensation.pin_offset_mm,
                "ball_offset": compensation.ball_offset_mm,
            },
        ),
        (
            "plate",
            "Usable bed, mm.",
            {
                "width": plate.width_mm,
                "depth": plate.depth_mm,
                "spacing": plate.spacing_mm,
                "border": plate.border_mm,
            },
        ),
        (
            "legibility",
            "What the process can still show, mm.",
            {
                "least_stroke": legible.least_stroke_mm,
                "least_depth": legible.least_depth_mm,
                "least_height": legible.least_height_mm,
                "least_wall": legible.least_wall_mm,
            },
        ),
        (
            "gauge",
            "Standard uncertainty of the lab's usual length gauge, mm.",
            {"uncertainty": process.gauge_uncertainty_mm},
        ),
    ]


def _table(comment: str, values: dict[str, Any]) -> Table:
    import tomlkit

    table = tomlkit.table()
    table.add(tomlkit.comment(comment))
    for name, value in values.items():
        table.add(name, value)
    return table


def _calibration(own: Calibration) -> Table:
    table = _table(
        "What [compensation] was found from; a value changed there by hand makes it void. "
        "_u: standard uncertainty.",
        {
            "date": own.date,
            "by": own.by,
            "instrument": own.instrument,
            "base": own.base,
            "source": own.source,
            "source_sha256": own.source_sha256,
            "coupons": own.coupons,
            "lengths": own.lengths,
            "shortest": own.shortest_mm,
            "longest": own.longest_mm,
            "length_scale": own.length_scale,
            "length_scale_u": own.length_scale_u,
            "length_offset": own.length_offset_mm,
            "length_offset_u": own.length_offset_u_mm,
            "correlation": own.correlation,
            "residual_sd": own.residual_sd_mm,
            "residual_dof": own.residual_dof,
        },
    )
    for kind in ("bore", "pin", "ball"):
        offset: FittedOffset | None = getattr(own, kind)
        if offset is not None:
            values = {
                "offset": offset.offset_mm,
                "offset_u": offset.u_mm,
                "sd": offset.sd_mm,
                "dof": offset.dof,
            }
            table.add(kind, _table(f"Offset of the {kind}s, mm.", values))
    return table
