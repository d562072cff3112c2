"""Rods of every template row, built and written for the tests."""

from __future__ import annotations

from dataclasses import dataclass, replace
from decimal import Decimal
from functools import cache
from pathlib import Path

from labkit.catalog.lettering import load_lettering
from labkit.catalog.rods import rod_templates
from labkit.core.label.lettering import Engraving
from labkit.core.label.place import lay_out_rod
from labkit.core.label.rules import needs_bar
from labkit.core.rod.rods import NOMINAL, Compensation, Hand, Rod

ROWS = tuple(rod_templates())


@dataclass(frozen=True)
class WrittenRod:
    """A rod with its written files."""

    rod: Rod
    engraving: Engraving
    step: Path
    stl: Path
    volume_mm3: float


@cache
def templates():
    return rod_templates()


def even(template):
    """Give a template whose fittings' limits stand evenly about the nominal: built as drawn."""
    return replace(template, lower=replace(template.lower, fit="js9"),
                   upper=replace(template.upper, fit="js9"))


def rod_of(row: str, length: str, hand: Hand = Hand.MINUS_Y, case_mark: str = "") -> Rod:
    """Give a rod as a set would ask for it; unmarked templates are always built inward -y."""
    template = templates()[row].used_for(case_mark)
    mark = ("L" if hand is Hand.MINUS_Y else "R") if template.label.side_mark else ""
    return Rod(
        template=template,
        length=Decimal(length),
        hand=hand if template.handed else Hand.MINUS_Y,
        mark=mark,
        bar=needs_bar(length),
        case_mark=case_mark,
    )


def written(rod: Rod, folder: Path, compensation: Compensation = NOMINAL) -> WrittenRod:
    """Build a rod and write its nominal STEP and its STL."""
    from labkit.exports.write.rod import rod_shape
    from labkit.exports.write.step import StepHeader
    from labkit.exports.write.stl import write_stl

    engraving = lay_out_rod(load_lettering(), rod)
    step, stl = folder / f"{rod.part}.step", folder / f"{rod.part}.stl"
    nominal = rod_shape(rod, engraving)
    step.write_bytes(nominal.step(StepHeader(rod.part, "2031-03-14", "tests", "")))
    built = nominal if compensation == NOMINAL else rod_shape(rod, engraving, compensation)
    write_stl(built.mesh(), stl, rod.part)
    return WrittenRod(rod, engraving, step, stl, built.volume_mm3)
