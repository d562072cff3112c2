"""Reads process files: how a lab makes rods."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from labkit.catalog.named import find, read_all
from labkit.catalog.problems import at, read_whole, together
from labkit.catalog.toml_source import TomlSource
from labkit.core.form.keys import exact
from labkit.core.form.words import Location
from labkit.core.rod.calibration import Calibration
from labkit.core.rod.rods import Compensation, Plate, Process

#: The process of a lab, or a run, that names none.
UNCOMPENSATED = "nominal"


def processes(extra: tuple[str, ...] = ()) -> dict[str, Process]:
    """Read all processes: the program's own and a lab's.

    Args:
        extra: Files, or folders of .toml files, of the lab's own processes.

    Raises:
        InputError: A file is not a process file, or two processes bear one name.
    """
    return read_all("process", "processes", extra, lambda source: (read_process(source),))


def find_process(known: Mapping[str, Process], name: str) -> Process:
    """Pick a process by name; see `find`."""
    return find("process", known, name)


def read_process(source: TomlSource) -> Process:
    """Turn one process file into checked values.

    Raises:
        InputErrors: Every mistake in the file.
    """
    process = read_whole(Process, source)
    problems: list[tuple[Location, str]] = [*_bed_problems(process.plate)]
    if process.expansion_u_per_c is not None and "expansion_per_c" not in source.data:
        problems.append((("expansion_uncertainty_per_c",), (
            "is given without expansion_per_c; give that too, since the expansion of a common "
            "plastic corrects nothing"
        )))
    if len(set(process.build.lies)) < len(process.build.lies):
        problems.append((("build", "lies"), "names one twice"))
    if process.calibration is not None:
        problems += _calibration_problems(process.calibration, process.compensation)
    if problems:
        raise together(at(source, location, message) for location, message in problems)
    return process


def _bed_problems(plate: Plate) -> Iterator[tuple[Location, str]]:
    if 2 * plate.border_mm >= min(plate.width_mm, plate.depth_mm):
        yield ("plate", "border"), (
            f"= {exact(plate.border_mm)} leaves no bed; it must be below half of width and of depth"
        )
    for number, zone in enumerate(plate.keep_out):
        if zone.x_mm >= plate.width_mm or zone.y_mm >= plate.depth_mm:
            yield ("plate", "keep_out", number), (
                f"lies beside the bed of {exact(plate.width_mm)} × {exact(plate.depth_mm)} mm; "
                "x and y are distances from its left and its front edge"
            )


def _calibration_problems(
    own: Calibration, compensation: Compensation
) -> Iterator[tuple[Location, str]]:
    """Find what no calibration gives together, and a compensation that was changed afterwards."""
    yield from _impossible_counts(own)
    for name in ("length_scale_u", "length_offset_u", "residual_sd"):
        if not getattr(own, name, None) and not getattr(own, f"{name}_mm", None):
            yield ("calibration", name), (
                "= 0 would be a measurement without error; calibrate again"
            )
    if own.shortest_mm >= own.longest_mm:
        yield ("calibration", "longest"), (
            f"= {exact(own.longest_mm)} is not above shortest = {exact(own.shortest_mm)}; the "
            "range that the calibration is valid in has a length"
        )
    for field, key, found in _found(own):
        value = getattr(compensation, field)
        if found != value:
            yield ("compensation", key), (
                f"= {exact(value)} is not what the calibration found, {exact(found)}: the "
                "calibration does not speak for it; calibrate again, or take the table "
                "[calibration] out of the file"
            )


def _found(own: Calibration) -> Iterator[tuple[str, str, float]]:
    """Give what a calibration found: field of the compensation, its key, the value."""
    yield "length_scale", "length_scale", own.length_scale
    yield "length_offset_mm", "length_offset", own.length_offset_mm
    for kind, offset in own.offsets.items():
        yield f"{kind}_offset_mm", f"{kind}_offset", offset.offset_mm


def _impossible_counts(own: Calibration) -> Iterator[tuple[Location, str]]:
    if own.lengths >= own.coupons:
        yield ("calibration", "lengths"), (
            f"= {own.lengths} is not below coupons = {own.coupons}; some coupons repeat a length"
        )
    if own.residual_dof != own.coupons - 2:
        yield ("calibration", "residual_dof"), (
            f"= {own.residual_dof} is not coupons − 2 = {own.coupons - 2}, as it is of a line"
        )
    for kind, offset in own.offsets.items():
        if offset.dof >= own.coupons:
            yield ("calibration", kind, "dof"), (
                f"= {offset.dof} is not below coupons = {own.coupons}"
            )
