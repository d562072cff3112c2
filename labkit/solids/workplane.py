"""A rod as a CadQuery workplane, for engineers who go on with it."""

from __future__ import annotations

import re
from dataclasses import replace
from decimal import Decimal

import cadquery as cq

from labkit.catalog.lettering import load_lettering
from labkit.catalog.rods import find_template, rod_templates
from labkit.core.label.place import lay_out_rod, require_fit
from labkit.core.label.rules import CASE_MARK_ALLOWED, is_case_mark, needs_bar
from labkit.core.rod.rods import NOMINAL, Compensation, Hand, Rod, RodTemplate
from labkit.errors import InputError
from labkit.solids.build import build

_LABEL = re.compile(r"(?P<length>\d+\.\d+)(?P<mark>[LR]?)")


def rod(
    template: str | RodTemplate, label: str, hand: Hand = Hand.MINUS_Y,
    compensation: Compensation = NOMINAL, case_mark: str = "",
) -> cq.Workplane:
    """Build one rod, engraved with its label, in the rod frame (x from lower to upper, mm).

    Args:
        template: Name of a rod template that comes with the program, or a template of your own.
        label: Functional length as engraved, with L or R after it where sides are marked.
        hand: Which way the engraved face of a template with left and right parts looks.
        compensation: What a process adds; by default the rod has its nominal sizes.
        case_mark: Engraved beside the label, where the template has a place for it.

    Returns:
        A workplane with the checked solid on its stack.

    Raises:
        InputError: There is no such template, or the label is none or outside of its limits.
        LabelError: The label does not fit on a rod so short.
        GeometryError: The template's sizes do not make a part.

    >>> made = rod("eye-eye-flat", "31.4")
    >>> made.solids().size(), round(made.val().BoundingBox().xlen, 3)
    (1, 38.9)
    """
    if isinstance(template, str):
        template = find_template(rod_templates(), template)
    asked = replace(_asked(template, label, hand), case_mark=_checked_mark(case_mark))
    engraving = lay_out_rod(load_lettering(), asked)
    require_fit(load_lettering(), template, engraving, float(asked.length))
    return cq.Workplane(build(asked, engraving, compensation).shape)


def _checked_mark(case_mark: str) -> str:
    if case_mark and not is_case_mark(case_mark):
        raise InputError(
            f"{case_mark!r} is not a case mark; allowed is {CASE_MARK_ALLOWED}",
            field="case_mark", value=case_mark,
        )
    return case_mark


def _asked(template: RodTemplate, label: str, hand: Hand) -> Rod:
    # In a notebook a number is the likeliest slip: 31.4 for "31.4".
    found = _LABEL.fullmatch(label) if isinstance(label, str) else None
    if found is None:
        raise InputError(
            f"{label!r} is not a label of a rod; write the functional length with its decimals, "
            'such as "31.4", and L or R after it where the template marks sides',
            field="label", value=label,
        )
    length = Decimal(found["length"])
    if not template.shortest_mm <= length <= template.longest_mm:
        raise InputError(
            f"a rod of {length} mm is outside of what {template.name} allows: "
            f"{template.shortest_mm} to {template.longest_mm} mm",
            field="label", value=label,
        )
    return Rod(template, length, hand, found["mark"], needs_bar(found["length"]))
