"""Rods of every template row, with their labels laid out."""

from __future__ import annotations

from decimal import Decimal

from labkit.catalog.lettering import load_lettering
from labkit.catalog.rods import rod_templates
from labkit.core.label.layout import lay_out
from labkit.core.rod.rods import Hand, Rod

TEMPLATES = rod_templates()
LETTERING = load_lettering()


def hands(name):
    return tuple(Hand) if TEMPLATES[name].handed else (Hand.MINUS_Y,)


def lengths(name):
    template = TEMPLATES[name]
    shortest, longest = template.shortest_mm, template.longest_mm
    return tuple(f"{length:.1f}" for length in (shortest, Decimal("27.3"), longest))


def rod_of(name, length, hand=Hand.MINUS_Y, bar=False):
    template = TEMPLATES[name]
    mark = ("L" if hand is Hand.MINUS_Y else "R") if template.label.side_mark else ""
    return Rod(template, Decimal(length), hand, mark, bar)


def label_of(rod):
    return lay_out(LETTERING, rod.engraving, rod.bar, rod.template.label.height_mm)


def every_rod():
    return [
        (name, length, hand)
        for name in TEMPLATES
        for length in lengths(name)
        for hand in hands(name)
    ]
