"""Coupons: rods of a template, of no patient, built to find out what a process makes of them."""

from __future__ import annotations

import csv
import datetime
import io
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING

from labkit.catalog.lettering import load_lettering
from labkit.core.form.read import from_record
from labkit.core.jsonable import jsonable
from labkit.core.label.place import check_label, lay_out_rod
from labkit.core.label.rules import needs_bar
from labkit.core.rod.compensation import compensated
from labkit.core.rod.fittings import Fitting
from labkit.core.rod.lying import chosen, height_mm
from labkit.core.rod.rods import Hand, Process, Rod, RodTemplate
from labkit.errors import InputError, RefusedError
from labkit.exports.write.put import new_folder, put
from labkit.exports.write.set_folder import (
    SUMS_FILE,
    is_paper,
    require_unchanged,
    seal,
    sums_of,
    write_json,
)
from labkit.qa.process.calibration_limits import LEAST_LENGTHS, LEAST_RANGE_MM
from labkit.units import plain

if TYPE_CHECKING:
    from labkit.exports.write.plates import PlatePart

#: Lengths where none are named, and coupons of each: what `calibrate` asks for, and some to spare.
USUAL_LENGTHS, USUAL_EACH = 4, 4
#: The file that tells template, process and lengths.
MADE_FROM = "coupons.json"
#: The file that the readings are written into.
TABLE = "coupons.csv"
NONE_DELIVERED = "no coupons are delivered"

Progress = Callable[[str], None]


@dataclass(frozen=True)
class CouponsAsked:
    """What coupons are wanted.

    Args:
        lengths: Their functional lengths, mm; none for some spread over the template's.
        each: How many of each length.
    """

    template: RodTemplate
    process: Process
    date: datetime.date
    lengths: tuple[Decimal, ...] = ()
    each: int = USUAL_EACH

    @property
    def rods(self) -> tuple[Rod, ...]:
        """The rods to build, one for each length."""
        lengths = self.lengths or usual_lengths(self.template)
        mark = "L" if self.template.label.side_mark else ""
        return tuple(
            Rod(self.template.used_for(""), length, Hand.MINUS_Y, mark, needs_bar(f"{length}"))
            for length in sorted(lengths)
        )


def usual_lengths(template: RodTemplate) -> tuple[Decimal, ...]:
    """Spread coupons over a template's lengths, to the 0.1 mm of labels.

    >>> from labkit.catalog.rods import rod_templates
    >>> [str(one) for one in usual_lengths(rod_templates()["eye-eye-flat"])]
    ['15.0', '33.3', '51.7', '70.0']
    """
    low, high = template.shortest_mm, template.longest_mm
    steps = USUAL_LENGTHS - 1
    return tuple(
        (low + (high - low) * step / steps).quantize(Decimal("0.1")) for step in range(steps + 1)
    )


def make_coupons(asked: CouponsAsked, out: Path, progress: Progress) -> Path:
    """Write a folder of coupons: STEP, STL, build plates, and the table for their readings.

    The folder is written beside its place and renamed once: whole or absent, never over another.

    Returns:
        The table.

    Raises:
        DeliveryError: There is such a folder, or it cannot be written.
        RefusedError: Lengths from which no process can be calibrated, or that the template lacks.
    """
    _refuse_lengths(asked)
    with new_folder(out) as staging:
        told = replace(asked, lengths=tuple(rod.length for rod in asked.rods))
        write_json(staging / MADE_FROM, {"schema": 1, **jsonable(told)})
        parts = []
        for rod in asked.rods:
            parts.append(_part(rod, asked, staging))
            progress(rod.part)
        _plates(asked, parts, staging)
        seal(staging)
        put(staging / TABLE, table_of(asked).encode())  # to be filled in: no sum is kept of it
    return out / TABLE


def read_coupons(folder: Path) -> CouponsAsked:
    """Read what a folder of coupons was made from, its files unchanged since.

    Raises:
        InputError: It is none, or a file of it is missing or was changed.
    """
    if not any((folder / name).exists() for name in (SUMS_FILE, MADE_FROM)):
        raise InputError(
            f"{folder} is no folder of coupons: it holds neither {SUMS_FILE} nor {MADE_FROM}; name "
            "the folder that `labkit coupons` made", field="coupons", value=str(folder),
        )
    require_unchanged(folder, [name for name in sums_of(folder) if not is_paper(name)])
    try:
        content = json.loads((folder / MADE_FROM).read_text("utf-8"))
        del content["schema"]
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise InputError(
            f"{folder} does not say what its coupons were made from ({MADE_FROM}); make them "
            "again with `labkit coupons`", field="coupons", value=str(folder),
        ) from error
    found = from_record(CouponsAsked, content, "folder of coupons")
    return replace(found, lengths=tuple(one.quantize(Decimal("0.1")) for one in found.lengths))


