"""The files of one rod: written from its template's body, and measured as they were written."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from labkit.core.label.lettering import Engraving, Lettering
from labkit.core.rod.rods import NOMINAL, Compensation, Rod
from labkit.errors import CheckError
from labkit.kept import cache_folder

if TYPE_CHECKING:
    from labkit.exports.check.checks import Checked
    from labkit.exports.check.part import PartCheck
    from labkit.exports.write.mesh import Mesh


@dataclass(frozen=True)
class RodFiles:
    """Where one rod's files lie, and what they bear.

    Args:
        root: Folder that the names of files are relative to.
        name: Stands in both files, and is what they are called after.
        date: As in ISO 8601.
    """

    root: Path
    name: str
    date: str

    @property
    def step(self) -> str:
        """Name of the STEP file."""
        return f"step/{self.name}.step"

    @property
    def stl(self) -> str:
        """Name of the STL file."""
        return f"stl/{self.name}.stl"


def write_rod(
    rod: Rod, engraving: Engraving, compensation: Compensation, files: RodFiles,
    lettering: Lettering,
) -> tuple[Mesh, PartCheck]:
    """Write a rod's STEP and STL, and measure them.

    Where they measure wrong, the bodies that they were written from may be: the kernel builds those
    anew, once, and the files are written again.

    Raises:
        GeometryError: As `rod_shape`.
        DeliveryError: A file cannot be written.
    """
    from labkit.exports.check.part import check_part
    from labkit.exports.write.rod import build_anew

    paths = (files.root / files.step, files.root / files.stl)
    for path in paths:
        path.parent.mkdir(exist_ok=True)
    mesh = _written(rod, engraving, compensation, files)
    check = check_part(rod, compensation, *paths, lettering)
    if not check.passed:
        for by in {NOMINAL, compensation}:
            build_anew(rod, by)
        mesh = _written(rod, engraving, compensation, files)
        check = check_part(rod, compensation, *paths, lettering)
    return mesh, check


def _written(
    rod: Rod, engraving: Engraving, compensation: Compensation, files: RodFiles
) -> Mesh:
    from labkit.exports.write.put import put
    from labkit.exports.write.rod import rod_shape
    from labkit.exports.write.step import StepHeader
    from labkit.exports.write.stl import write_stl

    nominal = rod_shape(rod, engraving)
    put(files.root / files.step, nominal.step(StepHeader(files.name, files.date)))
    built = nominal if compensation == NOMINAL else rod_shape(rod, engraving, compensation)
    mesh = built.mesh()
    write_stl(mesh, files.root / files.stl, f"labkit {files.name}")
    return mesh


def require_rod(what: str, check: Checked, refused: str) -> None:
    """Refuse a rod whose files measure wrong although its body was built anew.

    Args:
        what: Such as "part 33.6 of case QF-1043".
        refused: What does not happen, such as "the set is not delivered".

    Raises:
        CheckError: Of one sentence for all checks that do not hold.
    """
    folder = cache_folder("bodies")
    kept = f", empty the folder {folder}, where bodies of templates are kept," if folder else ""
    _require(what, check, f"{refused}, though the kernel built its body once more: install labkit "
                          f"again{kept} and run again")


def require_plate(what: str, check: Checked, refused: str) -> None:
    """Refuse a build plate that does not read back as it was laid out.

    Raises:
        CheckError: Of one sentence for all checks that do not hold.
    """
    _require(what, check, f"{refused}: run again")


def _require(what: str, check: Checked, then: str) -> None:
    if not check.passed:
        raise CheckError(
            f"{what} does not measure as it should: {check.told_failures()}; {then}", field=what
        )
