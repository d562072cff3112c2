"""The pieces of a build job: rods from the checked files of their sets, and coupons."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from labkit.core.case.identifier import grouped
from labkit.core.rod.compensation import compensated
from labkit.core.rod.lying import chosen, height_mm
from labkit.core.rod.rods import Process, Rod
from labkit.documents.set_spec import SetPart, part_of, process_of, template_of
from labkit.errors import InputError, RefusedError
from labkit.ledger.stored import StoredRod, StoredSet
from labkit.units import first_few
from labkit.workflow.builds.wanted import Wanted
from labkit.workflow.process.coupons import read_coupons
from labkit.workflow.sets.on_disk import files_of

if TYPE_CHECKING:
    from labkit.exports.check.stl_reader import FacetMesh
    from labkit.exports.write.plates import PlatePart

#: What of a process decides the shape of a rod, and whether it may be built at all.
_SHAPING = ("name", "machine", "material", "compensation", "legibility", "walls")


@dataclass(frozen=True, eq=False)
class Piece:
    """One piece to build.

    Args:
        rod: What is drawn of it.
        stored: The rod of the record; None of a coupon.
        spare: Which spare piece of its rod it is, from 1; 0 for the rod itself, or a coupon.
        laid: What is laid out; its number is unique in the build.
    """

    rod: Rod
    stored: StoredRod | None
    spare: int
    laid: PlatePart

    @property
    def case(self) -> str:
        """Number of its case, empty of a coupon."""
        return self.stored.case if self.stored else ""


def set_pieces(found: Wanted, process: Process) -> list[tuple[Piece, ...]]:
    """Give the pieces of the rods that are wanted, set by set, spares after their rods.

    Raises:
        RefusedError: A set was made with another process, or its files are not as recorded; one
            line for each.
    """
    _refuse([stored for stored, _ in found.sets.values()], process)
    return [
        tuple(_of_set(stored, rods, process, found.spares))
        for stored, rods in found.sets.values()
    ]


def _refuse(sets: list[StoredSet], process: Process) -> None:
    """Refuse sets of another process, each process said once, and sets with other files."""
    others: dict[str, list[str]] = {}
    wrong = []
    for stored in sets:
        if other := _other_process(stored, process):
            others.setdefault(other, []).append(stored.name)
        elif told := _wrong_files(stored):
            wrong.append(told)
    told_once = [
        f"the set{'s' if names[1:] else ''} {first_few(names)} {'were' if names[1:] else 'was'} "
        f"made with {other}" for other, names in others.items()
    ]
    if told_once or wrong:
        lines = (f"{why}; nothing was written" for why in (*told_once, *wrong))
        raise RefusedError("\n".join(lines), field="set")


def _other_process(stored: StoredSet, process: Process) -> str:
    made_with = process_of(stored.content)
    unlike = _unlike(made_with, process)
    if not unlike:
        return ""
    if "name" in unlike:
        return (
            f"the process {made_with.name}, not with {process.name}; build what was made with it "
            "in a job of its own"
        )
    return (
        f"an earlier {process.name} (changed since: {', '.join(unlike)}); make the set again, or "
        "name the process file that it was made with"
    )


def _unlike(made_with: Process, process: Process) -> list[str]:
    return [name for name in _SHAPING if getattr(made_with, name) != getattr(process, name)]


def _wrong_files(stored: StoredSet) -> str:
    folder = Path(stored.folder)
    if not folder.is_dir():
        return (
            f"the set {stored.name} is no longer in {folder}; put its folder back, or make the set "
            "again with the same command"
        )
    seen = files_of(stored)
    return seen.told if seen.changed else ""


def _of_set(
    stored: StoredSet, rods: tuple[StoredRod, ...], process: Process, spares: frozenset[str]
) -> Iterator[Piece]:
    from labkit.exports.check.stl_reader import read_stl

    spec = stored.content
    template, parts = template_of(spec), [part_of(part) for part in spec["parts"]]
    meshes = {
        part.part: read_stl(Path(stored.folder) / part.files.stl) for part in parts
        if any((one.step, one.side) in _places(part) for one in rods)
    }
    for rod in rods:
        part = next(each for each in parts if (rod.step, rod.side) in _places(each))
        name = f"{rod.case} {part.part} {grouped(rod.identifier)}"
        laid = _laid(part.rod(template), meshes[part.part], process, (name, rod.identifier))
        more = process.build.spares + (rod.identifier in spares)
        yield Piece(part.rod(template), rod, 0, laid)
        for number in range(1, more + 1):
            yield Piece(part.rod(template), rod, number, replace(
                laid, name=f"{name} spare {number}", number=f"{rod.identifier}-{number}"
            ))


def _places(part: SetPart) -> set[tuple[int, str]]:
    return {(use.step, str(use.side)) for use in part.uses}


def _laid(rod: Rod, mesh: FacetMesh, process: Process, named: tuple[str, str]) -> PlatePart:
    from labkit.exports.write.plates import PlatePart

    way = chosen(rod.template, process)
    sizes = compensated(rod.template, rod.length, process.compensation)
    return PlatePart(
        name=named[0], number=named[1], vertices=mesh.vertices, triangles=mesh.triangles,
        quantity=1, hand=rod.hand, height_mm=height_mm(sizes, way.way), way=way.way,
        lift_mm=way.lift_mm,
    )


def pieces_of_coupons(
    folders: tuple[Path, ...], process: Process
) -> list[tuple[Piece, ...]]:
    """Give the pieces of folders of coupons; those of several are named by their folder.

    Raises:
        InputError: A folder is none of coupons, or two have one name.
        RefusedError: The coupons of one were made with another process.
    """
    names = [folder.resolve().name for folder in folders]
    for name in (name for name in names if names.count(name) > 1):
        raise InputError(
            f"--coupons names the folder {name} twice, or two folders of that name, whose coupons "
            "could not be told apart; name it once, or rename one of the two", field="coupons",
            value=name,
        )
    marks = [f"{name} " for name in names] if len(names) > 1 else [""]
    return [
        coupon_pieces(folder, process, mark)
        for folder, mark in zip(folders, marks, strict=False)
    ]


def coupon_pieces(folder: Path, process: Process, mark: str = "") -> tuple[Piece, ...]:
    """Give the pieces of a folder of coupons, as `labkit coupons` made it.

    Args:
        mark: What their names begin with, where coupons of several folders go along.

    Raises:
        InputError: It is none, or was changed.
        RefusedError: The coupons were made with another process.
    """
    from labkit.exports.check.stl_reader import read_stl

    coupons = read_coupons(folder)
    if unlike := _unlike(coupons.process, process):
        raise RefusedError(
            f"the coupons in {folder} were made with {coupons.process.name}, which is not the "
            f"process {process.name} of this build (not alike: {', '.join(unlike)}); make coupons "
            "of this one with `labkit coupons`; nothing was written", field="coupons",
        )
    pieces = []
    for rod in coupons.rods:
        mesh = read_stl(folder / "stl" / f"coupon_{rod.part}.stl")
        for number in range(1, coupons.each + 1):
            name = f"coupon {mark}{rod.part}-{number}"
            laid = _laid(rod, mesh, process, (name, name.replace(" ", "-")))
            pieces.append(Piece(rod, None, 0, laid))
    return tuple(pieces)