def _refuse_lengths(asked: CouponsAsked) -> None:
    template, lengths = asked.template, {rod.length for rod in asked.rods}
    beyond = [one for one in lengths if not template.shortest_mm <= one <= template.longest_mm]
    if beyond:
        raise RefusedError(
            f"a coupon of {beyond[0]} mm is not a rod of {template.name}; allowed are "
            f"{plain(template.shortest_mm)} to {plain(template.longest_mm)} mm",
            field="lengths", value=beyond[0],
        )
    if len(lengths) < LEAST_LENGTHS or max(lengths) - min(lengths) < LEAST_RANGE_MM:
        raise RefusedError(
            f"{', '.join(map(str, sorted(lengths)))} mm calibrate nothing; name {LEAST_LENGTHS} "
            f"lengths or more that span {LEAST_RANGE_MM} mm or more, best your shortest and "
            "longest rods among them", field="lengths",
        )


def _part(rod: Rod, asked: CouponsAsked, root: Path) -> PlatePart:
    """Build one length, write its files, and measure them as written."""
    from labkit.exports.rod_files import RodFiles, require_rod, write_rod
    from labkit.exports.write.plates import PlatePart

    lettering, by, name = load_lettering(), asked.process.compensation, f"coupon_{rod.part}"
    engraving = lay_out_rod(lettering, rod)
    check_label(lettering, rod.template, asked.process, engraving, float(rod.length))
    mesh, check = write_rod(
        rod, engraving, by, RodFiles(root, name, asked.date.isoformat()), lettering
    )
    require_rod(f"coupon {rod.part}", check, NONE_DELIVERED)
    lying = chosen(asked.template, asked.process)
    return PlatePart(
        name=name, number=rod.part, vertices=mesh.vertices, triangles=mesh.triangles,
        quantity=asked.each, hand=rod.hand,
        height_mm=height_mm(compensated(rod.template, rod.length, by), lying.way),
        way=lying.way, lift_mm=lying.lift_mm,
    )


def _plates(asked: CouponsAsked, parts: list[PlatePart], root: Path) -> None:
    from labkit import __version__
    from labkit.exports.check.plate import check_plate
    from labkit.exports.rod_files import require_plate
    from labkit.exports.write.plates import plan_plates
    from labkit.exports.write.threemf import PlateMetadata, write_plate

    (root / "plates").mkdir()
    for plan in plan_plates(parts, asked.process.plate):
        path = root / "plates" / f"coupons_plate-{plan.number}.3mf"
        write_plate(plan, path, PlateMetadata(
            case="coupons", title=f"Coupons, plate {plan.number} of {plan.of}",
            designer=f"labkit {__version__}",
            description=f"Coupons of {asked.template.name}, process {asked.process.name}",
            date=asked.date.isoformat(),
        ))
        require_plate(f"plate {plan.number}", check_plate(path, plan), NONE_DELIVERED)


def table_of(asked: CouponsAsked) -> str:
    """Write the table that readings are filled into, as `calibrate` reads it.

    Diameters stand beside what the STEP has: the middle of their limits.
    """
    ends = {end.surface: end for end in (asked.template.lower, asked.template.upper)}
    head = ["coupon", "nominal", "reading", "lot"]
    for kind in ends:
        head += [f"{kind}_nominal", kind]
    stream = io.StringIO()
    csv.writer(stream, lineterminator="\n").writerows([head, *_rows(asked, tuple(ends.values()))])
    return stream.getvalue()


def _rows(asked: CouponsAsked, ends: tuple[Fitting, ...]) -> Iterator[list[str]]:
    for rod in asked.rods:
        for number in range(1, asked.each + 1):
            row = [f"{rod.part}-{number}", f"{rod.length}", "", ""]
            for end in ends:
                row += [plain(end.aim_mm), ""]
            yield row
