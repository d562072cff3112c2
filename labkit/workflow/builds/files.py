"""The files of a build: a bed each as 3MF, the map on paper, and what lies where as data."""

from __future__ import annotations

import csv
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from labkit import __version__
from labkit.catalog.profiles import Profile
from labkit.core.case.identifier import grouped
from labkit.core.jsonable import jsonable
from labkit.core.rod.rods import Process
from labkit.documents import build_map
from labkit.documents.build_map import Bed
from labkit.documents.build_map_words import Laid
from labkit.documents.render import compile_pdf
from labkit.exports.write.set_folder import write_json
from labkit.ledger.rows import content_sha256
from labkit.units import written
from labkit.workflow.builds.layout import Layout, Lying

BUILD_FILE = "build.json"
MAP_FILE = "map.pdf"
#: Places are written to 0.1 µm.
_DECIMALS = 4


def write_files(
    root: Path, build: tuple[int, str], layout: Layout, means: tuple[Process, Profile],
    progress: Callable[[str], None], asked: Mapping[str, Any],
) -> None:
    """Write everything of a build but the list of its sums.

    Args:
        build: Its number, and its day.
        progress: Told of each bed, then of the map.
        asked: What was asked, and by which record; it is kept with the build.

    Raises:
        CheckError: A bed does not read back as it was planned.
    """
    process, profile = means
    number, day = build
    for index, _ in enumerate(layout.plans):
        _write_bed(root, number, layout, index, (process, day))
        progress(f"bed {index + 1}")
    content = {**build_content(build, layout, process), "asked": dict(asked)}
    write_json(root / BUILD_FILE, content)
    _write_table(root / "build.csv", content)
    facts = build_map.facts(build, beds_of(layout), process, profile)
    (root / MAP_FILE).write_bytes(compile_pdf(build_map.TEMPLATE, facts, profile))
    progress("map")


def bed_file(index: int) -> str:
    """Name the file of a bed, counted from 0."""
    return f"bed-{index + 1}.3mf"


def _write_bed(
    root: Path, number: int, layout: Layout, index: int, by: tuple[Process, str]
) -> None:
    from labkit.exports.check.plate import check_plate
    from labkit.exports.rod_files import require_plate
    from labkit.exports.write.threemf import PlateMetadata, write_plate

    process, day = by
    plan, path = layout.plans[index], root / bed_file(index)
    cases = dict.fromkeys(one.piece.case or "coupons" for one in layout.on_bed(plan.number))
    write_plate(plan, path, PlateMetadata(
        case=f"build {number}", title=f"Build {number}, bed {plan.number} of {plan.of}",
        designer=f"labkit {__version__}",
        description=f"Connector rods of {', '.join(cases)}, process {process.name}", date=day,
    ))
    require_plate(f"bed {plan.number}", check_plate(path, plan), "no build is delivered")


def beds_of(layout: Layout) -> list[Bed]:
    """Give what the map shows of each bed."""
    return [
        Bed(plan.plate, bed_file(index), plan.height_mm, tuple(
            Laid(
                letter=layout.letters[one.piece.case], place=one.number, case=one.piece.case,
                rod=one.piece.rod, way=plan.parts[spot.part].way,
                box_mm=(spot.x_mm, spot.y_mm, spot.width_mm, spot.depth_mm), turned=spot.turned,
                identifier=(
                    grouped(one.piece.stored.identifier) if one.piece.stored
                    else one.piece.laid.name
                ),
                side=one.piece.stored.side if one.piece.stored else "",
                spare=one.piece.spare,
            )
            for one, spot in zip(layout.on_bed(plan.number), plan.placements, strict=True)
        ))
        for index, plan in enumerate(layout.plans)
    ]


def build_content(build: tuple[int, str], layout: Layout, process: Process) -> dict[str, Any]:
    """Give the content of build.json: what lies where."""
    number, day = build
    return {
        "schema": 1, "build": number, "date": day, "program": __version__,
        "process": {"name": process.name, "sha256": content_sha256(jsonable(process))},
        "cases": list(layout.cases),
        "beds": [
            {
                "bed": plan.number, "file": bed_file(index),
                "bed_mm": [plan.plate.width_mm, plan.plate.depth_mm],
                "height_mm": written(plan.height_mm, _DECIMALS),
                "pieces": [
                    {**_told(one), **{
                        name: written(getattr(spot, name), _DECIMALS)
                        for name in ("x_mm", "y_mm", "width_mm", "depth_mm")
                    }, "turned": spot.turned}
                    for one, spot in zip(
                        layout.on_bed(plan.number), plan.placements, strict=True
                    )
                ],
            }
            for index, plan in enumerate(layout.plans)
        ],
    }


def _told(one: Lying) -> dict[str, Any]:
    stored = one.piece.stored
    return {
        "place": one.number, "name": one.piece.laid.name, "case": one.piece.case or None,
        "set": stored and stored.set_name, "step": stored and stored.step,
        "side": stored and stored.side, "label": one.piece.rod.engraving,
        "identifier": stored and stored.identifier, "spare": one.piece.spare or None,
        "coupon": stored is None,
    }


_COLUMNS = (
    "bed", "place", "case", "set", "step", "side", "label", "identifier", "spare", "coupon",
)


def _write_table(path: Path, content: dict[str, Any]) -> None:
    rows = [
        ["" if piece.get(name) is None else piece[name] for name in _COLUMNS[1:]]
        for bed in content["beds"] for piece in bed["pieces"]
    ]
    beds = [bed["bed"] for bed in content["beds"] for _ in bed["pieces"]]
    with path.open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream, lineterminator="\n").writerows(
            [_COLUMNS, *([bed, *row] for bed, row in zip(beds, rows, strict=True))]
        )
